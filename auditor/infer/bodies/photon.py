"""The physics of a body's noise: photons, read noise, and where the two come from.

In linear light with 1 = white the variance at signal s and ISO i is linear in four unknowns,

    var = a g s + b g^2 + c + d s^2,      g = i / 100,

a = 1 / W with W the electrons at white at ISO 100 (photon noise; EMVA 1288, photon transfer),
b = (read noise / W)^2 for noise before the amplifier, c the noise behind the amplifier, d what is
proportional to the signal: faint texture of the scenes taken for noise, and the pixels' unequal response.
Neither is random from frame to frame and the two cannot be told apart in ordinary pictures, so d is
fitted, to keep it out of a, and left out of what is said of the body.

A camera's noise reduction grows with ISO: all of it is multiplied by exp(e log2(i / 100)), e found
beside the rest for developed files (`fit_development`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize_scalar, nnls

__all__ = ["Physics", "assumed_law", "fit_development", "fit_physics", "slopes"]

Floats = NDArray[np.float64]

DEVELOPMENTS: Final = (-0.15, 0.06)
"""Changes in log noise per stop of ISO among which a camera's noise reduction is sought: beyond four times
what is usual it would be no reduction any more."""
DEVELOPMENT_SD: Final = 0.04
"""What a camera's noise reduction may change log noise by per stop of ISO, before it was seen."""

ASSUMED_DEVELOPMENT: Final = -0.04
"""That change for a body of which nothing was measured: noise reduction grows with ISO (common practice,
no source)."""
ASSUMED_READ_E: Final = 4.0
"""Its read noise in electrons (common practice, no source)."""
HIDDEN_READ: Final = 0.1
"""A read noise that was not seen may still be there, up to this share of the photons' variance,"""
HIDDEN_SIGNAL: Final = 0.02
"""as it is at this signal: above it photons hide any read noise."""
_ROUNDS: Final = 6
"""Rounds of weights that are relative to the fitted variance."""
_SETTLED: Final = 0.003
"""Error at which that change is known well enough, in log noise per stop."""
_PULL: Final = 0.3
"""Weight of the pull to none of the two small terms, in cells: it only settles ties."""

RANDOM_LEAST: Final = 0.1
"""Least share of the variance seen that is random from frame to frame, so much as clean sensors leave
beside a texture of one per cent. One frame's few tones may follow the texture's law by chance."""


@dataclass(frozen=True, slots=True)
class Physics:
    photon: float
    read: float
    behind: float
    proportional: float
    per_stop: float = 0.0
    """Change of log noise per stop of ISO through development."""

    @property
    def full_scale_e(self) -> float | None:
        """Electrons at white at ISO 100, as the developed file shows them."""
        return 1 / self.photon if self.photon > 0 else None

    def log_sigma(self, iso: ArrayLike, signal: ArrayLike, texture: bool = True) -> Floats:
        """Natural log of the standard deviation in linear light (1 = white). Arguments broadcast.

        `texture`: with what is proportional to the signal, as frames show it, or without, as far as
            that leaves `RANDOM_LEAST` of it.
        """
        i, s = np.broadcast_arrays(np.asarray(iso, float), np.asarray(signal, float))
        variance = _basis(i, s) @ np.array([self.photon, self.read, self.behind, 0.0])
        seen = variance + self.proportional * s * s
        variance = seen if texture else np.maximum(variance, RANDOM_LEAST * seen)
        developed = self.per_stop * np.log2(i / 100)
        return np.asarray(0.5 * np.log(np.maximum(variance, 1e-18)) + developed)


ASSUMED_ELECTRONS: Final = 30_000.0
"""Electrons at white at ISO 100 where a body showed no noise at all: between small and large sensors
(common practice, no source). Its uncertainty is a factor of four either way."""


def assumed_law(developed: bool) -> Physics:
    """The law of a body of which nothing was measured."""
    photon = 1 / ASSUMED_ELECTRONS
    read = (ASSUMED_READ_E / ASSUMED_ELECTRONS) ** 2
    return Physics(photon, read, 0.0, 0.0, ASSUMED_DEVELOPMENT if developed else 0.0)


def slopes(law: Physics, iso: Floats, signal: Floats) -> Floats:
    """(n, 3) change of log noise with the logs of photon and read noise and with `per_stop`."""
    g = iso / 100
    photon = law.photon * g * signal
    read = np.maximum(
        law.read * g**2, HIDDEN_READ * law.photon * g * np.minimum(signal, HIDDEN_SIGNAL)
    )
    total = np.maximum(photon + read + law.behind, 1e-18)
    return np.stack([0.5 * photon / total, 0.5 * read / total, np.log2(g)], axis=-1)


def _basis(iso: Floats, signal: Floats) -> Floats:
    g = iso / 100
    return np.stack([g * signal, g * g, np.ones(iso.shape), signal * signal], axis=-1)


def fit_physics(
    iso: Floats, signal: Floats, log_sigma: Floats, sd: Floats, per_stop: float = 0.0
) -> tuple[Physics, float]:
    """Weighted fit of the variance law to cell means; non-negative, iterated relative weights.

    Args:
        iso, signal, log_sigma: one entry per cell (ISO step and signal level).
        sd: standard deviation of each `log_sigma`.
        per_stop: change of log noise per stop of ISO to assume.

    Returns:
        the law, and the weighted sum of squares of log residuals.
    """
    basis = _basis(iso, signal)
    # Columns that the cells cannot tell apart or that do not occur are left out by nnls at 0.
    size = np.maximum(np.abs(basis).max(axis=0), 1e-300)
    plain = log_sigma - per_stop * np.log2(iso / 100)
    observed = model = np.exp(2 * plain)
    # c, what lies behind the amplifier, and d are small; a faint pull to 0 settles ties only.
    pull = np.diag([0.0, 0.0, 1.0, 1.0]) * _PULL
    for _ in range(_ROUNDS):
        weight = 1 / (2 * sd * model)
        design = (basis / size) * weight[:, None]
        scale = np.linalg.norm(design, axis=0)
        scale[scale == 0] = 1.0
        target = np.append(observed * weight, np.zeros(len(pull)))
        coefficients = nnls(np.vstack([design / scale, pull]), target)[0] / scale / size
        model = np.maximum(basis @ coefficients, 1e-18)
    residual = (plain - 0.5 * np.log(model)) / sd
    photon, read, behind, proportional = coefficients.tolist()
    law = Physics(photon, read, behind, proportional, per_stop)
    return law, float(np.square(residual).sum())


def fit_development(iso: Floats, signal: Floats, log_sigma: Floats, sd: Floats) -> Physics:
    """`fit_physics` with the development's change of noise per stop found too."""

    def misfit(per_stop: float) -> float:
        _, squares = fit_physics(iso, signal, log_sigma, sd, per_stop)
        return squares + (per_stop / DEVELOPMENT_SD) ** 2

    best = minimize_scalar(
        misfit, bounds=DEVELOPMENTS, method="bounded", options={"xatol": _SETTLED}
    )
    return fit_physics(iso, signal, log_sigma, sd, float(best.x))[0]
