"""Read noise where no light falls: the masked strips beside the visible area.

EMVA 1288 measures read noise in darkness. Many sensors keep rows and columns under a mask, and some
raw files hold them. Strips that were blanked, clipped at nothing, lit, or filled with something else
are not used.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.noise.cfa_patches import FAULTY
from auditor.measure.picture import Mosaic

__all__ = ["masked_variance"]

_FEWEST: Final = 2_000
"""Pixels of a strip from which on it is used; and half as many differences."""

_OUTLIER: Final = 5.0
"""Root mean squares of the differences beyond which one is an outlier."""
_ROUNDS: Final = 4
"""Rounds of leaving out outliers, each by the scatter of those kept in the one before."""
_OFF_BLACK: Final = 2.0
"""Standard deviations of a pixel by which a strip's mean may lie off the stated black level; a DN more
is free."""
_MOST_DIFFERENCE: Final = 0.15
"""How far the variances of a strip's two halves, or of two strips, may differ, as a share."""


def _difference_variance(strip: NDArray[np.float64]) -> tuple[float, int]:
    """Variance of pixels from differences to the next of their colour, and their count.

    Differences leave out what whole areas share; single hot pixels are left out as outliers.
    """
    difference = np.concatenate(
        [(strip[2:] - strip[:-2]).ravel(), (strip[:, 2:] - strip[:, :-2]).ravel()]
    )
    square = difference**2
    kept = square
    for _ in range(_ROUNDS):
        kept = square[square <= _OUTLIER**2 * max(float(kept.mean()), 1e-12)]
        if not len(kept):
            return 0.0, 0
    return float(kept.mean()) / 2, len(kept) // 2


def _usable(strip: NDArray[Any], mosaic: Mosaic) -> tuple[float, int] | None:
    """Variance and count of one strip, or None where it shows no darkness."""
    if strip.ndim != 2 or strip.size < _FEWEST:
        return None
    values = strip.astype(np.float64)
    variance, count = _difference_variance(values)
    # Where nothing varies the strip was blanked.
    if variance == 0 or count < _FEWEST // 2:
        return None
    offset = abs(float(np.median(values)) - float(mosaic.black.mean()))
    # Where more than single dead pixels lie at nothing, noise is cut off there.
    if offset > 1 + _OFF_BLACK * np.sqrt(variance) or (values <= 0).mean() > FAULTY:
        return None
    long = 0 if strip.shape[0] >= strip.shape[1] else 1
    halves = [_difference_variance(half)[0] for half in np.array_split(values, 2, axis=long)]
    if abs(halves[0] - halves[1]) > _MOST_DIFFERENCE * variance:
        return None
    return variance, count


def masked_variance(mosaic: Mosaic) -> tuple[float, float] | None:
    """Variance of masked pixels, which no light reaches.

    Half the mean square of differences between neighbours of one colour, outliers left out; strips that
    were blanked, clipped or lit are not used.

    Parameters
    ----------
    mosaic : Mosaic
        Raw data with its masked strips.

    Returns
    -------
    tuple of float or None
        Variance in DN squared, rounding included, and its standard error. None without masked strips, or
        where they do not agree.
    """
    found = [use for strip in mosaic.masked if (use := _usable(strip, mosaic)) is not None]
    if not found:
        return None
    variances = np.array([variance for variance, _ in found])
    counts = np.array([count for _, count in found], float)
    mean = float((variances * counts).sum() / counts.sum())
    if np.abs(variances - mean).max() > _MOST_DIFFERENCE * mean:
        return None
    # Differences that share a pixel: three halves of what independent ones would scatter.
    return mean, float(mean * np.sqrt(3 / counts.sum()))
