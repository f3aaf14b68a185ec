"""The physics of a body's noise: photons, read noise, and where the two come from.

In linear light with 1 = white the variance at signal s and ISO i is linear in four unknowns,

    var = a g s + b_low g^2 [i < k] + b_high g^2 [i >= k] + c + d s^2,      g = i / 100,

a = 1 / W with W the electrons at white at ISO 100 (photon noise; EMVA 1288, photon transfer),
b = (read noise / W)^2 for noise before the amplifier, with one step allowed at ISO k (dual gain),
c the noise behind the amplifier, d what is proportional to the signal: faint texture of the scenes
taken for noise, and the pixels' unequal response. Neither is random from frame to frame and the two
cannot be told apart in ordinary pictures, so d is fitted, to keep it out of a, and left out of what
is said of the body.

A camera's noise reduction grows with ISO: all of it is multiplied by exp(e log2(i / 100)), e found
beside the rest for developed files (`fit_development`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import nnls

__all__ = ["Physics", "assumed_law", "fit_development", "fit_physics", "fit_physics_with_step"]

Floats = NDArray[np.float64]

STEP_GAIN: Final = 12.0
"""A dual-gain step is believed only when it takes this much off the weighted sum of squares: twice
the log-likelihood of two more parameters and a search over some ten ISO values (BIC-like)."""


DEVELOPMENT_STEP: Final = 0.03
"""Step in which that change is sought, in log noise per stop of ISO."""
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
_PULL: Final = 0.3
"""Weight of the pull to none of the two small terms, in cells: it only settles ties."""

RANDOM_LEAST: Final = 0.1
"""Least share of the variance seen that is random from frame to frame, so much as clean sensors leave
beside a texture of one per cent. One frame's few tones may follow the texture's law by chance."""


@dataclass(frozen=True, slots=True)
class Physics:
    photon: float
    read_low: float
    read_high: float
    behind: float
    proportional: float
    step_iso: float | None = None
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
        random = np.array([self.photon, self.read_low, self.read_high, self.behind, 0.0])
        variance = _basis(i, s, self.step_iso) @ random
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
    return Physics(photon, read, read, 0.0, 0.0, None, ASSUMED_DEVELOPMENT if developed else 0.0)


def slopes(law: Physics, iso: Floats, signal: Floats) -> Floats:
    """(n, 3) change of log noise with the logs of photon and read noise and with `per_stop`."""
    g = iso / 100
    photon = law.photon * g * signal
    read = np.where(iso >= (law.step_iso or np.inf), law.read_high, law.read_low) * g**2
    read = np.maximum(read, HIDDEN_READ * law.photon * g * np.minimum(signal, HIDDEN_SIGNAL))
    total = np.maximum(photon + read + law.behind, 1e-18)
    return np.stack([0.5 * photon / total, 0.5 * read / total, np.log2(g)], axis=-1)


def _basis(iso: Floats, signal: Floats, step: float | None) -> Floats:
    g = iso / 100
    above = (iso >= step) if step is not None else np.zeros(iso.shape, bool)
    return np.stack(
        [g * signal, g * g * ~above, g * g * above, np.ones(iso.shape), signal * signal], axis=-1
    )


def fit_physics(
    iso: Floats,
    signal: Floats,
    log_sigma: Floats,
    sd: Floats,
    step: float | None = None,
    per_stop: float = 0.0,
) -> tuple[Physics, float]:
    """Weighted fit of the variance law to cell means; non-negative, iterated relative weights.

    Args:
        iso, signal, log_sigma: one entry per cell (ISO step and signal level).
        sd: standard deviation of each `log_sigma`.
        step: ISO of a dual-gain step, or None.
        per_stop: change of log noise per stop of ISO to assume.

    Returns:
        the law, and the weighted sum of squares of log residuals.
    """
    return _fits(iso, signal, log_sigma, sd, step, [per_stop])[0]


def _fits(
    iso: Floats, signal: Floats, log_sigma: Floats, sd: Floats, step: float | None, per_stops: Sequence[float]
) -> list[tuple[Physics, float]]:  # fmt: skip
    """`fit_physics` for several changes of log noise per stop at once."""
    basis = _basis(iso, signal, step)
    # Columns that the cells cannot tell apart or that do not occur are left out by nnls at 0.
    size = np.maximum(np.abs(basis).max(axis=0), 1e-300)
    plain = log_sigma - np.array(per_stops)[:, None] * np.log2(iso / 100)
    observed = np.exp(2 * plain)
    model = observed.copy()
    # c, what lies behind the amplifier, and d are small; a faint pull to 0 settles ties only.
    stacked = np.empty((len(per_stops), len(iso) + len(size), len(size)))
    stacked[:, len(iso) :] = np.diag([0.0, 0.0, 0.0, 1.0, 1.0]) * _PULL
    target = np.zeros(stacked.shape[:2])
    for _ in range(_ROUNDS):
        weight = 1 / (2 * sd * model)
        design = (basis / size) * weight[..., None]
        scale = np.linalg.norm(design, axis=1)
        scale[scale == 0] = 1.0
        stacked[:, : len(iso)] = design / scale[:, None]
        target[:, : len(iso)] = observed * weight
        solution = np.array([nnls(*one)[0] for one in zip(stacked, target, strict=True)])
        coefficients = solution / scale / size
        model = np.maximum(coefficients @ basis.T, 1e-18)
    residual = (plain - 0.5 * np.log(model)) / sd
    laws = [
        Physics(a, low, high, c, d, step, per_stop)
        for (a, low, high, c, d), per_stop in zip(coefficients.tolist(), per_stops, strict=True)
    ]
    return list(zip(laws, np.square(residual).sum(axis=1).tolist(), strict=True))


def fit_development(
    iso: Floats, signal: Floats, log_sigma: Floats, sd: Floats, step: float | None = None
) -> tuple[Physics, float]:
    """`fit_physics` with the development's change of noise per stop found too."""
    reach = DEVELOPMENT_STEP
    tried = (np.arange(-4, 2) * reach).tolist()
    squares_of = [squares for _, squares in _fits(iso, signal, log_sigma, sd, step, tried)]
    rest = np.array(squares_of) + np.square(np.array(tried) / DEVELOPMENT_SD)
    at = int(np.clip(np.argmin(rest), 1, len(tried) - 2))
    left, middle, right = rest[at - 1 : at + 2].tolist()
    bend = left - 2 * middle + right
    shift = float(np.clip(0.5 * (left - right) / bend, -1, 1)) if bend > 0 else 0.0
    best = tried[at] + shift * reach
    law, squares = fit_physics(iso, signal, log_sigma, sd, step, best)
    return law, squares + (best / DEVELOPMENT_SD) ** 2


def fit_physics_with_step(
    iso: Floats, signal: Floats, log_sigma: Floats, sd: Floats, developed: bool = False
) -> tuple[Physics, float]:
    """The law, with a dual-gain step where the cells clearly ask for one.

    `developed`: not raw, so noise reduction may have changed noise with ISO.
    """
    fit = fit_development if developed else fit_physics
    best, least = fit(iso, signal, log_sigma, sd)
    for step in np.unique(iso)[2:-1]:  # two ISO values on either side
        law, rest = fit(iso, signal, log_sigma, sd, float(step))
        if law.read_high < law.read_low and rest < least - STEP_GAIN:
            best, least = law, rest
    return best, least
