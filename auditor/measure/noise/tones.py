"""Noise by signal level, in linear light."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["at_level", "robust_mean"]

_CLIP: Final = 2.5


def robust_mean(variances: NDArray[np.float64]) -> float:
    """Mean of block variances, those above two and a half medians counted at that limit."""
    if not len(variances):
        return float("nan")
    limit = _CLIP * float(np.median(variances))
    return float(np.minimum(variances, limit).mean()) if limit > 0 else float(variances.mean())


def at_level(level: float, signal: NDArray[np.float64], variance: NDArray[np.float64]) -> float:
    """Variance at `level` from blocks near it: var = a x + b fitted locally (Foi et al. 2008).

    `signal` and `variance` (n,) are in linear light. Where the blocks do not hold enough range for a
    slope, a is taken as var / x, the photon law.
    """
    mean = robust_mean(variance)
    centre = float(signal.mean())
    limit = _CLIP * float(np.median(variance)) if np.median(variance) > 0 else np.inf
    clipped = np.minimum(variance, limit)
    spread = float(((signal - centre) ** 2).sum())
    slope = mean / max(centre, 1e-6)
    if spread > 0:
        fitted = float(((signal - centre) * (clipped - clipped.mean())).sum()) / spread
        residual = clipped - clipped.mean() - fitted * (signal - centre)
        error = float(np.sqrt((residual**2).sum() / max(len(signal) - 2, 1) / spread))
        # A slope known worse than the photon law's own size tells nothing.
        weight = slope**2 / (slope**2 + error**2)
        slope = weight * fitted + (1 - weight) * slope
    value = mean + slope * (level - centre)
    return float(np.clip(value, 0.5 * mean, 2 * mean))
