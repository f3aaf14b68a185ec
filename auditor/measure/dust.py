"""Candidates for dust on the sensor: small round dark places in the smooth parts of a frame.

A grain on the cover of the sensor casts a blurred shadow as wide as the gap over the f-number, the
darker the smaller the aperture. One frame can't tell it from a bird or a hole in a cloud; what lies
at one place through frames of different scenes can only be on the sensor. So a frame gives its
candidates, and how deep a shadow must be to be found in each part of it; inference puts them together.
"""

from __future__ import annotations

from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor.measure.picture import Picture
from auditor.measure.reduce import area_means
from auditor.record import DUST_GRID, Dust, DustSpot

__all__ = ["WIDEST", "measure_dust"]

Plane = NDArray[Any]

WIDEST: Final = 7.9
"""f-number below which shadows are too wide and faint to be looked for (f/8 and beyond hold)."""
_LONG_PX: Final = 1600
"""Long side in pixels up to which a plane is looked at: the narrowest shadows are some four wide."""
_LEVELS: Final = 3
"""Times that the plane is looked at, each time at half the size: shadows at f/22 to f/8."""
_REACH: Final = (9, 9)
_SCALE: Final = 1.25
"""Standard deviation (px of its level) of the narrowest Gaussian; a disc three times as wide suits."""
_PEAK: Final = 0.1525
"""Response to a disc of depth 1 and radius r = 1.5 s: with g(s) = 1 - exp(-r^2 / 2 s^2) what a Gaussian
sees of it at its centre, g(s) - 1.5 g(sqrt(2) s) + 0.5 g(2 s)."""
_ROUGH: Final = 0.015
"""Unrest (share of light) from which a place is too rough to show dust."""
_SURE: Final = 3.0
"""Standard deviations of the surroundings' own unrest from which a place is a candidate: few enough
that a faint spot is seen, as chance hardly ever meets chance at one place."""
_MOST: Final = 24
"""Candidates kept of a frame, the surest."""
_DEEPEST: Final = 0.5
"""Depth beyond which it is an object: shadows of dust stay fainter."""
_BORDER: Final = 6
"""Pixels of a level along the edge of the frame in which nothing is looked for."""
_AROUND: Final = 31
"""Side (px of a level) of the square that tells how restless a place is."""

_Found = tuple[float, float, float, float, float]
"""How sure in standard deviations, x, y, diameter and depth as in `DustSpot`."""


def measure_dust(picture: Picture, f_number: float | None) -> Dust | None:
    """Candidates of one frame; None where the aperture is unknown or too wide to show any.

    Depths are shares of the light that is lost, whatever the transfer curve.
    """
    if f_number is None or f_number < WIDEST or min(picture.shape) < 400:
        return None
    plane, slope = _small(picture)
    if min(plane.shape) < 8 * _AROUND:
        return None
    blurred = [cv2.GaussianBlur(plane, _REACH, _SCALE)]
    slopes: list[Plane | float] = [slope]
    for _ in range(_LEVELS):
        plane = area_means(plane, 2)
        blurred.append(cv2.GaussianBlur(plane, _REACH, _SCALE))
        last = slopes[-1]
        slopes.append(last if isinstance(last, float) else area_means(last, 2))
    found: list[_Found] = []
    limits = np.full(DUST_GRID[::-1], np.inf, np.float32)
    for level in range(_LEVELS):
        depth, unrest = _response(blurred[level], blurred[level + 1], slopes[level])
        here = cv2.resize(unrest, DUST_GRID, interpolation=cv2.INTER_AREA)
        limits = np.minimum(limits, _SURE * here)
        found += _peaks(depth, unrest)
    return Dust(_spots(found), tuple(float(v) for v in limits.ravel()))


def _small(picture: Picture) -> tuple[Plane, Plane | float]:
    """Reduced plane, and the factor from a relative difference of its values to one of light."""
    # A power of two: halving is what OpenCV does quickly.
    factor = 1
    while max(picture.shape) > factor * _LONG_PX:
        factor *= 2
    if picture.code is None:
        assert picture.mosaic is not None
        raw, black = picture.mosaic.raw, picture.mosaic.black
        rows, columns = raw.shape[0] // 2 * 2, raw.shape[1] // 2 * 2
        cells = sum(
            raw[dy:rows:2, dx:columns:2].astype(np.float32) - np.float32(black[dy, dx])
            for dy in range(2)
            for dx in range(2)
        )
        plane = area_means(np.asarray(cells, np.float32), max(1, factor // 2))
        return np.maximum(plane, 1.0), 1.0
    code: NDArray[Any] = picture.luma
    peak = picture.peak
    if factor % 2 == 0:
        if code.dtype == np.uint8:
            # Means of whole code values would be rounded by more than a faint shadow is deep.
            code, peak = np.multiply(code, 128, dtype=np.uint16), 128 * peak
        code, factor = area_means(code, 2), factor // 2
    plane = area_means(code.astype(np.float32), factor) / np.float32(peak)
    plane = np.maximum(plane, np.float32(1 / 255))
    if picture.transfer == "srgb":
        # d ln L / d ln C of IEC 61966-2-1 above its straight part.
        return plane, np.float32(2.4) * plane / (plane + np.float32(0.055))
    return plane, 1.0 if picture.transfer == "linear" else float(picture.transfer)


def _response(here: Plane, next_level: Plane, slope: Plane | float) -> tuple[Plane, Plane]:
    """Depth of a shadow of the level's size at every place, and the unrest of depth around it.

    g(s) - 1.5 g(sqrt(2) s) + 0.5 g(2 s) of Gaussians g: what varies as a quadratic over the place, as
    skies and clouds nearly do, leaves nothing. The widest is the next level's narrowest.
    """
    around = cv2.GaussianBlur(here, _REACH, _SCALE)
    wide = cv2.resize(next_level, (here.shape[1], here.shape[0]), interpolation=cv2.INTER_LINEAR)
    depth = np.asarray((1.5 * around - here - 0.5 * wide) / around * slope / np.float32(_PEAK))
    # The mean root is swayed less by a ridge nearby than the mean square; of a normal distribution
    # it is 0.8222 roots of the standard deviation (its absolute moment of order 1/2).
    root = cv2.blur(np.sqrt(np.abs(depth)), (_AROUND, _AROUND))
    unrest = root * root * np.float32(1 / 0.8222**2)
    return depth, np.maximum(unrest, np.float32(1e-4))


def _peaks(depth: Plane, unrest: Plane) -> list[_Found]:
    """Places where a level's depth stands out."""
    peak = (depth > unrest * np.float32(_SURE)) & (unrest < _ROUGH)
    peak[:_BORDER] = peak[-_BORDER:] = False
    peak[:, :_BORDER] = peak[:, -_BORDER:] = False
    ys, xs = np.nonzero(peak)
    value = depth[ys, xs]
    keep = value < _DEEPEST
    for dy in range(-2, 3):
        for dx in range(-2, 3):
            keep &= value >= depth[ys + dy, xs + dx]
    height, width = depth.shape
    return [
        (float(value[i] / unrest[y, x]), (x + 0.5) / width, (y + 0.5) / height, 3 * _SCALE / width,
         float(value[i]))
        for i in np.flatnonzero(keep)
        for y, x in [(int(ys[i]), int(xs[i]))]
    ]  # fmt: skip


def _spots(found: list[_Found]) -> tuple[DustSpot, ...]:
    """The surest candidates, one for each place whatever the level."""
    kept: list[_Found] = []
    for row in sorted(found, reverse=True):
        if all(np.hypot(row[1] - k[1], row[2] - k[2]) > max(row[3], k[3]) for k in kept):
            kept.append(row)
        if len(kept) == _MOST:
            break
    return tuple(DustSpot(x, y, diameter, depth) for _, x, y, diameter, depth in kept)
