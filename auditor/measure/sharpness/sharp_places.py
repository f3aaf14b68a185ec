"""Where to look for what is sharpest: steps as steep as pixels allow, however faint.

The places of `places` are strong on a reduced picture: outlines, rather than the small things that alone are
in focus. Here a place counts by its slope over its height, which blur lowers and contrast does not: first on
half the resolution, by the range of values in a small square over that in a larger one about it, then, where
that is high, by the steepest straight slope of the pixels themselves.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor.measure.sharpness.edge_detection import Places
from auditor.measure.sharpness.grid import block_starts, centred_means
from auditor.measure.sharpness.light import Light, fill_green

__all__ = ["sharp_places"]

Singles = NDArray[np.float32]

_MOST: Final = 120
"""Places handed on: 160 told photographs seen sharp from blurred ones little better, and cost a third more."""
_FIRST: Final = 320
"""Cells looked at in full resolution; of 480 the same."""
_CELL_PX: Final = 20
"""Side of a cell, of which one place is taken: the edges of two neighbours are not one."""
_RIM_PX: Final = 8
"""Pixels looked at beside a cell: the squares below reach so far."""
_SMALL: Final = np.ones((3, 3), np.uint8)
"""Square on half the resolution within which a step of MTF50 0.3 c/px nearly lies."""
_LARGE: Final = np.ones((7, 7), np.uint8)
"""Square on half the resolution within which any step lies that is not hopelessly blurred."""
_AROUND: Final = np.ones((11, 11), np.uint8)
"""Square at full resolution over which a step's height is told."""
_BOX: Final = (9, 9)
"""The same over which its straightness is."""
_SCHARR: Final = 1 / 32
"""What turns the sums of Scharr's filter into slopes: the sum of its weights, two pixels apart."""
_LEAST_CODE: Final = 16.0
"""Height of a step (8-bit code values) below which coding and noise make steps of their own."""
_OVER_NOISE: Final = 6.0
"""A step is at least so many times as high as noise slopes in a pixel, in the median."""
_SOFT_CODE: Final = 10.0
"""Added to heights (8-bit code values), so that of two as steep the higher one comes first."""
_MARGIN_PX: Final = 32
"""Edges are not measured nearer to the frame's border."""
_CODES: Final = np.float32(255)
"""White of 8 bits."""
_NOISE_PATCHES: Final = (24, 32)
"""Rows and columns of the patches on which noise is measured."""
_NOISE_PX: Final = 9
"""Side of each of these patches."""


def sharp_places(light: Light) -> Places:
    """The places of a frame whose steps are steepest for their height, best first."""
    half = _half(light)
    cell = _CELL_PX // 2
    top, left = (block_starts(n, cell) for n in half.shape)
    if len(top) == 0 or len(left) == 0:
        return _no_places()
    # Each pixel becomes the largest of the cell that begins there.
    largest = cv2.dilate(_steepness(half), np.ones((cell, cell), np.uint8), anchor=(0, 0))
    value = largest[np.ix_(top, left)].ravel()
    rows, columns = light.blocks(2)
    y, x = (a.ravel() for a in np.meshgrid(rows[top], columns[left], indexing="ij"))
    h, w = light.shape
    inside = (y >= _MARGIN_PX) & (x >= _MARGIN_PX)
    inside &= (y + _CELL_PX <= h - _MARGIN_PX) & (x + _CELL_PX <= w - _MARGIN_PX)
    value = np.where(inside, value, 0).astype(int)
    first = np.argsort(-value, kind="stable")[:_FIRST]
    first = first[value[first] > 0]
    return _steepest(light, y[first], x[first]) if len(first) else _no_places()


def _no_places() -> Places:
    return Places(np.zeros(0, int), np.zeros(0, int))


def _half(light: Light) -> NDArray[np.uint8]:
    """The frame at half its resolution, 0..255."""
    if light.green is None and light.plane.dtype == np.uint8:
        return np.asarray(centred_means(light.plane, 2), np.uint8)
    return np.rint(np.clip(light.reduced(2), 0, 1) * _CODES).astype(np.uint8)


def _steepness(half: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Range of values in a small square over that in a large one (255: all of it), 0 where that is little."""
    near = cv2.subtract(cv2.dilate(half, _SMALL), cv2.erode(half, _SMALL))
    wide = cv2.subtract(cv2.dilate(half, _LARGE), cv2.erode(half, _LARGE))
    noise = float(np.median(near[::4, ::4])) / 2
    softer = np.full_like(wide, min(round(_SOFT_CODE + 4 * noise), 255))
    ratio = cv2.divide(near, cv2.add(wide, softer), scale=255.0)
    return np.multiply(ratio, wide >= max(_LEAST_CODE, _OVER_NOISE * noise), dtype=np.uint8)


def _steepest(light: Light, y: NDArray[np.int_], x: NDArray[np.int_]) -> Places:
    """Of the cells that begin at (y, x), those with the steepest straight slopes over their heights."""
    size = _CELL_PX + 2 * _RIM_PX
    tall = _codes(light, y - _RIM_PX, x - _RIM_PX, size).reshape(-1, size)  # one above the other
    gx = cv2.Scharr(tall, cv2.CV_32F, 1, 0, scale=_SCHARR)
    gy = cv2.Scharr(tall, cv2.CV_32F, 0, 1, scale=_SCHARR)
    xx, yy, xy = (cv2.blur(a * b, _BOX) for a, b in ((gx, gx), (gy, gy), (gx, gy)))
    straight = ((xx - yy) ** 2 + 4 * xy * xy) / np.maximum((xx + yy) ** 2, 1e-6)
    smooth = cv2.blur(tall, (3, 3))
    height = cv2.subtract(cv2.dilate(smooth, _AROUND), cv2.erode(smooth, _AROUND))
    noise = _noise(light)
    score = cv2.magnitude(gx, gy) / (height + np.float32(_SOFT_CODE + 4 * noise)) * straight
    score[height < max(_LEAST_CODE, _OVER_NOISE * noise)] = 0
    inner = slice(_RIM_PX, _RIM_PX + _CELL_PX)
    cells = score.reshape(-1, size, size)[:, inner, inner].reshape(len(y), -1)
    best = cells.argmax(1)
    value = cells[np.arange(len(y)), best]
    order = np.argsort(-value, kind="stable")[:_MOST]
    order = order[value[order] > 0]
    return Places((y + best // _CELL_PX)[order], (x + best % _CELL_PX)[order])


def _codes(light: Light, y: NDArray[np.int_], x: NDArray[np.int_], size: int) -> Singles:
    """Patches as square roots of light, 0..255: near to code values, with noise alike in dark and bright."""
    patch, _, valid = light.patches(y, x, size)
    return np.sqrt(np.clip(fill_green(patch, valid), 0, 1)).astype(np.float32) * _CODES


def _noise(light: Light) -> float:
    """Median slope (8-bit code values a pixel) of places spread over the frame: of its plain parts."""
    down, along = (
        np.linspace(0, n - _NOISE_PX, count).astype(int)
        for n, count in zip(light.shape, _NOISE_PATCHES, strict=True)
    )
    y, x = (a.ravel() for a in np.meshgrid(down, along, indexing="ij"))
    code = _codes(light, y, x, _NOISE_PX)
    across = (code[:, 1:-1, 2:] - code[:, 1:-1, :-2]) / 2
    upright = (code[:, 2:, 1:-1] - code[:, :-2, 1:-1]) / 2
    return float(np.median(np.hypot(across, upright)))
