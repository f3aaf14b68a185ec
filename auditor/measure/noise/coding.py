"""What block coding did to the noise, read back from the code values themselves.

JPEG (ISO/IEC 10918-1) writes each 8 x 8 block's cosine coefficients as whole multiples of a step. On
decoded luma the multiples still show, so the steps can be read from the comb they leave. Rounding to a
step adds step^2 / 12 to noise that is wider than the step and wipes out noise that is much narrower;
`before_rounding` inverts that, frequency by frequency, for Gaussian noise.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

__all__ = ["CELL", "CELL_CPP", "before_rounding", "cells", "coefficients", "rounding_steps"]

CELL: Final = 8

_N: Final = np.arange(CELL)
_COSINES: Final = (
    np.cos(np.pi * (2 * _N[None] + 1) * _N[:, None] / (2 * CELL)) * np.sqrt(2 / CELL)
).astype(np.float32)
_COSINES[0] /= np.float32(np.sqrt(2))

CELL_CPP: Final = np.hypot(_N[:, None] / (2 * CELL), _N[None] / (2 * CELL))
"""(CELL, CELL) radial frequency of each coefficient, c/px."""

_STEPS: Final = np.arange(2, 65)
_PIXEL_ROUNDING: Final = 1 / 12
_FEWEST: Final = 40
_NARROWEST: Final = 0.35


def cells(blocks: NDArray[np.float32]) -> NDArray[np.float32]:
    """(4 n, CELL, CELL) quarters of blocks (n, 2 CELL, 2 CELL), on the coding grid."""
    n = len(blocks)
    return blocks.reshape(n, 2, CELL, 2, CELL).swapaxes(2, 3).reshape(-1, CELL, CELL)


def coefficients(squares: NDArray[np.float32]) -> NDArray[np.float32]:
    """Orthonormal cosine coefficients (n, CELL, CELL) of cells, the mean (0, 0) left out as 0."""
    out = _COSINES @ squares @ _COSINES.T
    out[:, 0, 0] = 0
    return out


def rounding_steps(values: NDArray[np.float32]) -> NDArray[np.float64]:
    """The step of each coefficient (CELL, CELL), from coefficients (n, CELL, CELL).

    0 where no step shows (none, or one code value or less), NaN where (nearly) all are zero.
    """
    steps = np.zeros((CELL, CELL))
    for u in range(CELL):
        for v in range(CELL):
            if u == v == 0:
                continue
            column = values[:, u, v]
            alive = column[np.abs(column) > 1.2]
            if len(alive) < _FEWEST:
                steps[u, v] = np.nan
                continue
            alive = alive[:2000]
            comb = np.cos(2 * np.pi * alive[None] / _STEPS[:, None]).mean(1)
            # The pixels' own rounding blurs the comb; half of what is left is proof enough.
            expected = np.exp(-2 * np.pi**2 * 1.6 * _PIXEL_ROUNDING / _STEPS**2)
            # The smallest multiple that is not zero is the step itself.
            least = 1.4 * float(np.quantile(np.abs(alive), 0.05))
            enough = comb > np.maximum(0.6 * expected, 3 / np.sqrt(len(alive)))
            proven = np.flatnonzero(enough & (least > _STEPS))
            if len(proven):
                steps[u, v] = _STEPS[proven[-1]]
    return steps


_RATIO: Final = np.geomspace(0.12, 3.0, 80)


def _rounded_variance(ratio: NDArray[np.float64]) -> NDArray[np.float64]:
    """Variance, in steps squared, of Gaussian noise of `ratio` steps after rounding to whole steps."""
    k = np.arange(1, 25)
    inside = norm.cdf((k + 0.5) / ratio[:, None]) - norm.cdf((k - 0.5) / ratio[:, None])
    return np.asarray(2 * (inside * k**2).sum(1))


_ROUNDED: Final = _rounded_variance(_RATIO)


def before_rounding(power: NDArray[np.float64], steps: NDArray[np.float64]) -> NDArray[np.float64]:
    """Noise power (CELL, CELL) as it was before coding; NaN where coding left nothing to tell.

    `power` is the mean squared coefficient after decoding, `steps` comes from `rounding_steps`.
    """
    left = np.maximum(power - _PIXEL_ROUNDING, 0.0)
    out = left.copy()
    known = np.isfinite(steps) & (steps > 1)
    share = left[known] / steps[known] ** 2
    wide = share - 1 / 12
    ratio = np.interp(share, _ROUNDED, _RATIO)
    narrow = ratio**2
    out[known] = steps[known] ** 2 * np.where(ratio > 1.0, wide, narrow)
    out[known] = np.where(ratio < _NARROWEST, np.nan, out[known])
    out[~np.isfinite(steps)] = np.nan
    return out
