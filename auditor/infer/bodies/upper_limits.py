"""Upper limits of noise as Gaussian observations, by expectation propagation (Minka, UAI 2001)."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.infer.bodies.cell_means import inverse_mills

__all__ = ["with_limits"]

Floats = NDArray[np.float64]


_LIMIT_SD: Final = 0.1
"""How sharply a bound holds, in log noise: as frames and tones scatter."""
_ROUNDS: Final = 16
"""Rounds in which bounds settle: each halves what is left, to 1e-5."""
_LEAST_PRECISION: Final = 1e-6
"""Precision of an observation that says nothing: the least there is."""


def with_limits(
    prior: Floats, residual: Floats, noise: Floats, bound: Floats
) -> tuple[Floats, Floats]:
    """Cells and limits as one set of observations with Gaussian errors.

    A limit says that log noise lies below `bound`. What that adds to what all others say is a normal
    distribution truncated there; it is replaced, in turn for every limit, by the Gaussian observation (site)
    that leaves the same mean and variance (expectation propagation: Minka, UAI 2001).

    Parameters
    ----------
    prior : ndarray of float64, shape (n, n)
        Prior covariance of log noise at cells and limits, cells first.
    residual : ndarray of float64, shape (c,)
        Cells' log noise less the law's.
    noise : ndarray of float64, shape (c, c)
        Covariance of their errors.
    bound : ndarray of float64, shape (n - c,)
        Limits less the law's log noise.

    Returns
    -------
    target : ndarray of float64, shape (n,)
        Observations, cells first.
    full : ndarray of float64, shape (n, n)
        Covariance of their errors.
    """
    known, count = len(residual), len(bound)
    full = np.zeros((known + count, known + count))
    full[:known, :known] = noise
    target = np.concatenate([residual, np.zeros(count)])
    site_precision, site_shift = np.full(count, _LEAST_PRECISION), np.zeros(count)
    diagonal = np.arange(known, known + count)
    for _ in range(_ROUNDS if count else 0):
        full[diagonal, diagonal] = 1 / site_precision
        target[known:] = site_shift / site_precision
        gain = np.linalg.solve(prior + full, prior).T
        mean = (gain @ target)[known:]
        variance = np.maximum(np.diag(prior - gain @ prior)[known:], 1e-8)
        # Without what the limit itself said before.
        cavity_precision = np.maximum(1 / variance - site_precision, _LEAST_PRECISION)
        cavity_mean, cavity_variance = (
            (mean / variance - site_shift) / cavity_precision,
            1 / cavity_precision,
        )
        width = np.sqrt(cavity_variance + _LIMIT_SD**2)
        z = (bound - cavity_mean) / width
        mills = inverse_mills(z)
        cut_mean = cavity_mean - cavity_variance * mills / width
        cut_variance = cavity_variance * (1 - cavity_variance / width**2 * mills * (z + mills))
        new_precision = np.maximum(
            1 / np.maximum(cut_variance, 1e-8) - cavity_precision, _LEAST_PRECISION
        )
        # Half steps: limits that say the same must not all answer at once.
        site_precision = 0.5 * site_precision + 0.5 * new_precision
        site_shift = 0.5 * site_shift + 0.5 * (
            cut_mean * (cavity_precision + new_precision) - cavity_mean * cavity_precision
        )
    full[diagonal, diagonal] = 1 / site_precision
    target[known:] = site_shift / site_precision
    return target, full
