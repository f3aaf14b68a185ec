"""By how much a frame's zone is softer than its lens: a one-sided excess in 1 / MTF50^2 (px^2).

Blurs add by their squares, so whatever was softer than the lens (objects, depth, missed focus, shake)
adds to the lens's own 1 / MTF50^2 and never takes away. How much it adds, and how often next to
nothing, is learned from each archive: the excess is zero with some probability, else of one of a few
laws that are the same at every aperture (objects, shake), or fall as 1 / N^2 (depth: the blur disc
of what lies before or behind the plane of focus shrinks as the aperture closes). This is a stochastic
frontier (Aigner, Lovell & Schmidt, J. Econometrics 6, 1977) some of whose units may lie on the frontier
itself (Kumbhakar, Parmeter & Tsionas, J. Econometrics 172, 2013). Shares of figures on the curve are pooled from lens to
zone to aperture.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv

__all__ = [
    "COMPONENTS",
    "STARTS",
    "Excess",
    "shares_of",
]

Floats = NDArray[np.float64]

_FIXED_PX2: Final = (3.0, 15.0, 75.0, 300.0)
"""Means of exponential laws that hold at every aperture."""
_DEPTH_PX2: Final = (0.5, 2.0, 8.0, 40.0)
"""Means at f/8 of laws that fall as 1 / N^2. Their law is Erlang's of order two: not even the
sharpest of a zone's edges lies in the plane of focus as a rule."""
_F_NUMBER: Final = 8.0
"""The f-number to which `_DEPTH_PX2` refers."""
_QUANTILES: Final = (np.arange(8) + 0.5) / 8
"""Each law is represented by eight quantiles of equal probability."""
_EXPONENTIAL, _ERLANG = gammaincinv(1, _QUANTILES), gammaincinv(2, _QUANTILES) / 2
"""These quantiles of an exponential law and of Erlang's of order two, of mean one."""
COMPONENTS: Final = 1 + len(_FIXED_PX2) + len(_DEPTH_PX2)
"""No excess, and the laws."""
STARTS: Final = np.append(0, 1 + len(_QUANTILES) * np.arange(COMPONENTS - 1))
"""Where each of them begins among the points."""
_SHARE_WEIGHT: Final = np.array([6.0, 1, 1, 1, 1, 8, 4, 1, 1])
"""Pseudo counts of the prior of each component of excess: what scatters no more than inliers do is taken
for one, or for depth that wide apertures would show, until figures say otherwise."""
_SHARE_POOL: Final = 3.0
"""Pseudo counts of the prior that a zone's share of figures on the curve is the lens's, and an aperture's
the zone's: depth leaves fewer in corners and at wide apertures than where one focuses, dusk few at small
apertures. 2 to 5 do as well."""


@dataclass(frozen=True, slots=True)
class Excess:
    """Points of quadrature of the excess distribution at K apertures.

    The excess in 1 / MTF50^2 is a mixture: none, exponential laws of fixed mean, and Erlang laws of order two
    whose mean falls as 1 / N^2. Each law is represented by eight quantiles of equal probability.

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
        fixed = np.broadcast_to(_FIXED_PX2, depth.shape)
        spread = [fixed[..., None] * _EXPONENTIAL, depth[..., None] * _ERLANG]
        points = [part.reshape(*f_numbers.shape, -1) for part in spread]
        zero = np.zeros((*f_numbers.shape, 1))
        return cls(
            np.concatenate([zero, *points], axis=-1),
            np.concatenate([zero, fixed, depth], axis=-1),
        )

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
        points = np.diff(STARTS, append=1 + (COMPONENTS - 1) * len(_QUANTILES))
        return np.asarray(np.repeat(shares / points, points, axis=-1))

    def least_excess(self, shares: Floats) -> Floats:
        """How far the frames nearest to the lens typically lie from it.

        Parameters
        ----------
        shares : ndarray of float64, shape (Z, K, COMPONENTS)
            Mixture weights of the components.

        Returns
        -------
        ndarray of float64, shape (Z, K)
            In px^2: the harmonic mean of the components' means, times the share of frames that are not the lens's
            own.
        """
        density = (shares[..., 1:] / self.means[:, 1:]).sum(-1)
        return np.asarray((1 - shares[..., 0]) ** 2 / np.maximum(density, 1e-12))


def shares_of(sums: Floats) -> tuple[Floats, Floats]:
    """Mixture weights from responsibilities, with their prior as pseudo counts.

    Parameters
    ----------
    sums : ndarray of float64, shape (..., Z, K, COMPONENTS)
        Sum of the figures' responsibilities by component.

    Returns
    -------
    inlier_share : ndarray of float64, shape (..., Z, K)
        Share of figures without excess.
    excess_shares : ndarray of float64, shape (..., COMPONENTS - 1)
        Weights of the laws of excess among the others; they sum to 1.
    """
    pooled = _pooled_shares(sums)[1][..., None]
    share = (sums[..., 0] + _SHARE_POOL * pooled) / (sums.sum(-1) + _SHARE_POOL)
    others = (sums.sum((-3, -2)) + _SHARE_WEIGHT)[..., 1:]
    return share, others / others.sum(-1, keepdims=True)


def _pooled_shares(sums: Floats) -> tuple[Floats, Floats]:
    """Shares of figures without excess, of the whole lens and of each zone.

    Parameters
    ----------
    sums : ndarray of float64, shape (..., Z, K, COMPONENTS)
        Sum of the figures' responsibilities by component.

    Returns
    -------
    lens : ndarray of float64, shape (..., 1)
        Prior mean of the zones' shares.
    zone : ndarray of float64, shape (..., Z)
        Prior mean of the apertures' shares.
    """
    kinds = sums.sum((-3, -2)) + _SHARE_WEIGHT
    lens = kinds[..., :1] / kinds.sum(-1, keepdims=True)
    zone = sums.sum(-2)
    return lens, (zone[..., 0] + _SHARE_POOL * lens) / (zone.sum(-1) + _SHARE_POOL)
