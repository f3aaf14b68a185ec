"""Pattern noise and hot pixels, so that they do not pass for grain."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor.measure.noise.blocks import BLOCK, variances

__all__ = ["count_hot_pixels", "has_banding"]

_HOT_SIGMA: Final = 8.0
"""Standard deviations of a pixel by which a hot one exceeds the median of those around it."""
_HOT_CODE: Final = 20.0
"""Code values by which it exceeds that at least: less is not visible."""
_AROUND: Final = 5
"""Side in pixels of the square of those around it."""

_FEWEST_LINES: Final = 8
"""Lines of blocks from which on banding is told."""
_PROOF: Final = 4.0
"""Standard errors of the mean over lines: a scene's edges make a few lines large, a sensor all."""


def _shared_power(
    profiles: NDArray[np.float32], line: NDArray[np.intp], place: NDArray[np.intp]
) -> tuple[float, float]:
    """Products of line profiles (n, BLOCK) between two far groups on the same block line: their mean over
    the lines, and its standard error."""
    order = np.lexsort((place, line))
    line = line[order]
    starts = np.flatnonzero(np.r_[True, line[1:] != line[:-1]])
    stops = np.r_[starts[1:], len(line)]
    long = np.flatnonzero(stops - starts >= 4)
    start, stop = starts[long], stops[long]
    # Outer thirds: groups far enough apart not to share a piece of the scene.
    third = np.maximum((stop - start) // 3, 1)
    sums = np.vstack([np.zeros((1, BLOCK)), np.cumsum(profiles[order], 0, dtype=np.float64)])
    first = (sums[start + third] - sums[start]) / third[:, None]
    last = (sums[stop] - sums[stop - third]) / third[:, None]
    products = (first * last).mean(1)
    if len(products) < _FEWEST_LINES:
        return 0.0, 0.0
    return float(np.mean(products)), float(np.std(products) / len(products) ** 0.5)


def has_banding(values: NDArray[np.float32], indices: NDArray[np.intp], columns: int) -> bool:
    """Whether rows or columns carry an offset of their own that far parts of the frame share.

    Profiles of lines, polynomials taken off, are correlated between distant groups of blocks on one line; the
    mean product is the variance of the offsets. It counts where it is no chance.

    Parameters
    ----------
    values : (n, BLOCK, BLOCK) ndarray of float32
        Blocks.
    indices : (n,) ndarray of intp
        Their flat indices in the map.
    columns : int
        Blocks side by side in the map.

    Returns
    -------
    bool
        False as well where there are too few blocks.
    """
    if len(values) < _FEWEST_LINES:
        return False
    lines = np.linspace(-1, 1, BLOCK, dtype=np.float32)
    curve = np.stack([np.ones(BLOCK), lines, lines**2, lines**3]).astype(np.float32)
    basis, _ = np.linalg.qr(curve.T)
    y, x = np.divmod(indices, columns)
    # Products with a row of shares: five times as quick as means over so few values.
    share = np.full(BLOCK, 1 / BLOCK, np.float32)
    for profiles, line, place in ((values @ share, y, x), (share @ values, x, y)):
        residual = profiles - (profiles @ basis) @ basis.T
        common = residual.mean(0)  # compression's own 8-pixel rhythm is the same on every line
        shared, error = _shared_power(residual - common, line, place)
        if shared > _PROOF * error:
            return True
    return False


def count_hot_pixels(values: NDArray[np.float32], frame_pixels: int) -> int:
    """Number of hot pixels of a frame, from isolated bright points in its flat blocks.

    Parameters
    ----------
    values : (n, BLOCK, BLOCK) ndarray of float32
        Flat blocks, 0..255.
    frame_pixels : int
        Pixels of the whole frame, to which the count is scaled up.

    Returns
    -------
    int
        Hot pixels.
    """
    n = len(values)
    if not n:
        return 0
    sheet = values.swapaxes(0, 1).reshape(BLOCK, n * BLOCK)  # side by side: wide rows are quick
    median = cv2.medianBlur(np.clip(sheet, 0, 255).astype(np.uint8), _AROUND)
    limit = max(_HOT_CODE, _HOT_SIGMA * float(np.sqrt(np.median(variances(values)))))
    above = (sheet - median).reshape(BLOCK, n, BLOCK)[3:-3, :, 3:-3] > limit
    # Demosaicing spreads a hot pixel over its neighbours: a peak is counted once.
    inner = sheet.reshape(BLOCK, n, BLOCK)
    right = inner[3:-3, :, 3:-3] > inner[3:-3, :, 4:-2]
    below = inner[3:-3, :, 3:-3] > inner[4:-2, :, 3:-3]
    count = int((above & right & below).sum())
    return round(count * frame_pixels / above.size)
