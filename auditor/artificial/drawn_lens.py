"""The lens that a drawn frame is seen through, and its blur over the frame."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy.special
from numpy.typing import NDArray

from auditor import optics

__all__ = ["Optics", "disc_otf", "radius_map", "rise"]

Image = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Optics:
    """One lens at one setting in front of a sensor of one pitch.

    The Gaussian remainder (aberration) has the standard deviation `blur_px` on the axis and
    `corner_blur_px` (the same if None) at the half-diagonal. Its square is level within each zone, half
    way up in the middle one, so that a zone's MTF50 is one number.
    """

    f_number: float
    pitch_um: float = 4.0
    blur_px: float = 0.0
    corner_blur_px: float | None = None
    wavelength_um: float = optics.GREEN_UM
    motion_px: float = 0.0
    """Length of a straight movement of the camera during the exposure."""
    motion_deg: float = 0.0
    defocus_px: float = 0.0
    """Diameter of the geometric blur disc over the whole frame."""
    lateral_red_px: float = 0.0
    """Displacement at the half-diagonal against green, positive away from the centre."""
    lateral_blue_px: float = 0.0
    haze: float = 0.0
    """Share of the light that is veil: contrast falls by it."""


def radius_map(height: int, width: int) -> Image:
    """Distance of every pixel's centre from the frame's centre over the half-diagonal; (h, w)."""
    y = np.arange(height, dtype=np.float32) - (height - 1) / 2
    x = np.arange(width, dtype=np.float32) - (width - 1) / 2
    half_diagonal = math.hypot(height, width) / 2
    return np.asarray(np.sqrt(y[:, None] ** 2 + x[None, :] ** 2) / half_diagonal, np.float32)


def rise(radius: NDArray[np.floating]) -> NDArray[np.floating]:
    """Share of the way from the axis's squared blur to the corner's at these radii."""
    steps = np.zeros(np.shape(radius), np.float32)
    for low, high in ((0.32, 0.38), (0.67, 0.73)):
        t = np.clip((radius - low) / (high - low), 0, 1)
        steps = steps + t * t * (3 - 2 * t) / 2
    return np.asarray(steps)


def disc_otf(product: NDArray[np.floating]) -> NDArray[np.floating]:
    """Geometric defocus, 2 J1(z) / z with z = pi * diameter * frequency (Goodman, aberrated OTF)."""
    z = np.pi * np.asarray(product)
    small = z < 1e-3
    safe = np.where(small, 1.0, z)
    return np.where(small, 1.0, 2 * scipy.special.j1(safe) / safe)
