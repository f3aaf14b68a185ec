"""A robust mean of a few values, for pairs of which some went astray."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from auditor.robust import bisquare_slope, bisquare_weight, scale_of

__all__ = ["Location", "robust_location"]

Floats = NDArray[np.float64]

_ROUNDS: Final = 50
"""Rounds of reweighting, enough to settle for any few values."""


@dataclass(frozen=True, slots=True)
class Location:
    """`value` with its standard error; `count` values behind it, `weight` of them in full."""

    value: float
    stderr: float
    count: int
    weight: float = 0.0

    def bounds(self, share: float) -> tuple[float, float]:
        """Interval by Student's t; the degrees of freedom are those of the values that count."""
        if self.count < 2:
            return float("-inf"), float("inf")
        half = float(stdtrit(max(self.weight - 1, 1.0), 0.5 + share / 2)) * self.stderr
        return self.value - half, self.value + half


def robust_location(values: Floats, least_sd: float) -> Location:
    """M-estimate with Tukey's bisquare and the median absolute deviation as scale (Huber & Ronchetti,
    Robust Statistics, ch. 4 and 6); its standard error from the influence of each value.

    Args:
        values: NaN is passed over.
        least_sd: scatter that even agreeing values have.
    """
    x = values[np.isfinite(values)]
    n = len(x)
    if n == 0:
        return Location(float("nan"), float("nan"), 0)
    middle = float(np.median(x))
    # The median absolute deviation of few values is too small; 1 + 2/n about makes up for it.
    scale = max((1 + 2 / n) * scale_of(x - middle), least_sd)
    for _ in range(_ROUNDS):
        weight = bisquare_weight(x - middle, scale)
        middle = float(np.sum(weight * x) / np.sum(weight))
    slope = float(np.sum(bisquare_slope(x - middle, scale)))
    pull = float(np.sum((weight * (x - middle)) ** 2)) * n / max(n - 1, 1)
    counted = float(np.sum(weight))
    # What agreeing values share still leaves the scatter that is known of beforehand.
    stderr = max(np.sqrt(pull) / max(slope, counted / 3), least_sd / np.sqrt(counted))
    return Location(middle, float(stderr), n, counted)
