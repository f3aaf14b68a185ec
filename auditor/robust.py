"""Robust statistics: scales and weights that a few values gone astray don't move.

Huber & Ronchetti, Robust Statistics (2nd ed. 2009), chapters 4 to 7; the tuning constants are the
usual ones, also those of statsmodels' norms.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "BISQUARE_CUT",
    "HUBER_CUT",
    "MAD_TO_SD",
    "SHEPPARD",
    "bisquare_slope",
    "bisquare_weight",
    "huber_weight",
    "scale_of",
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
