"""Where to look: places with one clear direction of change, found on a reduced picture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor.measure.sharpness.light import Light

__all__ = ["Candidates", "find_candidates", "radius_of", "zone_of"]

_REDUCED_PIXELS: Final = 8e5
_CELL_PX: Final = 20


def radius_of(
    y: NDArray[np.float64], x: NDArray[np.float64], shape: tuple[int, int]
) -> NDArray[np.float64]:
    """Distance from the frame's centre as a share of the half-diagonal."""
    h, w = shape
    return np.asarray(np.hypot(y - (h - 1) / 2, x - (w - 1) / 2) / (np.hypot(h, w) / 2))


def zone_of(radius: NDArray[np.float64]) -> NDArray[np.int_]:
    """Index into `record.ZONES`: 0 under 0.35, 2 from 0.7, 1 between."""
    return np.digitize(radius, (0.35, 0.7))


@dataclass(frozen=True)
class Candidates:
    """Places (n,) in full-size pixels, best first within each zone."""

    y: NDArray[np.int_]
    x: NDArray[np.int_]
    zone: NDArray[np.int_]


def find_candidates(light: Light, per_zone: tuple[int, int, int]) -> Candidates:
    """The most edge-like places, one per cell of 20 px, at most `per_zone` of each zone.

    The score is the gradient's energy times the square of the structure tensor's coherence
    (Foerstner & Guelch, 1987): strong and of one direction. Gradients on the reduced picture tell little of
    blur at the pixel, so choosing by them does not choose the sharper edges.
    """
    h, w = light.shape
    factor = max(1, round(float(np.sqrt(h * w / _REDUCED_PIXELS))))
    if light.green is not None:
        factor = max(2, factor + factor % 2)
    small = light.reduced(factor)
    if factor == 1:
        small = np.asarray(cv2.GaussianBlur(small, (0, 0), 1.0), np.float32)
    gx = cv2.Scharr(small, cv2.CV_32F, 1, 0)
    gy = cv2.Scharr(small, cv2.CV_32F, 0, 1)
    k = max(3, round(12 / factor) | 1)
    xx, yy, xy = gx * gx, gy * gy, gx * gy
    jxx, jyy, jxy = (cv2.blur(a, (k, k)) for a in (xx, yy, xy))
    energy = jxx + jyy
    coherence2 = ((jxx - jyy) ** 2 + 4 * jxy * jxy) / np.maximum(energy * energy, 1e-20)
    peak = cv2.blur(xx + yy, (3, 3))
    score = coherence2 * np.sqrt(peak)
    margin = max(1, int(np.ceil(16 / factor)))
    score[:margin], score[-margin:], score[:, :margin], score[:, -margin:] = 0, 0, 0, 0
    cell = max(2, round(_CELL_PX / factor))
    rows, columns = score.shape[0] // cell, score.shape[1] // cell
    if rows == 0 or columns == 0:
        empty = np.zeros(0, int)
        return Candidates(empty, empty, empty)
    blocks = score[: rows * cell, : columns * cell].reshape(rows, cell, columns, cell)
    flat = blocks.transpose(0, 2, 1, 3).reshape(rows * columns, cell * cell)
    best = flat.argmax(1)
    value = flat[np.arange(len(flat)), best]
    sy = np.repeat(np.arange(rows), columns) * cell + best // cell
    sx = np.tile(np.arange(columns), rows) * cell + best % cell
    y = (sy * factor + factor // 2).astype(int)
    x = (sx * factor + factor // 2).astype(int)
    zone = zone_of(radius_of(y.astype(float), x.astype(float), (h, w)))
    chosen = []
    for index, limit in enumerate(per_zone):
        here = np.flatnonzero((zone == index) & (value > 0))
        chosen.append(here[np.argsort(-value[here], kind="stable")][:limit])
    keep = np.concatenate(chosen)
    return Candidates(y[keep], x[keep], zone[keep])
