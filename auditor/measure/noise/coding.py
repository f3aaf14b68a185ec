"""What block coding did to the noise, read back from the code values themselves.

JPEG (ISO/IEC 10918-1) writes each 8 x 8 block's cosine coefficients as whole multiples of a step. On
decoded luma the multiples still show, so the steps can be read from the comb they leave. Rounding to a
step adds step^2 / 12 to noise that is wider than the step and wipes out noise that is much narrower;
`before_rounding` inverts that, frequency by frequency, for Gaussian noise.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import erfc

from auditor.measure.cosine import EIGHT

__all__ = [
    "CELL",
    "CELL_CPP",
    "OUTWARD",
    "before_rounding",
    "cells",
    "input_rounding",
    "mean_step",
    "rounding_of_mean",
    "rounding_steps",
]

CELL: Final = 8

CELL_CPP: Final = EIGHT.frequency
"""(CELL, CELL) radial frequency of each coefficient, c/px."""

_STEPS: Final = np.arange(2, 65)
"""Steps looked for, code values."""

_PIXEL_ROUNDING: Final = 1 / 12
_FEWEST: Final = 40
_ENOUGH: Final = 300
_NARROWEST: Final = 0.35
_FEWEST_STEPS: Final = 5


def cells(blocks: NDArray[np.float32]) -> NDArray[np.float32]:
    """(4 n, CELL, CELL) quarters of blocks (n, 2 CELL, 2 CELL), on the coding grid."""
    n = len(blocks)
    return blocks.reshape(n, 2, CELL, 2, CELL).swapaxes(2, 3).reshape(-1, CELL, CELL)


def rounding_steps(values: NDArray[np.float32]) -> NDArray[np.float64]:
    """The step of each coefficient (CELL, CELL), from coefficients (n, CELL, CELL).

    NaN where (nearly) all are zero. Steps of one code value cannot be seen through the rounding of
    pixels; 1 stands for them when wider ones show, and 0 when none shows.
    """
    steps = np.zeros((CELL, CELL))
    for u in range(CELL):
        for v in range(CELL):
            if u == v == 0:
                continue
            size = np.abs(values[:, u, v])
            alive = size[size > 1.2]
            if len(alive) < _FEWEST:
                steps[u, v] = np.nan
                continue
            alive = alive[:_ENOUGH]
            # The smallest multiple that is not zero is the step itself.
            least = np.partition(alive, len(alive) // 20)[len(alive) // 20]
            tried = _STEPS[1.4 * float(least) > _STEPS]
            comb = np.cos((2 * np.pi / tried)[:, None].astype(np.float32) * alive).mean(1)
            # The pixels' own rounding blurs the comb; half of what is left is proof enough.
            expected = np.exp(-2 * np.pi**2 * 1.6 * _PIXEL_ROUNDING / tried**2)
            proven = np.flatnonzero(comb > np.maximum(0.6 * expected, 3 / np.sqrt(len(alive))))
            if len(proven):
                steps[u, v] = tried[proven[-1]]
    if (steps > 1).sum() >= _FEWEST_STEPS:
        steps[steps == 0] = 1
        steps[0, 0] = 0
    return steps


_WIDER: Final = 2.5
"""Widest step of means that is looked for, as a multiple of the steps next to it: 1.5 in the example
tables of ISO/IEC 10918-1."""

_FEWEST_LEVELS: Final = 6


def mean_step(values: NDArray[np.float32], steps: NDArray[np.float64]) -> float:
    """Step of the cells' means, as cosine coefficients, from cells (n, CELL, CELL) of luma.

    0 where none shows: it is finer than two, nothing else was rounded, or the means are too few to
    show a comb.
    """
    if not np.nan_to_num(steps, nan=1.0).any():
        return 0.0
    known = [float(s) for s in (steps[0, 1], steps[1, 0]) if np.isfinite(s)]
    tried = _STEPS[_WIDER * max(known, default=_STEPS[-1] / _WIDER) >= _STEPS]
    means = CELL * (values[:_ENOUGH].mean((1, 2)) - 128)
    if not len(tried) or len(means) < _FEWEST:
        return 0.0
    comb = np.cos((2 * np.pi / tried)[:, None].astype(np.float32) * means).mean(1)
    expected = np.exp(-2 * np.pi**2 * 1.6 * _PIXEL_ROUNDING / tried**2)
    for step in tried[comb > np.maximum(0.6 * expected, 3 / np.sqrt(len(means)))][::-1]:
        # Means of a frame without contrast lie on the combs of all steps that divide them.
        if len(np.unique(np.rint(means / step))) >= _FEWEST_LEVELS:
            return float(step)
    return 0.0


_TERMS: Final = np.arange(1, 257)


def rounding_of_mean(power: float, step: float) -> float:
    """What rounding to whole `step`s adds to Gaussian noise of variance `power`, whatever is rounded.

    Mean over all levels between two steps of the variance around each level's own mean, less `power`:
    step^2 / 12 for noise that is wide, nothing where there is none. The rounding error of a level is a
    saw tooth, whose harmonics the noise smooths (Widrow and Kollar, Quantization Noise, 2008, ch. 4).
    """
    if step <= 0 or power <= 0:
        return 0.0
    smoothed = np.exp(-((2 * np.pi * _TERMS) ** 2) * power / step**2)
    return float(step**2 / (2 * np.pi**2) * ((1 - smoothed) / _TERMS**2).sum())


_RATIO: Final = np.geomspace(0.12, 40.0, 160)
OUTWARD: Final = 1 / 16
"""The usual encoder's transform hands over eighths and rounds halves away from zero, which moves every
coefficient outwards by half an eighth. Seen with libjpeg-turbo 3.1: flat fields of white noise."""


def input_rounding(colour: bool) -> float:
    """Variance of rounding in luma made of whole code values: its own, and that of three channels.

    BT.601 weights: (0.299^2 + 0.587^2 + 0.114^2 + 1) / 12 in colour.
    """
    return _PIXEL_ROUNDING * (1.447 if colour else 1.0)


@lru_cache(maxsize=64)
def _rounded_variance(step: float) -> NDArray[np.float64]:
    """Variance, in steps squared, of Gaussian noise of `_RATIO` steps after rounding to whole steps."""
    reach = int(5 * _RATIO[-1]) + 1
    edge = np.arange(1, reach + 1) - 0.5 - OUTWARD / step
    # sum of k^2 P(k) = sum over edges of (2k - 1) P(beyond edge k), both signs
    beyond = erfc(edge / (np.sqrt(2) * _RATIO[:, None]))
    return np.asarray((beyond * (2 * np.arange(1, reach + 1) - 1)).sum(1))


def before_rounding(power: NDArray[np.float64], steps: NDArray[np.float64]) -> NDArray[np.float64]:
    """Noise power (CELL, CELL) as it was before coding; NaN where coding left nothing to tell.

    `power` is the mean squared coefficient after decoding, `steps` comes from `rounding_steps`. Decoding
    rounds once: where chroma is even, as in flats, red, green and blue differ from the decoded luma by
    whole numbers, and luma computed from them is the same again.
    """
    if not np.nan_to_num(steps, nan=1.0).any():
        return power.copy()
    out = np.full(power.shape, np.nan)
    left = np.maximum(power - _PIXEL_ROUNDING, 0.0)
    for step in np.unique(steps[np.isfinite(steps) & (steps > 0)]):
        here = steps == step
        ratio = np.interp(left[here] / step**2, _rounded_variance(float(step)), _RATIO)
        out[here] = np.where(ratio < _NARROWEST, np.nan, (ratio * step) ** 2)
    return out
