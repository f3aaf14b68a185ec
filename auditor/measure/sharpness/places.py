"""Where to look: places with one clear direction of change, found on a reduced picture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor.measure.sharpness.light import Light

__all__ = ["EdgeMap", "Places", "edge_map", "radius_of", "zone_of"]

_REDUCED_PIXELS: Final = 8e5
_FAINT: Final = 0.05


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
class EdgeMap:
    """How edge-like each place of the reduced picture is.

    Attributes:
        score: (rows, columns), 0 where no patch fits.
        small: the reduced picture itself, 0..1.
        factor: full-size pixels per pixel of `score`.
        shape: (height, width) of the frame.
    """

    score: NDArray[np.float32]
    small: NDArray[np.float32]
    factor: int
    shape: tuple[int, int]

    def places(
        self, cell_px: int, per_zone: tuple[int, int, int], avoid: Places | None = None
    ) -> Places:
        """The best place of every cell, at most `per_zone` of each zone; none in cells of `avoid`."""
        cell = max(2, round(cell_px / self.factor))
        rows, columns = self.score.shape[0] // cell, self.score.shape[1] // cell
        if rows == 0 or columns == 0:
            empty = np.zeros(0, int)
            return Places(empty, empty)
        blocks = self.score[: rows * cell, : columns * cell].reshape(rows, cell, columns, cell)
        flat = blocks.transpose(0, 2, 1, 3).reshape(rows * columns, cell * cell)
        best = flat.argmax(1)
        value = flat[np.arange(len(flat)), best]
        if avoid is not None and len(avoid.y):
            used_y = np.minimum(avoid.y // (self.factor * cell), rows - 1)
            used_x = np.minimum(avoid.x // (self.factor * cell), columns - 1)
            value[used_y * columns + used_x] = 0
        # Where a frame is plain, the best place of a cell is nothing but noise.
        value[value < _FAINT * np.quantile(value, 0.98)] = 0
        sy = np.repeat(np.arange(rows), columns) * cell + best // cell
        sx = np.tile(np.arange(columns), rows) * cell + best % cell
        y = (sy * self.factor + self.factor // 2).astype(int)
        x = (sx * self.factor + self.factor // 2).astype(int)
        zone = zone_of(radius_of(y.astype(float), x.astype(float), self.shape))
        chosen = []
        for index, limit in enumerate(per_zone):
            here = np.flatnonzero((zone == index) & (value > 0))
            chosen.append(here[np.argsort(-value[here], kind="stable")][:limit])
        keep = np.concatenate(chosen)
        return Places(y[keep], x[keep])


@dataclass(frozen=True)
class Places:
    """Places (n,) in full-size pixels, best first within each zone."""

    y: NDArray[np.int_]
    x: NDArray[np.int_]


def edge_map(light: Light) -> EdgeMap:
    """Score every place by its gradient times the square of the structure tensor's coherence.

    (Foerstner & Guelch, 1987): strong and of one direction. Gradients on the reduced picture tell
    little of blur at the pixel, so choosing by them does not choose the sharper edges.
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
    score = coherence2 * np.sqrt(np.maximum(cv2.blur(xx + yy, (3, 3)), 0))
    margin = max(1, int(np.ceil(16 / factor)))
    score[:margin], score[-margin:], score[:, :margin], score[:, -margin:] = 0, 0, 0, 0
    return EdgeMap(np.asarray(score, np.float32), small, factor, light.shape)
