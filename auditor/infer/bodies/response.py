"""A body's noise at any ISO and signal: the physics, plus smooth departures where data ask for them.

Cameras develop their files: noise reduction grows with ISO, tone curves stretch the shadows. Such
departures from the physics are a Gaussian process over log2 ISO and log2 signal (Rasmussen &
Williams, Gaussian Processes for Machine Learning, ch. 2); with the physics alone intervals held 80 in 100 of
drawn bodies of few frames where they are meant to hold 90.
Where frames are many the process follows them; where they are few it follows the physics: all that a body
of few frames borrows is the slope of noise over ISO and signal. The law's own figures are uncertain with
the rest (explicit basis functions, ch. 2.7), so that one solve of linear algebra gives the whole
posterior, whose covariance carries the uncertainty into everything computed from it. Outings stand in it by the
covariance that their frames share.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import log_ndtr

from auditor.exposure import ISOS
from auditor.infer.bodies.cells import PRIOR_SD, PRIOR_WEIGHT, ROUNDS, Cells, Physics, fit_physics
from auditor.record import SIGNAL_BIN_EDGES, TONE_SIGNALS
from auditor.robust import t_quantile

__all__ = ["ISO_GRID", "SIGNAL_GRID", "NoiseModel", "fit_noise"]

Floats = NDArray[np.float64]

ISO_GRID: Final = tuple(i for i in ISOS if i >= 12)
"""Third stops at which a model can be asked."""

SIGNAL_GRID: Final = (
    *(2 ** ((a + b) / 2) for a, b in itertools.pairwise(SIGNAL_BIN_EDGES)),
    *TONE_SIGNALS,
)
"""Signals at which a model can be asked: centres of the stored histogram's bins, then the tones."""

ESTIMATOR_SD: Final = 0.035
"""What the noise measurement itself may be off by in common, in log noise, for one kind of file:
on frames rendered with known noise it read up to some five per cent high or low in common. Between two
bodies it cancels."""

_LENGTH: Final = 3.0
"""Length scale of the kernel in stops of ISO or signal: departures from the law correlate by 1/e over it."""
_DEPARTURE_SD: Final = 0.07
"""Standard deviation of departures from the law, in log noise, by ISO and by signal."""
_LAW_SD: Final = np.array([1.4, 1.4, 0.04])
"""What a body's photon noise and read noise (log of their variance, a factor of four) may differ by from the
fitted ones, and what a camera's noise reduction may change log noise by per stop of ISO, a priori."""


def _kernel(a: Floats, b: Floats) -> Floats:
    """Exponential (Matern 1/2) covariance: continuous, steps are not smoothed away."""
    return np.exp(-np.abs(a[..., :, None] - b[..., None, :]) / _LENGTH)


_Places = tuple[Floats, Floats]
"""ISO and signal of places at which the noise is asked for, (..., n) each."""


@dataclass(frozen=True)
class NoiseModel:
    """Noise of one body in one kind of file, at any ISO and signal.

    Attributes
    ----------
    body, kind : str
        Whose, and in which kind of file.
    physics : Physics
        The fitted law, mean function of the Gaussian process.
    cells : Cells
        Observations behind it.
    log_sigma : ndarray of float64, shape (ISO_GRID, SIGNAL_GRID)
        Posterior mean of natural log noise in linear light, without texture.
    grid, observed : tuple of ndarray
        ISO and signal of every place of (ISO_GRID, SIGNAL_GRID), and of the n observations.
    gain : ndarray of float64, shape (ISO_GRID, SIGNAL_GRID, n)
        Weight of each observation in the posterior mean at each place of the grid.
    """

    body: str
    kind: str
    physics: Physics
    cells: Cells
    log_sigma: Floats
    grid: _Places
    observed: _Places
    gain: Floats
    output_scale: Floats
    """Factor on sigma for the output size, per entry of ISO_GRID."""
    dof: float
    """Degrees of freedom of its scatter, which few frames estimate badly."""
    isos: tuple[int, ...]
    """Steps in use."""
    base_iso: float
    """ISO values below this one are no cleaner than it: the sensor holds no more electrons there."""

    @property
    def measured_isos(self) -> set[int]:
        """Steps at which noise was measured in a frame; at all others it is only predicted."""
        return {int(iso) for iso in self.cells.iso[self.cells.measured]}

    def half_width(self, variance: Floats, share: float) -> Floats:
        """Half the interval of a mean of log noise over signals.

        Parameters
        ----------
        variance : ndarray of float64
            Variance of its error, without `ESTIMATOR_SD`.
        share : float
            Share of the truth that the interval is meant to hold.

        Returns
        -------
        ndarray of float64
            In natural log, of the shape of `variance`.
        """
        return t_quantile(self.dof, share) * np.sqrt(variance + ESTIMATOR_SD**2)

    @cached_property
    def covariance(self) -> Floats:
        """Posterior covariance of log noise at one ISO, (ISO_GRID, SIGNAL_GRID, SIGNAL_GRID), without `ESTIMATOR_SD`."""
        cross = _prior(self.physics, self.grid, self.observed)
        return _prior(self.physics, self.grid, self.grid) - self.gain @ np.swapaxes(cross, -1, -2)


def fit_noise(body: str, kind: str, cells: Cells, output_scale: Floats) -> NoiseModel:
    """Posterior of a body's noise from its cells: physics plus a Gaussian process of departures.

    Mean function: the fitted variance law, whose own parameters are uncertain too (explicit basis functions
    with prior `_LAW_SD`). Covariance of departures: exponential kernels over log2 ISO and log2 signal. Noise of
    the observations: the cells' covariance. Upper limits
    enter by their own likelihood (`_with_limits`); where no noise was measured at all the model is what noise is at most.

    Parameters
    ----------
    body, kind : str
        Names, kept in the model.
    cells : Cells
        From `gather`.
    output_scale : ndarray of float64, shape (ISO_GRID,)
        Factor on sigma for the output size.

    Returns
    -------
    NoiseModel
        On `ISO_GRID` x `SIGNAL_GRID`.

    References
    ----------
    C. E. Rasmussen and C. K. I. Williams, Gaussian Processes for Machine Learning, ch. 2, 2.7 and 3.4.
    """
    base, seen, limited = find_base_iso(cells), cells.measured, np.flatnonzero(cells.unseen)
    iso, signal = np.maximum(cells.iso, base), cells.signal
    if len(seen):
        value, noise = cells.log_sigma[seen], cells.covariance
        law = fit_physics(iso[seen], signal[seen], value, np.sqrt(np.diag(noise)))
    else:
        # The bound that leaves least to photons tells what noise is at most.
        photons = np.exp(2 * cells.bound) / (iso / 100 * signal)
        seen, limited = np.array([photons.argmin()]), limited[:0]
        value, noise = cells.bound[seen], np.full((1, 1), 1e-6)
        law = Physics(float(photons.min()), 0.0, 0.0, 0.0)
    rows = np.concatenate([seen, limited])
    at = iso[rows], signal[rows]
    prior, expected = _prior(law, at, at), law.log_sigma(*at)
    bound = cells.bound[limited] - expected[len(seen) :]
    target, full = _with_limits(prior, value - expected[: len(seen)], noise, bound)
    grid_iso, grid_signal = np.meshgrid(np.maximum(ISO_GRID, base), SIGNAL_GRID, indexing="ij")
    grid = grid_iso, grid_signal
    gain = _prior(law, grid, at) @ np.linalg.inv(prior + full)
    return NoiseModel(
        body=body,
        kind=kind,
        physics=law,
        cells=cells,
        log_sigma=law.log_sigma(*grid, texture=False) + gain @ target,
        grid=grid,
        observed=at,
        gain=gain,
        output_scale=output_scale,
        dof=max(cells.frame_count - len(cells.isos), 1) + PRIOR_WEIGHT,
        isos=tuple(int(i) for i in cells.isos),
        base_iso=base,
    )


def find_base_iso(cells: Cells) -> float:
    """Lowest ISO that is cleaner than the ones above it (base ISO).

    Only values under 100 are doubted (extended ISO). Photon noise would fall with the root of ISO; less than
    half of that, over the signals that both hold, is no fall.

    Parameters
    ----------
    cells : Cells
        Robust means by ISO step and signal.

    Returns
    -------
    float
        0 where every ISO used is cleaner than those above it.
    """
    base = 0.0
    if not (cells.iso < 100).any():
        return base
    seen = pd.DataFrame({"iso": cells.iso, "signal": cells.signal, "log_sigma": cells.log_sigma})
    seen = seen.iloc[cells.measured].assign(variance=np.diag(cells.covariance))
    above = seen["iso"].where(seen["iso"] >= 100).min()
    pairs = seen[seen["iso"] < 100].merge(
        seen[seen["iso"] == above], on="signal", suffixes=("", "_above")
    )
    for step, own in pairs.groupby("iso"):
        fall = (own["log_sigma_above"] - own["log_sigma"]).median()
        doubt = np.sqrt((own["variance"] + own["variance_above"]).mean())
        expected = 0.5 * np.log(above / step)
        if fall + doubt < expected and fall < expected / 2:
            base = float(above)
    return base


def _prior(law: Physics, a: _Places, b: _Places) -> Floats:
    """Covariance of log noise between places: of the law's own figures, and of departures from it."""
    by_law = (law.jacobian(*a) * np.square(_LAW_SD)) @ np.swapaxes(law.jacobian(*b), -1, -2)
    kernels = (_kernel(np.log2(one), np.log2(other)) for one, other in zip(a, b, strict=True))
    return np.asarray(by_law + _DEPARTURE_SD**2 * sum(kernels))


def _with_limits(
    prior: Floats, residual: Floats, noise: Floats, bound: Floats
) -> tuple[Floats, Floats]:
    """Cells and limits as one set of observations with Gaussian errors.

    That log noise lies below a bound, but for a scatter of `PRIOR_SD`, has the likelihood of a normal
    distribution function. At the most likely noise, which Newton's method finds, each limit is replaced by the
    Gaussian observation of the same slope and curvature (Laplace's approximation).

    Parameters
    ----------
    prior : ndarray of float64, shape (n, n)
        Prior covariance of log noise at cells and limits, cells first.
    residual : ndarray of float64, shape (c,)
        Cells' log noise less the law's.
    noise : ndarray of float64, shape (c, c)
        Covariance of their errors.
    bound : ndarray of float64, shape (n - c,)
        Limits less the law's log noise.

    Returns
    -------
    target : ndarray of float64, shape (n,)
        Observations, cells first.
    full : ndarray of float64, shape (n, n)
        Covariance of their errors.
    """
    known = len(residual)
    full = np.zeros_like(prior)
    full[:known, :known] = noise
    target = np.concatenate([residual, bound])
    limits = np.arange(known, len(prior))
    most_likely = np.zeros(len(bound))
    for _ in range(ROUNDS if len(bound) else 0):
        z = (bound - most_likely) / PRIOR_SD
        slope = np.exp(-0.5 * z**2 - 0.5 * np.log(2 * np.pi) - log_ndtr(z))  # inverse Mills ratio
        curvature = slope * (z + slope)
        full[limits, limits] = PRIOR_SD**2 / np.maximum(curvature, 1e-8)
        target[known:] = most_likely - PRIOR_SD / (z + slope)
        most_likely = (prior @ np.linalg.solve(prior + full, target))[known:]
    return target, full
