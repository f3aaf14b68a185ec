"""Prior of a curve's mixture weights: shares of figures on the curve, pooled from lens to zone to aperture."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["SHARE_POOL", "SHARE_WEIGHT", "beta_log_density", "pooled_shares", "shares_of"]

Floats = NDArray[np.float64]

SHARE_WEIGHT: Final = np.array([6.0, 1, 1, 1, 1, 8, 4, 1, 1])
"""Pseudo counts of the prior of each component of excess: what scatters no more than inliers do is taken
for one, or for depth that wide apertures would show, until figures say otherwise."""
SHARE_POOL: Final = 3.0
"""Pseudo counts of the prior that a zone's share of figures on the curve is the lens's, and an aperture's
the zone's: depth leaves fewer in corners and at wide apertures than where one focuses, dusk few at small
apertures. 2 to 5 do as well."""


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
    pooled = pooled_shares(sums)[1][..., None]
    share = (sums[..., 0] + SHARE_POOL * pooled) / (sums.sum(-1) + SHARE_POOL)
    others = (sums.sum((-3, -2)) + SHARE_WEIGHT)[..., 1:]
    return share, others / others.sum(-1, keepdims=True)


def pooled_shares(sums: Floats) -> tuple[Floats, Floats]:
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
    kinds = sums.sum((-3, -2)) + SHARE_WEIGHT
    lens = kinds[..., :1] / kinds.sum(-1, keepdims=True)
    zone = sums.sum(-2)
    return lens, (zone[..., 0] + SHARE_POOL * lens) / (zone.sum(-1) + SHARE_POOL)


def beta_log_density(share: Floats, mean: Floats | float) -> Floats:
    """Log density of a Beta law with this mean, per unit of its concentration, not normalised.

    As shares near none or all are not normalised they count for more. Without that an ascent ends where more
    figures pass for the lens's own, and curves of drawn landscapes lie 2.4% low instead of 1.6.

    Parameters
    ----------
    share : ndarray of float64
        Shares, between 0 and 1.
    mean : ndarray of float64 or float
        What they are expected to be; broadcasts.

    Returns
    -------
    ndarray of float64
        mean ln(share) + (1 - mean) ln(1 - share).
    """
    return np.asarray(mean * np.log(share) + (1 - mean) * np.log1p(-share))
