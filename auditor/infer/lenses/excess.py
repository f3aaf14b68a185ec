"""By how much a frame's zone is softer than its lens: a one-sided excess in 1 / MTF50^2 (px^2).

Blurs add by their squares, so whatever was softer than the lens (objects, depth, missed focus, shake)
adds to the lens's own 1 / MTF50^2 and never takes away. How much it adds, and how often next to
nothing, is learned from each archive: the excess is zero with some probability, else of one of a few exponential
laws, whose means are the same at every aperture (objects, shake) or fall as 1 / N^2 (depth: the blur disc
of what lies before or behind the plane of focus shrinks as the aperture closes). This is a stochastic
frontier (Aigner, Lovell & Schmidt, J. Econometrics 6, 1977) some of whose units may lie on the frontier
itself (Kumbhakar, Parmeter & Tsionas, J. Econometrics 172, 2013).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["COMPONENTS", "STARTS", "Excess", "shares_of"]

Floats = NDArray[np.float64]

_FIXED_PX2: Final = (5.0, 50.0)
"""Means of laws that hold at every aperture. Four of them, 3 to 300, do no better on drawn lenses."""
_DEPTH_PX2: Final = (0.5, 2.0, 8.0, 40.0)
"""Means at f/8 of laws that fall as 1 / N^2. With two of them too many intervals of plain steps hold."""
_F_NUMBER: Final = 8.0
"""The f-number to which `_DEPTH_PX2` refers."""
_QUANTILES: Final = (np.arange(8) + 0.5) / 8
"""Each law is represented by eight quantiles of equal probability."""
_POINTS: Final = -np.log1p(-_QUANTILES)
"""These quantiles of an exponential law of mean one."""
COMPONENTS: Final = 1 + len(_FIXED_PX2) + len(_DEPTH_PX2)
"""No excess, and the laws."""
STARTS: Final = np.append(0, 1 + len(_POINTS) * np.arange(COMPONENTS - 1))
"""Where each of them begins among the points."""
_SHARE_WEIGHT: Final = np.array([6.0, 1, 1, 8, 4, 1, 1])
"""Pseudo counts of the prior of each component of excess: what scatters no more than inliers do is taken
for one, or for depth that wide apertures would show, until figures say otherwise."""


@dataclass(frozen=True, slots=True)
class Excess:
    """Points of quadrature of the excess distribution at K apertures.

    The excess in 1 / MTF50^2 is a mixture: none, exponential laws of fixed mean, and such whose mean falls as
    1 / N^2. Each law is represented by eight quantiles of equal probability.

    Attributes
    ----------
    nodes : ndarray of float64, shape (..., K, M)
        Points in px^2; the first is no excess, each other one a quantile of its law.
    means : ndarray of float64, shape (..., K, COMPONENTS)
        Means of the laws in px^2, 0 for the first.

    References
    ----------
    D. Aigner, C. A. K. Lovell and P. Schmidt, J. Econometrics 6 (1977), stochastic frontier.
    S. C. Kumbhakar, C. F. Parmeter and E. G. Tsionas, J. Econometrics 172 (2013), zero inefficiency.
    """

    nodes: Floats
    means: Floats

    @classmethod
    def at(cls, f_numbers: Floats) -> Excess:
        """The points at these apertures (..., K)."""
        depth = (_F_NUMBER / f_numbers[..., None]) ** 2 * _DEPTH_PX2
        zero = np.zeros((*f_numbers.shape, 1))
        means = np.concatenate([zero, zero + _FIXED_PX2, depth], axis=-1)
        points = (means[..., 1:, None] * _POINTS).reshape(*f_numbers.shape, -1)
        return cls(np.concatenate([zero, points], axis=-1), means)

    @staticmethod
    def weights(shares: Floats) -> Floats:
        """Probability of each point.

        Parameters
        ----------
        shares : ndarray of float64, shape (..., COMPONENTS)
            Mixture weights of the components.

        Returns
        -------
        ndarray of float64, shape (..., M)
            Each component's weight, spread evenly over its points.
        """
        spread = np.repeat(shares[..., 1:] / len(_POINTS), len(_POINTS), axis=-1)
        return np.concatenate([shares[..., :1], spread], axis=-1)

    def least_excess(self, shares: Floats) -> Floats:
        """How far the frames nearest to the lens typically lie from it.

        Parameters
        ----------
        shares : ndarray of float64, shape (COMPONENTS,)
            Mixture weights of the components.

        Returns
        -------
        ndarray of float64, shape (K,)
            In px^2: the harmonic mean of the components' means, times the share of frames that are not the lens's
            own.
        """
        density = (shares[1:] / self.means[:, 1:]).sum(-1)
        return np.asarray((1 - shares[0]) ** 2 / np.maximum(density, 1e-12))


def shares_of(sums: Floats) -> Floats:
    """Mixture weights from responsibilities, with their prior as pseudo counts.

    One set for the whole lens: with shares of their own, zones and apertures of few frames take what is soft for sharp.

    Parameters
    ----------
    sums : ndarray of float64, shape (..., COMPONENTS)
        Sum of the figures' responsibilities by component.

    Returns
    -------
    ndarray of float64, shape (..., COMPONENTS)
        They sum to 1.
    """
    counts = sums + _SHARE_WEIGHT
    return np.asarray(counts / counts.sum(-1, keepdims=True))
