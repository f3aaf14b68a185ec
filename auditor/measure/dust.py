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

Plane = NDArray[np.float32]

WIDEST: Final = 7.9
"""f-number below which shadows are too wide and faint to be looked for (f/8 and beyond hold)."""
_LONG_PX: Final = 1500
"""Long side in pixels at which shadows are looked for: the narrowest is some four of these wide."""
_SCALES: Final = (1.4, 2.5, 4.4)
"""Standard deviations (reduced px) of the filters; each suits a disc three times as wide."""
_PEAK: Final = 0.43
"""Response of a filter to a disc of depth 1 and diameter 3 s: the difference of two Gaussians s, 2 s
at the centre of a disc of radius 1.5 s, exp(-1.5^2 / 8) - exp(-1.5^2 / 2)."""
_SURE: Final = 4.5
"""Standard deviations of the surroundings' own unrest from which a place is a candidate."""
_MOST: Final = 24
"""Candidates kept of a frame, the surest."""
_DEEPEST: Final = 0.5
"""Depth beyond which it is an object: shadows of dust stay fainter."""
_BORDER: Final = 12
"""Reduced pixels along the edge of the frame in which nothing is looked for."""


def measure_dust(picture: Picture, f_number: float | None) -> Dust | None:
    """Candidates of one frame; None where the aperture is unknown or too wide to show any.

    Depths are shares of the light that is lost, whatever the transfer curve.
    """
    if f_number is None or f_number < WIDEST or min(picture.shape) < 400:
        return None
    plane, slope = _small(picture)
    if min(plane.shape) < 4 * _BORDER:
        return None
    found: list[tuple[NDArray[np.intp], NDArray[np.intp], Plane, Plane, float]] = []
    limit: Plane | None = None
    for scale in _SCALES:
        depth, unrest = _response(plane, slope, scale)
        here = unrest * np.float32(_SURE)
        limit = here if limit is None else np.minimum(limit, here)
        peak = depth >= cv2.dilate(depth, np.ones((5, 5), np.uint8))
        peak &= (depth > here) & (depth < _DEEPEST)
        peak[:_BORDER] = peak[-_BORDER:] = False
        peak[:, :_BORDER] = peak[:, -_BORDER:] = False
        y, x = np.nonzero(peak)
        found.append((y, x, depth[y, x], depth[y, x] / unrest[y, x], scale))
    assert limit is not None
    return Dust(_spots(found, plane.shape), _limits(limit))


def _small(picture: Picture) -> tuple[Plane, Plane | float]:
    """Reduced plane, and the factor from a relative difference of its values to one of light."""
    factor = max(1, round(max(picture.shape) / _LONG_PX))
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
    if factor % 2 == 0:
        # The first halving in whole code values costs a rounding that noise evens out.
        code, factor = area_means(code, 2), factor // 2
    plane = area_means(code.astype(np.float32), factor) / np.float32(picture.peak)
    plane = np.maximum(plane, np.float32(1 / 255))
    if picture.transfer == "srgb":
        # d ln L / d ln C of IEC 61966-2-1 above its straight part.
        return plane, np.float32(2.4) * plane / (plane + np.float32(0.055))
    return plane, 1.0 if picture.transfer == "linear" else float(picture.transfer)


def _response(plane: Plane, slope: Plane | float, scale: float) -> tuple[Plane, Plane]:
    """Depth of a shadow of the filter's size at every place, and the unrest of depth around it."""
    near = cv2.GaussianBlur(plane, (0, 0), scale)
    around = cv2.GaussianBlur(plane, (0, 0), 2 * scale)
    depth = (1 - near / around) * slope / np.float32(_PEAK)
    side = 2 * round(8 * scale) + 1
    # Of a normal distribution the standard deviation is 1.2533 mean absolute deviations.
    unrest = cv2.blur(np.abs(depth), (side, side)) * np.float32(1.2533)
    return depth.astype(np.float32), np.maximum(unrest, np.float32(2e-4))


def _spots(found: list[Any], shape: tuple[int, ...]) -> tuple[DustSpot, ...]:
    """The surest candidates, one for each place whatever the filter."""
    rows = [
        (float(sure), int(x), int(y), float(depth), scale)
        for ys, xs, depths, sures, scale in found
        for y, x, depth, sure in zip(ys, xs, depths, sures, strict=True)
    ]
    rows.sort(reverse=True)
    kept: list[tuple[float, int, int, float, float]] = []
    for row in rows:
        if all(np.hypot(row[1] - k[1], row[2] - k[2]) > 2 * max(row[4], k[4]) for k in kept):
            kept.append(row)
        if len(kept) == _MOST:
            break
    height, width = shape[:2]
    return tuple(
        DustSpot((x + 0.5) / width, (y + 0.5) / height, 3 * scale / max(width, height), depth)
        for _, x, y, depth, scale in kept
    )


def _limits(limit: Plane) -> tuple[float, ...]:
    """Depth from which a shadow is found, by cell of `DUST_GRID`, row by row."""
    return tuple(
        float(v) for v in cv2.resize(limit, DUST_GRID, interpolation=cv2.INTER_AREA).ravel()
    )
