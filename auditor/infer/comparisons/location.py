"""A robust mean of a few values: Student's t likelihood, for pairs of which some went astray."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t

__all__ = ["Location", "robust_location"]

Floats = NDArray[np.float64]

_FREEDOM: Final = 3.0


@dataclass(frozen=True, slots=True)
class Location:
    """`value` with its standard error; `count` values behind it."""

    value: float
    stderr: float
    count: int

    def bounds(self, share: float) -> tuple[float, float]:
        """Interval by Student's t with count - 1 degrees of freedom."""
        if self.count < 2:
            return float("-inf"), float("inf")
        half = float(t.ppf(0.5 + share / 2, self.count - 1)) * self.stderr
        return self.value - half, self.value + half


def robust_location(values: Floats, least_sd: float) -> Location:
    """Maximum-likelihood location of Student's t with 3 degrees of freedom (Lange, Little & Taylor,
    J. Am. Stat. Assoc. 84, 1989), scale and location together.

    Args:
        values: NaN is passed over.
        least_sd: scatter that even agreeing values have.
    """
    x = values[np.isfinite(values)]
    n = len(x)
    if n == 0:
        return Location(float("nan"), float("nan"), 0)
    middle = float(np.median(x))
    scale2 = max(float(np.median((x - middle) ** 2)) * 2.2, least_sd**2)
    for _ in range(50):
        weight = (_FREEDOM + 1) / (_FREEDOM + (x - middle) ** 2 / scale2)
        middle = float(np.sum(weight * x) / np.sum(weight))
        # The mean takes a degree of freedom.
        scale2 = max(float(np.sum(weight * (x - middle) ** 2) / max(n - 1, 1)), least_sd**2)
    # Inverse Fisher information of the location of a t distribution: (v + 3) / (v + 1) s^2 / n.
    stderr = float(np.sqrt((_FREEDOM + 3) / (_FREEDOM + 1) * scale2 / n))
    return Location(middle, stderr, n)
