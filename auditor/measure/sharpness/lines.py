"""Lines along edges: where an edge runs inside its patch, first as the gradients have it; and the patches'
pixels by their distance from a line: which count, their sums, their bins.

A third of a patch counts as a rule. Its pixels are picked out once and worked on in one row; masks over
whole patches took twice as long.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.sharpness.family import BIN_PX, HALF_PX, OFFSETS

__all__ = [
    "BINS",
    "PATCH_PX",
    "Lines",
    "Pixels",
    "binned",
    "bins_of",
    "first_lines",
    "near_line",
    "polynomials",
]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

PATCH_PX: Final = 27
"""Side of the patch about an edge, whose profile reaches 12 px to either side."""
_WINDOW_PX: Final = 5.0
"""Standard deviation along the edge, and at first across it, of the window that gradients are weighed with."""
_ACROSS_PX: Final = 4.0
"""The same across it once its direction is known."""


@dataclass(frozen=True)
class Lines:
    """Where an edge runs inside its patch.

    Distance of a pixel (dx, dy) from the patch's centre: u = dx cos a + dy sin a - offset - bend t^2,
    with t = -dx sin a + dy cos a along the edge.

    Attributes
    ----------
    angle : (n,) ndarray of float64
        Angle a of the normal (from dark to light), radians, x to the right, y down.
    offset : (n,) ndarray of float64
        Distance of the line from the centre, px.
    bend : (n,) ndarray of float64
        Curvature term, 1 / px.
    monotonicity : (n,) ndarray of float64
        Net change of light across the line over what rises and falls in all: 1 for a step alone, next to 0
        for a line or for texture.
    """

    angle: Floats
    offset: Floats
    bend: Floats
    monotonicity: Floats

    def take(self, index: NDArray[np.generic]) -> Lines:
        """The lines of a mask or of indices."""
        return Lines(
            self.angle[index], self.offset[index], self.bend[index], self.monotonicity[index]
        )

    def shifted(self, down: NDArray[np.int_], along: NDArray[np.int_]) -> Lines:
        """These lines in patches that were moved.

        Parameters
        ----------
        down, along : (n,) ndarray of int
            Pixels by which each patch was moved.

        Returns
        -------
        Lines
            With offsets from the new centres.
        """
        moved = along * np.cos(self.angle) + down * np.sin(self.angle)
        return replace(self, offset=self.offset - moved)

    def distances(self) -> tuple[Singles, Singles]:
        """Distances of every pixel of a patch.

        Returns
        -------
        u, t : (n, PATCH_PX, PATCH_PX) ndarray of float32
            Across and along the line, px.
        """
        c, s = np.cos(self.angle), np.sin(self.angle)
        bent = -self.bend
        u = polynomials(
            PATCH_PX, [-self.offset, c, s, bent * s * s, -2 * bent * s * c, bent * c * c]
        )
        return u, polynomials(PATCH_PX, [np.zeros_like(c), -s, c])


@cache
def _monomials(side: int) -> Singles:
    """1, x, y, x^2, xy and y^2 of every pixel of a patch, from its middle, (6, side^2)."""
    y, x = (a.ravel() for a in np.indices((side, side), np.float32) - side // 2)
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y])


def polynomials(side: int, factors: list[Floats]) -> Singles:
    """Polynomials of second order over the pixels of patches, as one matrix product.

    Parameters
    ----------
    side : int
        Side of a patch in pixels.
    factors : list of (n,) ndarray of float64
        Coefficients of 1, x, y, x^2, xy and y^2 about the patch's middle; those left out at the end are 0.

    Returns
    -------
    (n, side, side) ndarray of float32
        Values.
    """
    each = np.stack(factors, axis=1).astype(np.float32)
    return np.asarray(each @ _monomials(side)[: len(factors)]).reshape(-1, side, side)


def first_lines(patch: Singles) -> Lines:
    """Lines through edges: angle from the structure tensor, offset from the centre of mass of the gradient.

    Parameters
    ----------
    patch : (n, side, side) ndarray of float32
        Light.

    Returns
    -------
    Lines
        Straight ones, bend 0.
    """
    p = patch[:, :-2] + patch[:, 2:]
    p += 2 * patch[:, 1:-1]
    gx = p[:, :, 2:] - p[:, :, :-2]
    p = patch[:, :, :-2] + patch[:, :, 2:]
    p += 2 * patch[:, :, 1:-1]
    gy = p[:, 2:] - p[:, :-2]
    n, side, _ = gx.shape
    gx, gy = (a.reshape(n, side * side) for a in (gx, gy))
    place = _monomials(side)[:3].T
    window = np.exp((place[:, 1] ** 2 + place[:, 2] ** 2) * np.float32(-0.5 / _WINDOW_PX**2))
    angle, offset, *_ = _windowed(gx, gy, place, window)
    c, s = np.cos(angle), np.sin(angle)
    wide, long = -0.5 / _ACROSS_PX**2, -0.5 / _WINDOW_PX**2
    window = polynomials(
        side,
        [
            wide * offset**2,
            -2 * wide * offset * c,
            -2 * wide * offset * s,
            wide * c * c + long * s * s,
            2 * (wide - long) * c * s,
            wide * s * s + long * c * c,
        ],
    ).reshape(n, side * side)
    angle, offset, falling, monotonicity = _windowed(gx, gy, place, np.exp(window, out=window))
    return Lines(
        angle + np.pi * falling, np.where(falling, -offset, offset), np.zeros(n), monotonicity
    )


def _windowed(
    gx: Singles, gy: Singles, place: Singles, window: Singles
) -> tuple[Floats, Floats, NDArray[np.bool_], Floats]:
    """Angle, offset and monotonicity from gradients in a window.

    Parameters
    ----------
    gx, gy : (n, pixels) ndarray of float32
        Gradients.
    place : (pixels, 3) ndarray of float32
        1, x and y of each pixel.
    window : (pixels,) or (n, pixels) ndarray of float32
        Weights, one window for all or one each.

    Returns
    -------
    angle, offset : (n,) ndarray of float64
        As in `Lines`, the angle up to half a turn.
    falling : (n,) ndarray of bool
        Whether light falls along that angle.
    monotonicity : (n,) ndarray of float64
        As in `Lines`.
    """
    across, down = window * gx, window * gy
    jxx, jxy, jyy = (
        np.einsum("ni,ni->n", a, b) for a, b in ((across, gx), (across, gy), (down, gy))
    )
    angle = 0.5 * np.arctan2(2 * jxy, jxx - jyy)
    c, s = np.cos(angle), np.sin(angle)
    change = across.sum(1) * c + down.sum(1) * s
    falling = change < 0
    sign = np.where(falling, np.float32(-1), np.float32(1))
    projection = gx * (c * sign)[:, None]
    projection += gy * (s * sign)[:, None]
    np.maximum(projection, 0, out=projection)
    rising = (projection * window).sum(1)
    projection *= projection
    projection *= window
    total, x, y = (projection @ place).T
    offset = (x * c + y * s) / np.maximum(total, 1e-20)
    # What goes there less what comes back is the change.
    change = np.abs(change)
    return angle, offset, falling, change / np.maximum(2 * rising - change, 1e-20)


BINS: Final = len(OFFSETS)
"""Bins of an edge's profile."""


@dataclass(frozen=True)
class Pixels:
    """The pixels of a batch of patches that count, patch by patch.

    Attributes
    ----------
    at : (k,) ndarray of intp
        Places in the flattened patches, ascending.
    count : (n,) ndarray of intp
        How many each patch has.
    """

    at: NDArray[np.intp]
    count: NDArray[np.intp]

    @classmethod
    def of(cls, mask: NDArray[np.bool_]) -> Pixels:
        """Pixels of a mask.

        Parameters
        ----------
        mask : (n, PATCH_PX, PATCH_PX) ndarray of bool
            Pixels that count.

        Returns
        -------
        Pixels
            Those of the mask.
        """
        at = np.flatnonzero(mask)
        first = np.arange(len(mask) + 1) * PATCH_PX**2
        return cls(at, np.diff(np.searchsorted(at, first)))

    def per_pixel(self, values: NDArray[Any]) -> NDArray[Any]:
        """A value for each patch as one for each pixel.

        Parameters
        ----------
        values : (n,) ndarray
            One for each patch.

        Returns
        -------
        (k,) ndarray
            One for each pixel.
        """
        return values.repeat(self.count)

    def sums(self, values: Singles) -> Floats:
        """Sums over the pixels of each patch.

        Parameters
        ----------
        values : (..., k) ndarray of float32
            One for each pixel.

        Returns
        -------
        (..., n) ndarray of float64
            One for each patch; 0 where it has no pixels.
        """
        out = np.zeros((*values.shape[:-1], len(self.count)))
        filled = self.count > 0
        if filled.any():
            first = (self.count.cumsum() - self.count)[filled]
            out[..., filled] = np.add.reduceat(values, first, axis=-1)
        return out


def near_line(u: Singles, half: Floats | float) -> NDArray[np.bool_]:
    """Pixels within a distance of the line.

    Parameters
    ----------
    u : (n, PATCH_PX, PATCH_PX) ndarray of float32
        Distances from the line, px.
    half : (n,) ndarray of float64, or float
        Distance to either side, px.

    Returns
    -------
    (n, PATCH_PX, PATCH_PX) ndarray of bool
        Mask.
    """
    limit = np.atleast_1d(np.asarray(half, np.float32))
    return np.asarray(np.abs(u) <= limit[:, None, None])


def bins_of(u: Singles) -> NDArray[np.intp]:
    """The bin in which each distance lies, none beyond `HALF_PX`."""
    return np.asarray(((u + np.float32(HALF_PX)) * np.float32(1 / BIN_PX)).astype(np.intp))


def binned(patch: Singles, u: Singles, use: NDArray[np.bool_]) -> tuple[Floats, Floats, Floats]:
    """Edge-spread functions: pixels binned by their distance from the line.

    Parameters
    ----------
    patch, u : (n, PATCH_PX, PATCH_PX) ndarray of float32
        Light, and distances from the line, px.
    use : (n, PATCH_PX, PATCH_PX) ndarray of bool
        Pixels that count, all within `HALF_PX` of the lines.

    Returns
    -------
    mean : (n, bins) ndarray of float64
        Mean light; 0 in empty bins.
    squares : (n, bins) ndarray of float64
        Sum of squares about the mean.
    count : (n, bins) ndarray of float64
        Pixels.
    """
    n = len(patch)
    pixels = Pixels.of(use)
    flat = bins_of(u.take(pixels.at)) + pixels.per_pixel(np.arange(n) * BINS)
    value = patch.take(pixels.at).astype(float)
    count = np.bincount(flat, minlength=n * BINS).astype(float)
    total = np.bincount(flat, weights=value, minlength=n * BINS)
    mean = total / np.maximum(count, 1)
    squares = np.bincount(flat, weights=value * value, minlength=n * BINS) - total * mean
    shape = (n, BINS)
    return mean.reshape(shape), np.maximum(squares, 0).reshape(shape), count.reshape(shape)
