"""A body's noise at any ISO and signal: the physics, plus smooth departures where data ask for them.

Cameras develop their files: noise reduction grows with ISO, tone curves stretch the shadows. Such
departures from the physics are a Gaussian process over log2 ISO and log2 signal (Rasmussen &
Williams, Gaussian Processes for Machine Learning, ch. 2), its amplitudes found by marginal likelihood.
Where frames are many the process follows them; where they are few it follows the physics: all that a body
of few frames borrows is the slope of noise over ISO and signal. The law's own figures are uncertain with
the rest (explicit basis functions, ch. 2.7), so that one solve of linear algebra gives the whole
posterior, whose covariance carries the uncertainty into everything computed from it. Outings stand in it by the
covariance that their frames share.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.exposure import ISOS
from auditor.infer.bodies.cell_means import PRIOR_WEIGHT, inverse_mills
from auditor.infer.bodies.cells import LAW_FIT_SD, Cells
from auditor.infer.bodies.photon import (
    DEVELOPMENT_SD,
    Physics,
    assumed_law,
    fit_physics,
    log_sigma_jacobian,
)
from auditor.record import SIGNAL_BIN_EDGES, TONE_SIGNALS
from auditor.robust import t_quantile

__all__ = ["ISO_GRID", "SIGNAL_GRID", "NoiseModel", "fit_noise"]

Floats = NDArray[np.float64]

ISO_GRID: Final = tuple(i for i in ISOS if i >= 12)
"""Third stops at which a model can be asked."""

_BIN_CENTRES: Final = tuple(2 ** ((a + b) / 2) for a, b in itertools.pairwise(SIGNAL_BIN_EDGES))
"""Signals in the middle of the stored histogram's bins."""
SIGNAL_GRID: Final = (*_BIN_CENTRES, *TONE_SIGNALS)
"""Signals at which a model can be asked: centres of the stored histogram's bins, then the tones."""

ESTIMATOR_SD: Final = 0.035
"""What the noise measurement itself may be off by in common, in log noise, for one kind of file:
on frames rendered with known noise it read up to some five per cent high or low in common. Between two
bodies it cancels."""

_LENGTH_ISO: Final = 3.0
"""Length scale of the kernel in stops of ISO: departures from the law correlate by 1/e over it."""
_LENGTH_SIGNAL: Final = 2.0
"""The same of signal."""
_AMPLITUDES: Final = tuple(itertools.product((0.015, 0.05, 0.15, 0.4), (0.015, 0.05, 0.15, 0.3)))
"""Amplitudes of departure tried, in log noise: by ISO, by signal."""
_AMPLITUDE_SD: Final = (0.2, 0.15)
"""Scales of the half-normal priors of these amplitudes: small departures are likelier before any frame was seen."""
_UNKNOWN_AMPLITUDES: Final = (0.15, 0.15)
"""Amplitudes of a body of which nothing was measured."""

_LIMIT_SD: Final = 0.1
"""How sharply a bound holds, in log noise: as frames and tones scatter."""
_ROUNDS: Final = 16
"""Rounds in which bounds settle: each halves what is left, to 1e-5."""
_LEAST_PRECISION: Final = 1e-6
"""Precision of an observation that says nothing: the least there is."""
_LAW_SD: Final = np.array([1.4, 1.4, DEVELOPMENT_SD])
"""What a body's photon noise and read noise (log of their variance, a factor of four) and the change
of log noise per stop through development may differ by from the fitted ones, a priori."""


def _kernel(a: Floats, b: Floats, length: float) -> Floats:
    """Exponential (Matern 1/2) covariance: continuous, steps are not smoothed away."""
    return np.exp(-np.abs(a[..., :, None] - b[..., None, :]) / length)


_Places = tuple[Floats, Floats]
"""ISO and signal of places at which the noise is asked for, (..., n) each."""


@dataclass(frozen=True, slots=True)
class _Posterior:
    """Posterior errors of log noise of the Gaussian process.

    Attributes
    ----------
    law : Physics
        Mean function.
    amplitudes : tuple of float
        Standard deviations of departures from it: by ISO, by signal.
    grid : tuple of ndarray
        ISO and signal of every place of (ISO_GRID, SIGNAL_GRID).
    observed : tuple of ndarray
        ISO and signal of the n observations.
    gain : ndarray of float64, shape (ISO_GRID, SIGNAL_GRID, n)
        Weight of each observation in the posterior mean at each place of the grid.
    """

    law: Physics
    amplitudes: tuple[float, float]
    grid: _Places
    observed: _Places
    gain: Floats

    def covariance(self, at: _Places) -> Floats:
        """(ISO_GRID, SIGNAL_GRID, n) between each ISO of the grid and places `at`, (n,) or (ISO_GRID, n)."""
        prior = _prior(self.law, self.amplitudes, self.grid, at)
        cross = _prior(self.law, self.amplitudes, at, self.observed)
        return np.asarray(prior - self.gain @ np.swapaxes(cross, -1, -2))


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
    covariance : ndarray of float64, shape (ISO_GRID, SIGNAL_GRID, SIGNAL_GRID)
        Posterior covariance at one ISO, without `ESTIMATOR_SD`.
    posterior : _Posterior
        For covariances between two ISO values.
    """

    body: str
    kind: str
    physics: Physics
    cells: Cells
    log_sigma: Floats
    covariance: Floats
    posterior: _Posterior
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
        return {int(iso) for iso in self.cells.iso}

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

    def covariance_with(self, row: int) -> Floats:
        """Covariance of the errors at every ISO with those at one.

        Parameters
        ----------
        row : int
            Index of that ISO in `ISO_GRID`.

        Returns
        -------
        ndarray of float64, shape (ISO_GRID, SIGNAL_GRID, SIGNAL_GRID)
            In log noise; the last axis belongs to the one ISO.
        """
        iso, signal = self.posterior.grid
        return self.posterior.covariance((iso[row], signal[row]))


def fit_noise(body: str, kind: str, cells: Cells, output_scale: Floats) -> NoiseModel:
    """Posterior of a body's noise from its cells: physics plus a Gaussian process of departures.

    Mean function: the fitted variance law, whose own parameters are uncertain too (explicit basis functions
    with prior `_LAW_SD`). Covariance of departures: exponential kernels over log2 ISO and log2 signal,
    whose amplitudes maximise the marginal likelihood times half-normal priors. Noise of the observations: the
    cells' covariance, and the coding error, half of it common to all cells. Upper limits enter by expectation
    propagation (`_with_limits`). One linear solve gives the whole posterior.

    Parameters
    ----------
    body, kind : str
        Names, kept in the model.
    cells : Cells
        From `gather`; with no measured cell the law is that of `assumed_law`.
    output_scale : ndarray of float64, shape (ISO_GRID,)
        Factor on sigma for the output size.

    Returns
    -------
    NoiseModel
        On `ISO_GRID` x `SIGNAL_GRID`.

    References
    ----------
    C. E. Rasmussen and C. K. I. Williams, Gaussian Processes for Machine Learning, ch. 2 and 2.7.
    T. Minka, UAI 2001 (expectation propagation).
    """
    base, limits = find_base_iso(cells), cells.limits
    iso, own = np.maximum(cells.iso, base), cells.signal
    sd = np.hypot(cells.sd, LAW_FIT_SD)
    law = fit_physics(iso, own, cells.log_sigma, sd) if len(iso) else assumed_law(kind != "raw")
    limit_iso = np.maximum(limits.iso, base)
    at = np.concatenate([iso, limit_iso]), np.concatenate([own, limits.signal])
    noise = (
        cells.covariance
        # Doubt is half common to all cells (one compression) and half each cell's own.
        + 0.5 * np.outer(cells.coding_sd, cells.coding_sd)
        + np.diag(0.5 * cells.coding_sd**2 + 1e-6)
    )
    residual = cells.log_sigma - law.log_sigma(iso, own)
    amplitudes = _choose_amplitudes(law, iso, own, residual, noise)
    prior = _prior(law, amplitudes, at, at)
    bound = limits.log_sigma - law.log_sigma(limit_iso, limits.signal)
    target, full = _with_limits(prior, residual, noise, bound)
    grid_iso, grid_signal = np.meshgrid(np.maximum(ISO_GRID, base), SIGNAL_GRID, indexing="ij")
    grid = grid_iso, grid_signal
    gain = _prior(law, amplitudes, grid, at) @ np.linalg.inv(prior + full)
    posterior = _Posterior(law, amplitudes, grid, at, gain)
    return NoiseModel(
        body=body,
        kind=kind,
        physics=law,
        cells=cells,
        log_sigma=law.log_sigma(*grid, texture=False) + gain @ target,
        covariance=posterior.covariance(grid),
        posterior=posterior,
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
    steps = np.unique(cells.iso)
    base = 0.0
    above = steps[steps >= 100]
    if not len(above):
        return base
    reference = {cells.signal[i]: i for i in np.flatnonzero(cells.iso == above[0])}
    for step in steps[steps < 100]:
        own = [i for i in np.flatnonzero(cells.iso == step) if cells.signal[i] in reference]
        if not own:
            continue
        other = [reference[cells.signal[i]] for i in own]
        fall = float(np.median(cells.log_sigma[other] - cells.log_sigma[own]))
        doubt = np.sqrt(np.mean(np.diag(cells.covariance)[own + other]) * 2)
        expected = 0.5 * np.log(above[0] / step)
        if fall + doubt < expected and fall < expected / 2:
            base = float(above[0])
    return base


def _prior(law: Physics, amplitudes: tuple[float, float], a: _Places, b: _Places) -> Floats:
    """Covariance of log noise between places: of the law's own figures, and of departures from it."""
    by_law = (log_sigma_jacobian(law, *a) * np.square(_LAW_SD)) @ np.swapaxes(
        log_sigma_jacobian(law, *b), -1, -2
    )
    k_iso = _kernel(np.log2(a[0]), np.log2(b[0]), _LENGTH_ISO)
    k_signal = _kernel(np.log2(a[1]), np.log2(b[1]), _LENGTH_SIGNAL)
    one, two = np.square(amplitudes)
    return np.asarray(by_law + one * k_iso + two * k_signal)


def _choose_amplitudes(
    law: Physics, iso: Floats, signal: Floats, residual: Floats, noise: Floats
) -> tuple[float, float]:
    """Amplitudes of departure of greatest marginal likelihood; `_UNKNOWN_AMPLITUDES` where nothing was measured."""
    if not len(iso):
        return _UNKNOWN_AMPLITUDES
    here = (iso, signal)
    stack = np.stack([_prior(law, a, here, here) for a in _AMPLITUDES]) + noise
    root = np.linalg.cholesky(stack)
    log_det = 2 * np.log(np.diagonal(root, axis1=1, axis2=2)).sum(1)
    solved = np.linalg.solve(stack, np.broadcast_to(residual[:, None], (*stack.shape[:2], 1)))
    misfit = solved[..., 0] @ residual
    prior = -0.5 * np.square(np.divide(_AMPLITUDES, _AMPLITUDE_SD)).sum(1)
    return _AMPLITUDES[int(np.argmax(prior - 0.5 * (misfit + log_det)))]


def _with_limits(
    prior: Floats, residual: Floats, noise: Floats, bound: Floats
) -> tuple[Floats, Floats]:
    """Cells and limits as one set of observations with Gaussian errors.

    A limit says that log noise lies below `bound`. What that adds to what all others say is a normal
    distribution truncated there; it is replaced, in turn for every limit, by the Gaussian observation (site)
    that leaves the same mean and variance (expectation propagation: Minka, UAI 2001).

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
    known, count = len(residual), len(bound)
    full = np.zeros((known + count, known + count))
    full[:known, :known] = noise
    target = np.concatenate([residual, np.zeros(count)])
    site_precision, site_shift = np.full(count, _LEAST_PRECISION), np.zeros(count)
    diagonal = np.arange(known, known + count)
    for _ in range(_ROUNDS if count else 0):
        full[diagonal, diagonal] = 1 / site_precision
        target[known:] = site_shift / site_precision
        gain = np.linalg.solve(prior + full, prior).T
        mean = (gain @ target)[known:]
        variance = np.maximum(np.diag(prior - gain @ prior)[known:], 1e-8)
        # Without what the limit itself said before.
        cavity_precision = np.maximum(1 / variance - site_precision, _LEAST_PRECISION)
        cavity_mean, cavity_variance = (
            (mean / variance - site_shift) / cavity_precision,
            1 / cavity_precision,
        )
        width = np.sqrt(cavity_variance + _LIMIT_SD**2)
        z = (bound - cavity_mean) / width
        mills = inverse_mills(z)
        cut_mean = cavity_mean - cavity_variance * mills / width
        cut_variance = cavity_variance * (1 - cavity_variance / width**2 * mills * (z + mills))
        new_precision = np.maximum(
            1 / np.maximum(cut_variance, 1e-8) - cavity_precision, _LEAST_PRECISION
        )
        # Half steps: limits that say the same must not all answer at once.
        site_precision = 0.5 * site_precision + 0.5 * new_precision
        site_shift = 0.5 * site_shift + 0.5 * (
            cut_mean * (cavity_precision + new_precision) - cavity_mean * cavity_precision
        )
    full[diagonal, diagonal] = 1 / site_precision
    target[known:] = site_shift / site_precision
    return target, full
