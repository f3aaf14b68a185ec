"""Lines along edges: where an edge runs inside its patch, first as the gradients have it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["PATCH_PX", "Lines", "first_lines"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

PATCH_PX: Final = 27
"""Side of the patch about an edge, whose profile reaches 12 px to either side."""
_HALF: Final = PATCH_PX // 2
"""Pixels of it to every side of its middle."""
_WINDOW_PX: Final = 5.0
"""Standard deviation along the edge, and at first across it, of the window that gradients are weighed with."""


@dataclass(frozen=True)
class Lines:
    """Where an edge runs inside its patch: normal angle, offset and bend, arrays (n,).

    Distance of a pixel (dx, dy) from the patch's centre: u = dx cos a + dy sin a - offset - bend t^2,
    with t = -dx sin a + dy cos a along the edge.
    """

    angle: Floats
    offset: Floats
    bend: Floats

    def take(self, index: NDArray[np.generic]) -> Lines:
        """The lines of a mask or of indices."""
        return Lines(self.angle[index], self.offset[index], self.bend[index])

    def distances(self) -> tuple[Singles, Singles]:
        """(u, t) of every pixel, (n, PATCH_PX, PATCH_PX)."""
        axis = np.arange(-_HALF, _HALF + 1, dtype=np.float32)
        c = np.cos(self.angle).astype(np.float32)[:, None, None]
        s = np.sin(self.angle).astype(np.float32)[:, None, None]
        dx, dy = axis[None, None, :], axis[None, :, None]
        t = dy * c - dx * s
        u = dx * c + dy * s
        u -= self.offset.astype(np.float32)[:, None, None]
        u -= self.bend.astype(np.float32)[:, None, None] * t * t
        return u, t


def first_lines(patch: Singles) -> Lines:
    """Angle from the structure tensor, offset from the centre of mass of the gradient along it."""
    p = patch[:, :-2] + patch[:, 2:]
    p += 2 * patch[:, 1:-1]
    gx = p[:, :, 2:] - p[:, :, :-2]
    p = patch[:, :, :-2] + patch[:, :, 2:]
    p += 2 * patch[:, :, 1:-1]
    gy = p[:, 2:] - p[:, :-2]
    half = patch.shape[1] // 2
    axis = np.arange(-half + 1, half, dtype=np.float32)
    dx, dy = axis[None, None, :], axis[None, :, None]
    n = len(patch)
    angle, offset = np.zeros(n), np.zeros(n)
    window = np.broadcast_to(np.exp((dx**2 + dy**2) * np.float32(-0.5 / _WINDOW_PX**2)), gx.shape)
    for width in (4.0, 3.0):
        across, down = window * gx, window * gy
        jxx = np.einsum("nij,nij->n", across, gx)
        jyy = np.einsum("nij,nij->n", down, gy)
        jxy = np.einsum("nij,nij->n", across, gy)
        angle = 0.5 * np.arctan2(2 * jxy, jxx - jyy)
        c, s = np.cos(angle), np.sin(angle)
        sign = np.where(across.sum((1, 2)) * c + down.sum((1, 2)) * s < 0, -1.0, 1.0)
        c, s = (np.asarray(a, np.float32)[:, None, None] for a in (c, s))
        along = gx * (c * sign.astype(np.float32)[:, None, None])
        along += gy * (s * sign.astype(np.float32)[:, None, None])
        np.maximum(along, 0, out=along)
        mass = np.multiply(along, along, out=along)
        mass *= window
        u = dx * c + dy * s
        offset = np.einsum("nij,nij->n", mass, u) / np.maximum(mass.sum((1, 2)), 1e-20)
        t = dy * c - dx * s
        u -= offset.astype(np.float32)[:, None, None]
        u *= u
        u *= np.float32(-0.5 / width**2)
        t *= t
        t *= np.float32(-0.5 / _WINDOW_PX**2)
        u += t
        window = np.exp(u, out=u)
        angle = np.where(sign < 0, angle + np.pi, angle)
        offset = np.where(sign < 0, -offset, offset)
    return Lines(angle, offset, np.zeros(n))
