"""What the likelihood of a curve (`likelihood`) works with: its parameters, and all figures given these."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["Expectation", "State"]

Floats = NDArray[np.float64]


class State(NamedTuple):
    """Parameters of the model, with leading axes of curves where there are several.

    Attributes
    ----------
    theta : ndarray of float64, shape (..., P)
        Optics (`physics.Optics.curves`).
    inlier_share : ndarray of float64, shape (..., Z, K)
        Share of a zone's figures at each aperture that lie on the curve (no excess).
    excess_shares : ndarray of float64, shape (..., COMPONENTS - 1)
        Mixture weights of the laws of excess among the other figures.
    scatter : ndarray of float64, shape (..., Z)
        Standard deviation (ln MTF50) of figures beyond their stated errors.
    """

    theta: Floats
    inlier_share: Floats
    excess_shares: Floats
    scatter: Floats

    @property
    def shares(self) -> Floats:
        """(..., Z, K, COMPONENTS): share on the curve, and of each component of excess."""
        others = (1 - self.inlier_share)[..., None] * self.excess_shares[..., None, None, :]
        return np.concatenate([self.inlier_share[..., None], others], axis=-1)

    def of(self, curve: int, apertures: int) -> State:
        """That of one of several curves, which has so many apertures."""
        theta, share, spread, scatter = (part[curve] for part in self)
        return State(theta, share[:, :apertures], spread, scatter)


class Expectation(NamedTuple):
    """Expectation step: all figures given a state; (n, Z) unless said otherwise.

    Attributes
    ----------
    curve : ndarray of float64, shape (..., Z, K)
        ln MTF50 of the state.
    gradient, curvature : ndarray of float64
        Derivatives of the log likelihood by the curve (complete-data information).
    component : ndarray of float64, shape (n, Z, COMPONENTS)
        Responsibility of each component of excess.
    scatter_moment : ndarray of float64, shape (n, Z, 2)
        Numerator and denominator of the estimate of squared scatter.
    inlier : ndarray of float64
        Probability that the excess costs next to nothing (`likelihood._INLIER_LOSS`).
    log_density : ndarray of float64
        ln likelihood, 0 where a zone was not measured.
    """

    curve: Floats
    gradient: Floats
    curvature: Floats
    component: Floats
    scatter_moment: Floats
    inlier: Floats
    log_density: Floats
