"""Robust statistics: scales, weights and means that a few values gone astray don't move; shares.

Huber & Ronchetti, Robust Statistics (2nd ed. 2009), chapters 4 to 7; the tuning constants are the
usual ones, also those of statsmodels' norms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri, stdtrit

__all__ = [
    "BISQUARE_CUT",
    "HUBER_CUT",
    "MAD_TO_SD",
    "SHEPPARD",
    "Location",
    "bisquare_slope",
    "bisquare_weight",
    "group_medians",
    "half_width",
    "huber_weight",
    "low_middle_high",
    "robust_location",
    "scale_of",
    "share_interval",
]

Floats = NDArray[np.float64]

MAD_TO_SD: Final = 1.4826
"""Standard deviation of normal values over their median absolute deviation, 1 / Phi^-1(3/4)."""
SHEPPARD: Final = 12
"""Square of a step over the variance of what is spread evenly over it, which rounding to steps adds
(Sheppard's correction)."""
HUBER_CUT: Final = 1.345
"""Residual in standard deviations from which Huber's weights fall: 95% of the mean's efficiency."""
BISQUARE_CUT: Final = 4.685
"""Residual in standard deviations from which Tukey's bisquare gives no weight: the same efficiency."""


def scale_of(residuals: Floats) -> float:
    """Standard deviation of residuals about zero, by their median absolute size; NaN without any."""
    return MAD_TO_SD * float(np.median(np.abs(residuals))) if len(residuals) else float("nan")


def group_medians(values: Floats, group: NDArray[np.intp]) -> Floats:
    """Median of each group's values that are not NaN, NaN where it has none; `group` (n,) counts from 0
    without a gap."""
    order = np.lexsort((values, group))  # NaN comes last
    count = np.bincount(group)
    first = np.cumsum(count) - count
    known = np.bincount(group, ~np.isnan(values)).astype(np.int64)
    upper = values[order[first + known // 2]]
    return np.asarray((values[order[first + np.maximum(known - 1, 0) // 2]] + upper) / 2)


def huber_weight(residuals: Floats, scale: float) -> Floats:
    """Weights of least squares, 1 up to `HUBER_CUT` scales and falling as one over the residual beyond."""
    return np.asarray(1 / np.maximum(np.abs(residuals) / (HUBER_CUT * scale), 1.0))


def bisquare_weight(residuals: Floats, scale: float, cut: float = BISQUARE_CUT) -> Floats:
    """Weights of least squares, (1 - (r / c)^2)^2, none beyond c = `cut` scales."""
    return _inside(residuals, scale, cut) ** 2


def bisquare_slope(residuals: Floats, scale: float) -> Floats:
    """Derivative of the bisquare's influence r w(r): (1 - z^2)(1 - 5 z^2) with z = r / c, 0 beyond."""
    inside = _inside(residuals, scale, BISQUARE_CUT)
    return inside * (inside - 4 * (1 - inside))


def _inside(residuals: Floats, scale: float, cut: float) -> Floats:
    """1 - (r / c)^2, 0 beyond c."""
    return np.asarray(1 - np.minimum((residuals / (cut * scale)) ** 2, 1.0))


def half_width(share: float) -> float:
    """Standard errors from the middle to either end of the interval that holds this share (normal
    distribution)."""
    return float(ndtri(0.5 + share / 2))


def low_middle_high(draws: ArrayLike, share: float, axis: int = 0) -> Floats:
    """Low end of the interval of equally likely values that holds this share, their median, and its high
    end, (3, ...)."""
    tail = (1 - share) / 2
    return np.asarray(np.quantile(np.asarray(draws), [tail, 0.5, 1 - tail], axis=axis))


def share_interval(hits: float, of: float, share: float) -> tuple[float, float]:
    """Ends of the interval of `hits` / `of` that holds this share (Wilson, J. Am. Stat. Assoc. 22, 1927)."""
    z = half_width(share)
    p = hits / of
    centre = (p + z * z / (2 * of)) / (1 + z * z / of)
    half = z / (1 + z * z / of) * math.sqrt(p * (1 - p) / of + z * z / (4 * of * of))
    return max(centre - half, 0.0), min(centre + half, 1.0)


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
