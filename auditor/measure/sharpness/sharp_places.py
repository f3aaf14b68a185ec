"""Candidate places for what is sharpest: steps as steep as pixels allow, however faint.

The places of `places` are strong on a reduced picture: outlines, rather than the small things that alone are
in focus. Here a place counts by its slope over its height, which blur lowers and contrast does not: first on
half the resolution, by the range of values in a small square over that in a larger one about it, then, where
that is high, by the steepest straight slope of the pixels themselves.
"""

from __future__ import annotations

from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor.measure.reduce import block_starts, centred_maxima
from auditor.measure.sharpness.edge_detection import SCHARR, Places
from auditor.measure.sharpness.light import CODES, Light

__all__ = ["CELL_PX", "sharp_places"]

Singles = NDArray[np.float32]

_MOST_PLACES: Final = 160
"""Places handed on: with 80 and 120 sharp and blurred photographs were told apart a little less well."""
_FIRST: Final = 240
"""Cells looked at in full resolution; of 320 and 480 the same. Without this second choice faint things are missed."""
CELL_PX: Final = 20
"""Side of a cell, of which one place is taken: the edges of two neighbours are not one."""
_RIM_PX: Final = 6
"""Pixels looked at beside a cell: the squares below reach so far, a smoothing and a slope included."""
_SMALL: Final = np.ones((3, 3), np.uint8)
"""Square on half the resolution within which a step of MTF50 0.3 c/px nearly lies."""
_LARGE: Final = np.ones((7, 7), np.uint8)
"""The same within which any step lies that is not blurred beyond use."""
_AROUND: Final = np.ones((11, 11), np.uint8)
"""Square at full resolution over which a step's height is measured."""
_BOX: Final = (9, 9)
"""The same over which its straightness is."""
_LEAST_CODE: Final = 16.0
"""Height of a step (8-bit code values) below which coding and noise make steps of their own."""
_OVER_NOISE: Final = 6.0
"""A step is at least so many times as high as noise slopes in a pixel, in the median."""
_SOFT_CODE: Final = 10.0
"""Added to heights (8-bit code values), so that of two as steep the higher one comes first."""
_MARGIN_PX: Final = 32
"""Edges are not measured nearer to the frame's border."""
_NOISE_PATCHES: Final = (24, 32)
"""Rows and columns of the patches on which noise is measured."""
_NOISE_PX: Final = 9
"""Side of each of these patches."""
_BAND: Final = 128
"""Rows of half the resolution worked on at a time ..."""
_TOGETHER: Final = 160
"""... and cells: what lies between stays in the processor's cache."""
_OVERLAP: Final = len(_LARGE) // 2
"""Rows beside a band that its squares reach into."""


def sharp_places(light: Light) -> Places:
    """Places of a frame whose steps are steepest for their height.

    Slope over height is lowered by blur and not by contrast: it finds small faint things in focus, which a
    gradient map misses.

    Parameters
    ----------
    light : Light
        The frame.

    Returns
    -------
    Places
        At most `_MOST_PLACES`, best first.
    """
    half = light.halved()
    cell = CELL_PX // 2
    top, left = (block_starts(n, cell) for n in half.shape)
    if len(top) == 0 or len(left) == 0:
        return _no_places()
    value = centred_maxima(_steepness(half), cell).ravel()
    rows, columns = light.blocks(2)
    y, x = (a.ravel() for a in np.meshgrid(rows[top], columns[left], indexing="ij"))
    h, w = light.shape
    inside = (y >= _MARGIN_PX) & (x >= _MARGIN_PX)
    inside &= (y + CELL_PX <= h - _MARGIN_PX) & (x + CELL_PX <= w - _MARGIN_PX)
    value = np.where(inside, value, 0)
    # Bytes are sorted by counting them; a partition takes up to fifty times as long where many are equal.
    least = np.sort(value, kind="stable")[-_FIRST] if len(value) > _FIRST else 0
    first = np.flatnonzero(value >= max(least, 1))
    first = first[np.argsort(-value[first].astype(int), kind="stable")][:_FIRST]
    return _steepest(light, y[first], x[first]) if len(first) else _no_places()


def _no_places() -> Places:
    return Places(np.zeros(0, int), np.zeros(0, int))


def _steepness(half: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Range of values in a small square over that in a large one (255: all of it), 0 where that is little."""
    small_range = _range(half, _SMALL)
    noise = _median_code(small_range[::4, ::4]) / 2
    least = int(np.ceil(max(_LEAST_CODE, _OVER_NOISE * noise)))
    # What little heights are divided by is 0, and so is then the ratio.
    over = np.minimum(np.arange(256) + round(_SOFT_CODE + 4 * noise), 255).astype(np.uint8)
    over[:least] = 0
    for first in range(0, len(half), _BAND):
        above = max(first - _OVERLAP, 0)
        large_range = _range(half[above : first + _BAND + _OVERLAP], _LARGE)[first - above :][
            :_BAND
        ]
        part = small_range[first : first + _BAND]
        cv2.divide(part, cv2.LUT(large_range, over), scale=255.0, dst=part)
    return small_range


def _range(plane: NDArray[Any], square: NDArray[np.uint8]) -> NDArray[Any]:
    """Largest less smallest value in a square about every pixel."""
    return cv2.morphologyEx(plane, cv2.MORPH_GRADIENT, square)


def _median_code(codes: NDArray[Any]) -> float:
    """Median of code values."""
    counts = cv2.calcHist([np.ascontiguousarray(codes)], [0], None, [256], [0, 256])
    below = counts.ravel().cumsum(dtype=float)
    middle = ((codes.size - 1) // 2, codes.size // 2)
    return float(np.mean(np.searchsorted(below, middle, "right")))


def _steepest(light: Light, y: NDArray[np.int_], x: NDArray[np.int_]) -> Places:
    """Of the cells that begin at (y, x), those with the steepest straight slopes over their heights."""
    noise, side = _noise(light), CELL_PX + 2 * _RIM_PX
    y, x = y - _RIM_PX, x - _RIM_PX
    parts = [
        _scores(CODES * light.sqrt_patches(y[i : i + _TOGETHER], x[i : i + _TOGETHER], side), noise)
        for i in range(0, len(y), _TOGETHER)
    ]
    best, value = (np.concatenate(p) for p in zip(*parts, strict=True))
    order = np.argsort(-value, kind="stable")[:_MOST_PLACES]
    order = order[value[order] > 0]
    y, x = y + _RIM_PX + best // CELL_PX, x + _RIM_PX + best % CELL_PX
    return Places(y[order], x[order])


def _scores(codes: Singles, noise: float) -> tuple[NDArray[np.intp], Singles]:
    """The best pixel of each of some cells with their rims, (n, side, side), and its slope over height."""
    n, side, _ = codes.shape
    # One beside the other: filters are quick on long rows.
    beside = np.ascontiguousarray(codes.transpose(1, 0, 2)).reshape(side, n * side)
    gx = cv2.Scharr(beside, cv2.CV_32F, 1, 0, scale=SCHARR)
    gy = cv2.Scharr(beside, cv2.CV_32F, 0, 1, scale=SCHARR)
    inner = slice(_RIM_PX, _RIM_PX + CELL_PX)
    xx, yy, xy = (
        cv2.blur(cv2.multiply(a, b), _BOX)[inner] for a, b in ((gx, gx), (gy, gy), (gx, gy))
    )
    straight = ((xx - yy) ** 2 + 4 * xy * xy) / np.maximum((xx + yy) ** 2, 1e-6)
    height = _range(cv2.blur(beside, (3, 3)), _AROUND)[inner]
    slope = cv2.magnitude(gx[inner], gy[inner])
    score = slope / (height + np.float32(_SOFT_CODE + 4 * noise)) * straight
    score[height < max(_LEAST_CODE, _OVER_NOISE * noise)] = 0
    cells = score.reshape(CELL_PX, n, side)[:, :, inner].transpose(1, 0, 2).reshape(n, -1)
    best = cells.argmax(1)
    return best, cells[np.arange(n), best]


def _noise(light: Light) -> float:
    """Median slope (8-bit code values a pixel) of places spread over the frame: of its plain parts."""
    down, along = (
        np.linspace(0, n - _NOISE_PX, count).astype(int)
        for n, count in zip(light.shape, _NOISE_PATCHES, strict=True)
    )
    y, x = (a.ravel() for a in np.meshgrid(down, along, indexing="ij"))
    code = CODES * light.sqrt_patches(y, x, _NOISE_PX)
    across = (code[:, 1:-1, 2:] - code[:, 1:-1, :-2]) / 2
    down = (code[:, 2:, 1:-1] - code[:, :-2, 1:-1]) / 2
    return float(np.sqrt(np.median(across * across + down * down)))
