"""Robust statistics: scales, weights and means that a few values gone astray don't move; shares.

Huber & Ronchetti, Robust Statistics (2nd ed. 2009), chapters 4 to 7; the tuning constants are the
usual ones, also those of statsmodels' norms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "BISQUARE_CUT",
    "HUBER_CUT",
    "MAD_TO_SD",
    "SHEPPARD",
    "Location",
    "bisquare_regression",
    "bisquare_weight",
    "group_medians",
    "half_width",
    "huber_weight",
    "low_middle_high",
    "robust_location",
    "scale_of",
    "share_interval",
    "t_quantile",
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
    """Standard deviation of residuals about zero, from their median absolute value.

    Parameters
    ----------
    residuals : (n,) ndarray of float64
        Residuals, without NaN.

    Returns
    -------
    float
        1.4826 times the median of the absolute values, which estimates the standard deviation of normal
        residuals; NaN where there are none.
    """
    return MAD_TO_SD * float(np.median(np.abs(residuals))) if len(residuals) else float("nan")


def group_medians(values: Floats, group: NDArray[np.intp]) -> Floats:
    """Median of each group's values.

    Parameters
    ----------
    values : (n,) ndarray of float64
        Values; NaN is passed over.
    group : (n,) ndarray of intp
        Group of each value, counted from 0 without a gap.

    Returns
    -------
    (groups,) ndarray of float64
        Medians; NaN where a group has no value.
    """
    order = np.lexsort((values, group))  # NaN comes last
    count = np.bincount(group)
    first = np.cumsum(count) - count
    known = np.bincount(group, ~np.isnan(values)).astype(np.int64)
    upper = values[order[first + known // 2]]
    return np.asarray((values[order[first + np.maximum(known - 1, 0) // 2]] + upper) / 2)


def huber_weight(residuals: Floats, scale: float) -> Floats:
    """Weights of Huber's M-estimator for iteratively reweighted least squares.

    Parameters
    ----------
    residuals : ndarray of float64
        Residuals.
    scale : float
        Their standard deviation, in the same unit.

    Returns
    -------
    ndarray of float64
        1 up to `HUBER_CUT` scales, beyond it falling as one over the residual.
    """
    return np.asarray(1 / np.maximum(np.abs(residuals) / (HUBER_CUT * scale), 1.0))


def bisquare_weight(residuals: Floats, scale: float, cut: float = BISQUARE_CUT) -> Floats:
    """Weights of Tukey's bisquare for iteratively reweighted least squares.

    Parameters
    ----------
    residuals : ndarray of float64
        Residuals.
    scale : float
        Their standard deviation, in the same unit.
    cut : float
        Tuning constant c in scales.

    Returns
    -------
    ndarray of float64
        (1 - (r / c)^2)^2, and 0 beyond c.
    """
    return _inside(residuals, scale, cut) ** 2


def bisquare_regression(
    values: Floats, design: Floats, cut: float | None = None, quantile: float = 0.5
) -> tuple[Floats, Floats]:
    """Linear regression by iterated weights of Tukey's bisquare.

    Parameters
    ----------
    values : (n,) ndarray of float64
        What is explained.
    design : (n, k) ndarray of float64
        Columns that explain it.
    cut : float, optional
        Residual from which there is no weight, in the unit of the values; by default `BISQUARE_CUT` standard
        deviations by the median absolute deviation.
    quantile : float
        Quantile of the values from which it starts.

    Returns
    -------
    coefficients, weights : (k,) and (n,) ndarray of float64
        After `_REGRESSION_ROUNDS` rounds.
    """
    residual: Floats = values - np.quantile(values, quantile)
    beta: Floats = np.zeros(design.shape[1])
    ridge = 1e-6 * np.eye(design.shape[1])
    weight: Floats = np.ones(len(values))
    for _ in range(_REGRESSION_ROUNDS):
        width = cut or max(BISQUARE_CUT * scale_of(residual), 1e-6)
        weight = bisquare_weight(residual, width, cut=1.0)
        weighted = design * (weight + 1e-6)[:, None]
        # Normal equations: a handful of columns, many rows.
        beta = np.asarray(np.linalg.solve(weighted.T @ design + ridge, weighted.T @ values), float)
        residual = np.asarray(values - design @ beta, float)
    return beta, weight


def _inside(residuals: Floats, scale: float, cut: float) -> Floats:
    """1 - (r / c)^2, 0 beyond c."""
    return np.asarray(1 - np.minimum((residuals / (cut * scale)) ** 2, 1.0))


def half_width(share: float) -> float:
    """Half of the interval that holds a share of a normal distribution, in standard deviations.

    Parameters
    ----------
    share : float
        Probability inside the interval, 0 to 1.

    Returns
    -------
    float
        Normal quantile at (1 + share) / 2; 1.645 for 0.9.
    """
    return NormalDist().inv_cdf(0.5 + share / 2)


def t_quantile(dof: float, share: float) -> float:
    """Half of the interval that holds a share of Student's t distribution, in standard errors.

    Of a difference between two means the degrees of freedom add up where their scatters are about equal
    (Welch, Biometrika 34, 1947).

    Parameters
    ----------
    dof : float
        Degrees of freedom.
    share : float
        Probability inside the interval, 0 to 1.

    Returns
    -------
    float
        Quantile at (1 + share) / 2.
    """
    # Decoders don't need it, and start a sixth of a second sooner without.
    from scipy.special import stdtrit

    return float(stdtrit(dof, 0.5 + share / 2))


def low_middle_high(draws: ArrayLike, share: float, axis: int = 0) -> Floats:
    """Equal-tailed interval and median of draws.

    Parameters
    ----------
    draws : array_like
        Draws of a distribution along `axis`.
    share : float
        Probability inside the interval, 0 to 1.
    axis : int
        Axis of the draws.

    Returns
    -------
    (3, ...) ndarray of float64
        Low end, median and high end.
    """
    tail = (1 - share) / 2
    return np.asarray(np.quantile(np.asarray(draws), [tail, 0.5, 1 - tail], axis=axis))


def share_interval(hits: float, of: float, share: float) -> tuple[float, float]:
    """Wilson's score interval of a binomial proportion.

    Parameters
    ----------
    hits, of : float
        Successes and trials, at least one trial; not whole where frames count as fewer independent ones.
    share : float
        Confidence of the interval, 0 to 1.

    Returns
    -------
    low, high : float
        Ends of the interval, within 0 and 1.

    References
    ----------
    Wilson, Probable inference, the law of succession, and statistical inference, J. Am. Stat. Assoc. 22, 1927.
    """
    z = half_width(share)
    p = hits / of
    centre = (p + z * z / (2 * of)) / (1 + z * z / of)
    half = z / (1 + z * z / of) * math.sqrt(p * (1 - p) / of + z * z / (4 * of * of))
    return max(centre - half, 0.0), min(centre + half, 1.0)


_REGRESSION_ROUNDS: Final = 12
"""Rounds of weights of a regression."""
_ROUNDS: Final = 50
"""Rounds of reweighting, enough to settle for any few values."""


@dataclass(frozen=True, slots=True)
class Location:
    """Robust estimate of a location with its standard error.

    Attributes
    ----------
    value, stderr : float
        The estimate and its standard error, in the unit of the values; NaN where there are none.
    count : int
        Values behind it.
    weight : float
        Sum of their final weights: an effective count, as outliers weigh less than 1.
    """

    value: float
    stderr: float
    count: int
    weight: float = 0.0

    def bounds(self, share: float) -> tuple[float, float]:
        """Confidence interval by Student's t, with the effective count less one as degrees of freedom.

        Parameters
        ----------
        share : float
            Confidence of the interval, 0 to 1.

        Returns
        -------
        low, high : float
            Ends of the interval; infinite for fewer than two values.
        """
        if self.count < 2:
            return float("-inf"), float("inf")
        half = t_quantile(max(self.weight - 1, 1.0), share) * self.stderr
        return self.value - half, self.value + half


def robust_location(values: Floats, least_sd: float) -> Location:
    """M-estimate of location with Tukey's bisquare and the median absolute deviation as scale.

    The standard error comes from the influence of each value.

    Parameters
    ----------
    values : (n,) ndarray of float64
        Values; those that are not finite are passed over.
    least_sd : float
        Standard deviation that even agreeing values have: a floor under the scale and the standard error.

    Returns
    -------
    Location
        The estimate; NaN with a count of 0 where no value is finite.

    References
    ----------
    Huber & Ronchetti, Robust Statistics (2nd ed. 2009), chapters 4 and 6.
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
    # The slope of the influence r w(r) is (1 - z^2)(1 - 5 z^2) with z = r / c, and 0 beyond c.
    inside = _inside(x - middle, scale, BISQUARE_CUT)
    slope = float(np.sum(inside * (inside - 4 * (1 - inside))))
    influence = float(np.sum((weight * (x - middle)) ** 2)) * n / max(n - 1, 1)
    weight_sum = float(np.sum(weight))
    # What agreeing values share still leaves the scatter that is known of beforehand.
    stderr = max(np.sqrt(influence) / max(slope, weight_sum / 3), least_sd / np.sqrt(weight_sum))
    return Location(middle, float(stderr), n, weight_sum)
