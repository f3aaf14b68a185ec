"""Noise against texture: what a frame's noise cannot be; and pattern noise, so that it does not pass for grain.

Blocks that are flat in a smoothed copy may still hold a fine texture. Three things give it away. Noise
varies alike in all blocks of one brightness, textures are strong here and weak there. Noise as cameras
leave it is nearly as strong at 0.2 cycles per pixel as at 0.1, while what optics has drawn falls. And
one frame goes through one sensor and one development: at neighbouring brightnesses its noise has like
strength, in code values, and a like spectrum. Whatever differs is the scene.

The bounds are read off real pairs of one exposure and the mean of hundreds.
"""

from __future__ import annotations

from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor.measure.noise.flats import Flats, variances
from auditor.measure.noise.spectrum import BLOCK
from auditor.units import BYTE_BITS

__all__ = [
    "count_hot_pixels",
    "has_banding",
    "is_posterised",
    "shows_noise",
]

MOST_UNEVEN: Final = 1.35
"""Spread of the blocks' variances over that of noise with their spectrum. Noise of real camera files
reaches 1.3, textures 1.0 to 80."""

_SIGMAS: Final = (1.0, 4.0)
"""Deviations of noise, code values, to which the next belong."""
_LEAST_FINE: Final = (0.12, 0.42)
"""Power at 0.18-0.25 c/px over that at 0.08-0.125 c/px that noise has at least, by its deviation in code
values: what noise reduction has smoothed it has made fainter too, and coding takes the fine part of
faint noise."""

_HIGHEST: Final = 30.0
"""Code values that no camera's noise exceeds: a full well of 30 electrons at a signal of 0.1 gives them."""
_HIGHEST_SMOOTHED: Final = 12.0
"""Code values that only noise exceeds which nothing has smoothed; the loudest of a set of real frames up
to ISO 12800 reads 3.7."""
_WHITE: Final = 0.8
"""Power at 0.18-0.25 c/px over that at 0.08-0.125 c/px from which on noise is level over frequency, so that
nothing has smoothed it."""

_USED: Final = 2e-5
"""Share of a frame's pixels from which on a code value counts as used: hot pixels and stars are fewer."""
_LEAST_USED: Final = 0.4
"""Share of the code values between the lowest and the highest of which fewer are used in a posterised frame."""


def shows_noise(flats: Flats, coded: bool) -> bool:
    """Whether one brightness, judged by itself, holds noise rather than texture.

    Parameters
    ----------
    flats : Flats
        Its flattest blocks.
    coded : bool
        Whole code values, so that faint noise has lost its fine part.

    Returns
    -------
    bool
        False for texture.
    """
    min_fine = _LEAST_FINE[-1]
    if coded:
        min_fine = float(np.interp(flats.sigma, _SIGMAS, _LEAST_FINE))
    highest = _HIGHEST if flats.fine_ratio >= _WHITE else _HIGHEST_SMOOTHED
    even = flats.unevenness <= MOST_UNEVEN
    return even and flats.sigma <= highest and flats.fine_ratio >= min_fine


def is_posterised(luma: NDArray[Any], peak: float) -> bool:
    """Whether the frame uses so few code values that noise is drowned in the steps between them.

    Parameters
    ----------
    luma : (H, W) ndarray
        Code values.
    peak : float
        Code value of white.

    Returns
    -------
    bool
        True for a posterised frame.
    """
    sample = luma[:: max(1, min(luma.size // 300_000, luma.shape[0] // 64))]  # whole rows are quick
    if sample.dtype.kind == "u":
        codes: NDArray[Any] = (sample >> (BYTE_BITS * (sample.dtype.itemsize - 1))).ravel()
    else:
        codes = np.clip(sample / peak * 255, 0, 255).astype(np.uint8).ravel()
    count = cv2.calcHist([codes], [0], None, [256], [0, 256]).ravel()
    # A black margin about a foggy scene, lamps in a night: what is clipped tells of no steps.
    count[[0, -1]] = 0
    used = np.flatnonzero(count > max(1, _USED * codes.size))
    if len(used) < 3:
        return True
    span = int(used[-1] - used[0]) + 1
    return len(used) / span < _LEAST_USED


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
