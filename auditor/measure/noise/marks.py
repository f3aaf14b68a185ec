"""Pattern noise and hot pixels, so that they do not pass for grain."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor.measure.noise.blocks import BLOCK

__all__ = ["count_hot_pixels", "has_banding"]

_HOT_SIGMA: Final = 8.0
_HOT_CODE: Final = 20.0


def _line_coherence(
    profiles: NDArray[np.float32], line: NDArray[np.intp], place: NDArray[np.intp]
) -> tuple[float, int]:
    """Mean product of line profiles (n, BLOCK) between two far groups on the same block line."""
    products, pairs = 0.0, 0
    order = np.lexsort((place, line))
    line, profiles = line[order], profiles[order]
    starts = np.flatnonzero(np.r_[True, line[1:] != line[:-1]])
    for start, stop in zip(starts, np.r_[starts[1:], len(line)], strict=True):
        count = stop - start
        if count < 4:
            continue
        # Outer thirds: groups far enough apart not to share a piece of the scene.
        third = max(count // 3, 1)
        left = profiles[start : start + third].mean(0)
        right = profiles[stop - third : stop].mean(0)
        products += float((left * right).mean())
        pairs += 1
    return (products / pairs if pairs else 0.0), pairs


def has_banding(values: NDArray[np.float32], indices: NDArray[np.intp], columns: int) -> bool:
    """Whether rows or columns carry an offset of their own that far parts of the frame share."""
    lines = np.linspace(-1, 1, BLOCK, dtype=np.float32)
    curve = np.stack([np.ones(BLOCK), lines, lines**2]).astype(np.float32)
    basis, _ = np.linalg.qr(curve.T)
    sigma2 = float(np.median(values.var((1, 2))))
    y, x = np.divmod(indices, columns)
    for profiles, line, place in ((values.mean(2), y, x), (values.mean(1), x, y)):
        residual = profiles - (profiles @ basis) @ basis.T
        common = residual.mean(0)  # compression's own 8-pixel rhythm is the same on every line
        shared, pairs = _line_coherence(residual - common, line, place)
        if pairs >= 8 and shared > 0.04 * sigma2 and shared > 0.02:
            return True
    return False


def count_hot_pixels(values: NDArray[np.float32], variance: float, frame_pixels: int) -> int:
    """Isolated bright points in the flat blocks, scaled up to the whole frame."""
    n = len(values)
    sheet = values.swapaxes(0, 1).reshape(BLOCK, n * BLOCK)  # side by side: wide rows are quick
    median = cv2.medianBlur(np.clip(sheet, 0, 255).astype(np.uint8), 5)
    limit = max(_HOT_CODE, _HOT_SIGMA * float(np.sqrt(variance)))
    above = (sheet - median).reshape(BLOCK, n, BLOCK)[3:-3, :, 3:-3] > limit
    seen = int(above.any((0, 2)).sum())
    return round(seen * frame_pixels / (n * (BLOCK - 6) ** 2))
