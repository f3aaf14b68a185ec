"""A body's noise at any ISO and signal: the physics, plus smooth departures where data ask for them.

Cameras develop their files: noise reduction grows with ISO, tone curves stretch the shadows. Such
departures from the physics are a Gaussian process over log2 ISO and log2 signal (Rasmussen &
Williams, Gaussian Processes for Machine Learning, ch. 2), its size found by marginal likelihood.
Where frames are many the process follows them; where they are few the physics speaks.
Draws from the posterior (Matheron's rule) carry the uncertainty into everything computed from it.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from auditor.exposure import ISOS
from auditor.infer.bodies.cells import Cells
from auditor.infer.bodies.photon import (
    Physics,
    fit_development,
    fit_physics,
    fit_physics_with_step,
)
from auditor.record import SIGNAL_BIN_EDGES, TONE_SIGNALS

__all__ = ["DRAWS", "ISO_GRID", "SIGNAL_GRID", "NoiseModel", "fit_noise"]

Floats = NDArray[np.float64]

DRAWS: Final = 200

ISO_GRID: Final = tuple(i for i in ISOS if i >= 12)
"""Third stops at which a model can be asked."""

_BIN_CENTRES: Final = tuple(2 ** ((a + b) / 2) for a, b in itertools.pairwise(SIGNAL_BIN_EDGES))
SIGNAL_GRID: Final = (*_BIN_CENTRES, *TONE_SIGNALS)
"""Signals at which a model can be asked: centres of the stored histogram's bins, then the tones."""

ESTIMATOR_SD: Final = 0.035
"""What the noise measurement itself may be off by in common, in log noise, for one kind of file:
on frames rendered with known noise it read up to some five per cent high or low in common."""

_STOPS_ISO: Final = 3.0
_STOPS_SIGNAL: Final = 2.0
# Sizes of departure tried, in log noise: by ISO alone, by signal alone, by both.
_SIZES: Final = tuple(
    itertools.product((0.015, 0.05, 0.15, 0.4), (0.015, 0.05, 0.15, 0.3), (0.008, 0.03, 0.1))
)


def _kernel(a: Floats, b: Floats, length: float) -> Floats:
    """Exponential (Matern 1/2) covariance: continuous, steps are not smoothed away."""
    return np.exp(-np.abs(a[:, None] - b[None, :]) / length)


@dataclass(frozen=True)
class NoiseModel:
    """Noise of one body in one kind of file.

    `log_sigma` (ISO_GRID x SIGNAL_GRID): best estimate of log noise in linear light.
    `draws` (DRAWS x ISO_GRID x SIGNAL_GRID): equally likely values of the same.
    """

    body: str
    kind: str
    physics: Physics
    cells: Cells
    log_sigma: Floats
    draws: Floats
    output_scale: Floats
    """Factor on sigma for the output size, per entry of ISO_GRID."""
    departure_sizes: tuple[float, float, float]
    t_factor: float = 1.0
    """Student's t over the normal quantile: few frames know their own scatter badly."""
    isos: tuple[int, ...] = field(default=())
    """Steps in use."""
    base_iso: float = 0.0
    """ISO values below this one are no cleaner than it: the sensor holds no more electrons there."""

    def interval(self, values: Floats, best: Floats, share: float) -> tuple[Floats, Floats]:
        """Bounds about `best` (log or linear) from draws of it along axis 0."""
        tail = (1 - share) / 2
        low, high = np.quantile(values, [tail, 1 - tail], axis=0)
        middle = np.median(values, axis=0)
        return best + (low - middle) * self.t_factor, best + (high - middle) * self.t_factor


def fit_noise(
    body: str, kind: str, cells: Cells, output_scale: Floats, seed: int = 0
) -> NoiseModel:
    """Fit physics and departures to a body's cells.

    Args:
        cells: from `gather`.
        output_scale: factor on sigma for the output size, per entry of ISO_GRID.
        seed: the same seed gives the same draws; what the estimator may be off by is shared by all
            bodies of one kind of file, so that it cancels between them.
    """
    base = find_base(cells)
    iso, grid_iso = np.maximum(cells.iso, base), np.maximum(np.array(ISO_GRID, float), base)
    x_iso, x_signal = np.log2(grid_iso), np.log2(np.array(SIGNAL_GRID))
    c_iso, c_signal = np.log2(iso), np.log2(cells.signal)
    # Doubt is half common to all cells (one compression) and half each cell's own.
    noise = (
        cells.covariance
        + 0.5 * np.outer(cells.doubt, cells.doubt)
        + np.diag(0.5 * cells.doubt**2 + 1e-6)
    )
    sd = np.hypot(cells.sd, 0.02)
    developed = kind != "raw"
    law, _ = fit_physics_with_step(iso, cells.signal, cells.log_sigma, sd, developed)
    residual = cells.log_sigma - law.log_sigma(iso, cells.signal)
    sizes, factor = _choose(c_iso, c_signal, residual, noise)

    k_iso = _kernel(x_iso, c_iso, _STOPS_ISO)
    k_signal = _kernel(x_signal, c_signal, _STOPS_SIGNAL)
    # grid ISO x grid signal x cells
    across = (
        sizes[0] ** 2 * k_iso[:, None, :]
        + sizes[1] ** 2 * k_signal[None, :, :]
        + sizes[2] ** 2 * k_iso[:, None, :] * k_signal[None, :, :]
    )
    grid_i, grid_s = np.meshgrid(grid_iso, np.array(SIGNAL_GRID), indexing="ij")
    best = law.log_sigma(grid_i, grid_s, texture=False) + across @ cho_solve(factor, residual)

    rng = np.random.default_rng([seed, *body.encode(), *kind.encode()])
    shared = np.random.default_rng([seed, *kind.encode()]).normal(0, ESTIMATOR_SD, DRAWS)
    f_grid, f_cells = _prior_draws(rng, x_iso, x_signal, c_iso, c_signal, sizes)
    root = np.linalg.cholesky(cells.covariance + 1e-9 * np.eye(len(residual)))
    draws = np.empty((DRAWS, *best.shape))
    for d in range(DRAWS):
        sampled = root @ rng.standard_normal(len(residual))
        doubt = (
            cells.doubt
            * np.sqrt(0.5)
            * (rng.standard_normal() + rng.standard_normal(len(residual)))
        )
        y = cells.log_sigma + sampled
        if developed:
            law_d, _ = fit_development(
                iso, cells.signal, y, sd, law.step_iso, rounds=3, start=law.per_stop
            )
        else:
            law_d, _ = fit_physics(iso, cells.signal, y, sd, law.step_iso, rounds=3)
        rest = y - law_d.log_sigma(iso, cells.signal) - f_cells[d] - doubt
        draws[d] = (
            law_d.log_sigma(grid_i, grid_s, texture=False)
            + f_grid[d]
            + across @ cho_solve(factor, rest)
        )
    draws += shared[:, None, None]
    return NoiseModel(
        body=body,
        kind=kind,
        physics=law,
        cells=cells,
        log_sigma=best,
        draws=draws,
        output_scale=output_scale,
        departure_sizes=sizes,
        isos=tuple(int(i) for i in np.unique(cells.iso)),
        base_iso=base,
    )


def find_base(cells: Cells) -> float:
    """Lowest ISO that is cleaner than the ones above it; 0 where every used one is.

    Only values under 100 are doubted (extended ISO). Photon noise would fall with the root of ISO;
    less than half of that, over the signals that both hold, is no fall.
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


def _choose(
    c_iso: Floats, c_signal: Floats, residual: Floats, noise: Floats
) -> tuple[tuple[float, float, float], tuple[Floats, bool]]:
    """Sizes of departure of greatest marginal likelihood, and the factored covariance of cells."""
    k_iso = _kernel(c_iso, c_iso, _STOPS_ISO)
    k_signal = _kernel(c_signal, c_signal, _STOPS_SIGNAL)
    best: tuple[float, float, float] = _SIZES[0]
    most, kept = -np.inf, None
    for a, b, c in _SIZES:
        full = a * a * k_iso + b * b * k_signal + c * c * k_iso * k_signal + noise
        factor = cho_factor(full, lower=True)
        log_det = 2 * np.sum(np.log(np.diag(factor[0])))
        # Small departures are likelier before any frame was seen: half-normal priors.
        prior = -0.5 * ((a / 0.2) ** 2 + (b / 0.15) ** 2 + (c / 0.08) ** 2)
        score = -0.5 * (residual @ cho_solve(factor, residual) + log_det) + prior
        if score > most:
            best, most, kept = (a, b, c), score, factor
    assert kept is not None
    return best, kept


def _prior_draws(
    rng: np.random.Generator,
    x_iso: Floats,
    x_signal: Floats,
    c_iso: Floats,
    c_signal: Floats,
    sizes: tuple[float, float, float],
) -> tuple[Floats, Floats]:
    """Draws of the departures on the grid and, the same draws, at the cells."""
    iso_all, iso_back = np.unique(np.concatenate([x_iso, c_iso]), return_inverse=True)
    sig_all, sig_back = np.unique(np.concatenate([x_signal, c_signal]), return_inverse=True)
    root_i = np.linalg.cholesky(_kernel(iso_all, iso_all, _STOPS_ISO) + 1e-9 * np.eye(len(iso_all)))
    root_s = np.linalg.cholesky(
        _kernel(sig_all, sig_all, _STOPS_SIGNAL) + 1e-9 * np.eye(len(sig_all))
    )
    by_iso = rng.standard_normal((DRAWS, len(iso_all))) @ root_i.T * sizes[0]
    by_signal = rng.standard_normal((DRAWS, len(sig_all))) @ root_s.T * sizes[1]
    both = rng.standard_normal((DRAWS, len(iso_all), len(sig_all)))
    both = np.einsum("ij,djk,lk->dil", root_i, both, root_s, optimize=True) * sizes[2]
    total = by_iso[:, :, None] + by_signal[:, None, :] + both
    gi, ci = iso_back[: len(x_iso)], iso_back[len(x_iso) :]
    gs, cs = sig_back[: len(x_signal)], sig_back[len(x_signal) :]
    return total[:, gi][:, :, gs], total[:, ci, cs]
