"""The physics of a body's noise: photons, read noise, and where the two come from.

In linear light with 1 = white the variance at signal s and ISO i is linear in four unknowns,

    var = a g s + b_low g^2 [i < k] + b_high g^2 [i >= k] + c + d s^2,      g = i / 100,

a = 1 / W with W the electrons at white at ISO 100 (photon noise; EMVA 1288, photon transfer),
b = (read noise / W)^2 for noise before the amplifier, with one step allowed at ISO k (dual gain),
c the noise behind the amplifier, d what is proportional to the signal (pixel response, texture).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import nnls

__all__ = ["Physics", "fit_physics", "fit_physics_with_step"]

Floats = NDArray[np.float64]

STEP_GAIN: Final = 12.0
"""A dual-gain step is believed only when it takes this much off the weighted sum of squares: twice
the log-likelihood of two more parameters and a search over some ten ISO values (BIC-like)."""


@dataclass(frozen=True, slots=True)
class Physics:
    photon: float
    read_low: float
    read_high: float
    behind: float
    proportional: float
    step_iso: float | None = None

    @property
    def full_scale_e(self) -> float | None:
        """Electrons at white at ISO 100, as the developed file shows them."""
        return 1 / self.photon if self.photon > 0 else None

    def variance(self, iso: ArrayLike, signal: ArrayLike) -> Floats:
        """Variance in linear light (1 = white). Arguments broadcast."""
        i, s = np.broadcast_arrays(np.asarray(iso, float), np.asarray(signal, float))
        coefficients = np.array(
            [self.photon, self.read_low, self.read_high, self.behind, self.proportional]
        )
        return np.asarray(_basis(i, s, self.step_iso) @ coefficients)

    def log_sigma(self, iso: ArrayLike, signal: ArrayLike) -> Floats:
        """Natural log of the standard deviation in linear light."""
        return np.asarray(0.5 * np.log(np.maximum(self.variance(iso, signal), 1e-18)))


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
    rounds: int = 6,
) -> tuple[Physics, float]:
    """Weighted fit of the variance law to cell means; non-negative, iterated relative weights.

    Args:
        iso, signal, log_sigma: one entry per cell (ISO step and signal level).
        sd: standard deviation of each `log_sigma`.
        step: ISO of a dual-gain step, or None.

    Returns:
        the law, and the weighted sum of squares of log residuals.
    """
    basis = _basis(iso, signal, step)
    # Columns that the cells cannot tell apart or that do not occur are left out by nnls at 0.
    size = np.maximum(np.abs(basis).max(axis=0), 1e-300)
    observed = np.exp(2 * log_sigma)
    model = observed.copy()
    # c, what lies behind the amplifier, and d are small; a faint pull to 0 settles ties only.
    pull = np.diag([0.0, 0.0, 0.0, 1.0, 1.0]) * 0.3
    coefficients = np.zeros(basis.shape[1])
    for _ in range(rounds):
        weight = 1 / (2 * sd * model)
        design = (basis / size) * weight[:, None]
        scale = np.linalg.norm(design, axis=0)
        scale[scale == 0] = 1.0
        stacked = np.vstack([design / scale, pull])
        target = np.concatenate([observed * weight, np.zeros(len(pull))])
        solution, _ = nnls(stacked, target)
        coefficients = solution / scale / size
        model = np.maximum(basis @ coefficients, 1e-18)
    photon, low, high, behind, proportional = (float(c) for c in coefficients)
    law = Physics(photon, low, high, behind, proportional, step)
    residual = (log_sigma - 0.5 * np.log(model)) / sd
    return law, float(residual @ residual)


def fit_physics_with_step(
    iso: Floats, signal: Floats, log_sigma: Floats, sd: Floats
) -> tuple[Physics, float]:
    """`fit_physics`, with a dual-gain step where the cells clearly ask for one."""
    best, least = fit_physics(iso, signal, log_sigma, sd)
    used = np.unique(iso)
    if len(used) < 5:
        return best, least
    for step in used[2:-1]:
        law, rest = fit_physics(iso, signal, log_sigma, sd, float(step))
        if law.read_high < law.read_low and rest < least - STEP_GAIN:
            best, least = law, rest
    return best, least
