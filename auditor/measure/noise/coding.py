"""What rounding added to the noise: code values to whole numbers, coding's coefficients to whole steps.

JPEG (ISO/IEC 10918-1) writes each 8 x 8 block's cosine coefficients as whole multiples of a step, which
stands in the file. Rounding to a step adds step^2 / 12 to noise that is wider than the step, and wipes out
noise that is much narrower. Fine coding does the first alone, and what it added can be taken off again,
frequency by frequency, for Gaussian noise. Coarse coding takes about as much as it adds: there noise is
left as it stands in the file.
"""

from __future__ import annotations

from functools import lru_cache
from math import erfc
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.cosine import EIGHT
from auditor.robust import SHEPPARD

__all__ = ["FINE_STEP", "added_variance", "input_rounding", "lowest_step"]

FINE_STEP: Final = 2.0
"""Lowest step up to which coding counts as fine; the example tables of ISO/IEC 10918-1 have it from
quality 93 on, as cameras write at their best setting."""

_PIXEL: Final = 1 / SHEPPARD
"""Variance of rounding to whole code values."""

_THREE_CHANNELS: Final = 1.447
"""How many times that luma has which is made of three rounded channels and rounded itself: 0.299^2 +
0.587^2 + 0.114^2 + 1, with the weights of ITU-R BT.601."""

_TAIL: Final = 5
"""Standard deviations at which normal noise ends: less than a millionth lies beyond."""

_NARROWEST: Final = 0.35
"""Noise over step below which rounding leaves nothing to tell."""

_OUTWARD: Final = 1 / 16
"""The usual encoder's transform hands over eighths and rounds halves away from zero, which moves every
coefficient outwards by half an eighth. Seen with libjpeg-turbo 3.1: flat fields of white noise."""

_NOTHING_BEYOND: Final = 6.5
"""Standard deviations over the root of two beyond which a Gaussian holds less than 1e-19."""

_RATIO: Final = np.geomspace(0.12, 40.0, 160)
"""Noise over step for which a table says what rounding leaves: from nothing to all of it."""


def lowest_step(steps: NDArray[np.float64]) -> float:
    """Widest quantisation step of the three lowest frequencies, in which noise shows longest.

    Parameters
    ----------
    steps : (8, 8) ndarray of float64
        Luma quantisation table, by frequency down and across.

    Returns
    -------
    float
        Step in code values.
    """
    return float(max(steps[0, 1], steps[1, 0], steps[1, 1]))


def input_rounding(colour: bool) -> float:
    """Variance of rounding in luma made of whole code values: its own, and that of three channels.

    Parameters
    ----------
    colour : bool
        Whether luma is made of three rounded channels.

    Returns
    -------
    float
        Variance in code values squared.
    """
    return _PIXEL * (_THREE_CHANNELS if colour else 1.0)


@lru_cache(maxsize=1024)
def _rounded_variance(step: float) -> NDArray[np.float64]:
    """Variance, in steps squared, of Gaussian noise of `_RATIO` steps after rounding to whole steps."""
    levels = int(_TAIL * _RATIO[-1]) + 1
    edge = np.arange(1, levels + 1) - 0.5 - _OUTWARD / step
    # sum of k^2 P(k) = sum over edges of (2k - 1) P(beyond edge k), both signs
    z = edge / (np.sqrt(2) * _RATIO[:, None])
    # A library of special functions would take longer to load than these once for a step.
    tail = np.zeros(z.shape)
    finite = z < _NOTHING_BEYOND
    tail[finite] = [erfc(x) for x in z[finite].tolist()]
    return np.asarray((tail * (2 * np.arange(1, levels + 1) - 1)).sum(1))


def added_variance(blocks: NDArray[np.float32], steps: NDArray[np.float64]) -> float:
    """Variance that quantisation of cosine coefficients added to noise.

    For each coefficient the variance of Gaussian noise before rounding is found that gives the observed one
    after it; the difference is what coding added.

    Parameters
    ----------
    blocks : (n, 16, 16) ndarray of float32
        Luma of places without texture, on the coding's grid.
    steps : (8, 8) ndarray of float64
        Luma quantisation table.

    Returns
    -------
    float
        Variance of a pixel, code values squared; negative where coding took more than it added.
    """
    n, side = len(blocks), EIGHT.side
    cells = blocks.reshape(n, 2, side, 2, side).swapaxes(2, 3).reshape(-1, side, side)
    power = (EIGHT.without_plane(cells) ** 2).mean(0).astype(np.float64)
    unrounded = np.maximum(power - _PIXEL, 0.0)
    ratio = _ratio_of(unrounded / steps**2, steps)
    added = np.where(ratio >= _NARROWEST, power - (ratio * steps) ** 2, _PIXEL)
    return float(added.mean())


def _ratio_of(variance: NDArray[np.float64], steps: NDArray[np.float64]) -> NDArray[np.float64]:
    """Noise over step, (8, 8), whose variance after rounding is this, in steps squared."""
    pairs = zip(variance.ravel().tolist(), steps.ravel().tolist(), strict=True)
    ratios = [np.interp(value, _rounded_variance(step), _RATIO) for value, step in pairs]
    return np.reshape(ratios, variance.shape)
