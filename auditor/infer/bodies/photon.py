"""The physics of a body's noise: photons, read noise, and where the two come from.

In linear light with 1 = white the variance at signal s and ISO i is linear in four unknowns,

    var = a g s + b g^2 + c + d s^2,      g = i / 100,

a = 1 / W with W the electrons at white at ISO 100 (photon noise; EMVA 1288, photon transfer),
b = (read noise / W)^2 for noise before the amplifier, c the noise behind the amplifier, d what is
proportional to the signal: faint texture of the scenes taken for noise, and the pixels' unequal response.
Neither is random from frame to frame and the two cannot be told apart in ordinary pictures, so d is
fitted, to keep it out of a, and left out of what is said of the body.

A camera's noise reduction grows with ISO: all of it is multiplied by exp(e log2(i / 100)). The law is fitted without;
e is among what departs from it (`response`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import nnls

__all__ = ["ROUNDS", "Physics", "fit_physics"]

Floats = NDArray[np.float64]

ROUNDS: Final = 6
"""Rounds in which weights and what is fitted with them settle."""
RANDOM_LEAST: Final = 0.1
"""Least share of the variance seen that is random from frame to frame, so much as clean sensors leave
beside a texture of one per cent. One frame's few tones may follow the texture's law by chance."""


@dataclass(frozen=True, slots=True)
class Physics:
    """The law var = a g s + b g^2 + c + d s^2 with g = ISO / 100 (module docstring), in linear light, 1 = white.

    Attributes
    ----------
    photon : float
        a, photon noise: one over the electrons at white at ISO 100.
    read : float
        b, read noise before the amplifier, squared, as a share of white at ISO 100.
    downstream : float
        c, variance of the noise behind the amplifier.
    proportional : float
        d, squared share of the signal: texture taken for noise, unequal response of pixels.
    """

    photon: float
    read: float
    downstream: float
    proportional: float

    @property
    def full_scale_e(self) -> float | None:
        """Electrons at white at ISO 100, as the developed file shows them."""
        return 1 / self.photon if self.photon > 0 else None

    def log_sigma(self, iso: ArrayLike, signal: ArrayLike, texture: bool = True) -> Floats:
        """Log noise by the law.

        Parameters
        ----------
        iso, signal : array_like
            ISO, and signal in linear light (1 = white); they broadcast.
        texture : bool
            With what is proportional to the signal, as frames show it, or without, as far as that leaves
            `RANDOM_LEAST` of the variance.

        Returns
        -------
        ndarray of float64
            Natural log of the standard deviation in linear light.
        """
        terms = self._terms(iso, signal)
        variance, total = terms[..., :3].sum(axis=-1), terms.sum(axis=-1)
        variance = total if texture else np.maximum(variance, RANDOM_LEAST * total)
        return np.asarray(0.5 * np.log(np.maximum(variance, 1e-18)))

    def jacobian(self, iso: Floats, signal: Floats) -> Floats:
        """Derivatives of log noise without texture by the law's own parameters.

        Parameters
        ----------
        iso, signal : ndarray of float64, shape (..., n)
            ISO, and signal in linear light.

        Returns
        -------
        ndarray of float64, shape (..., n, 3)
            By ln `photon`, ln `read`, and what development does per stop of ISO.
        """
        terms = self._terms(iso, signal)[..., :3]
        shares = terms / np.maximum(terms.sum(axis=-1, keepdims=True), 1e-18)
        return np.concatenate([0.5 * shares[..., :2], np.log2(iso / 100)[..., None]], axis=-1)

    def _terms(self, iso: ArrayLike, signal: ArrayLike) -> Floats:
        """The law's four variances, (..., 4)."""
        i, s = np.broadcast_arrays(np.asarray(iso, float), np.asarray(signal, float))
        return _basis(i, s) * [self.photon, self.read, self.downstream, self.proportional]


def _basis(iso: Floats, signal: Floats) -> Floats:
    g = iso / 100
    return np.stack([g * signal, g * g, np.ones(iso.shape), signal * signal], axis=-1)


def fit_physics(iso: Floats, signal: Floats, log_sigma: Floats, sd: Floats) -> Physics:
    """Weighted non-negative least squares of the variance law to cell means.

    Weights are relative to the fitted variance and found by `ROUNDS` rounds of reweighting.

    Parameters
    ----------
    iso, signal, log_sigma : ndarray of float64, shape (c,)
        ISO step, signal (linear, 1 = white) and natural log noise of each cell.
    sd : ndarray of float64, shape (c,)
        Standard deviation of each `log_sigma`.

    Returns
    -------
    Physics
        The fit.

    References
    ----------
    EMVA Standard 1288, photon transfer.
    """
    basis = _basis(iso, signal)
    observed = fitted = np.exp(2 * log_sigma)
    for _ in range(ROUNDS):
        weight = 1 / (2 * sd * fitted)
        design = basis * weight[:, None]
        scale = np.linalg.norm(design, axis=0)
        coefficients = nnls(design / scale, observed * weight)[0] / scale
        fitted = np.maximum(basis @ coefficients, 1e-18)
    return Physics(*coefficients.tolist())
