"""Fit of one curve: log MTF50 of every zone at every aperture, from frames of which many failed.

Penalised likelihood. The data term is the mixture of `mixture`; the penalty ties the curve to the
optics of `physics` with a small allowance at each aperture, so that apertures with many frames
speak for themselves and thin ones lean on the others. Solved by expectation and maximisation, with
Gauss-Newton steps for curve and optics together.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.infer.lenses.mixture import (
    CurveData,
    Expectation,
    MixtureState,
    expectation,
    expected_scatter,
    update_mixture,
)
from auditor.infer.lenses.physics import PARAMETERS, Optics, prior_for
from auditor.infer.lenses.scene_effects import (
    SceneEffects,
    absorbed_information,
    no_effects,
    update_effects,
)

__all__ = ["ALLOWANCE", "CurveFit", "cell_sums", "fit_curve", "look_at"]

Floats = NDArray[np.float64]

ALLOWANCE: Final = 0.02
"""Standard deviation (log) by which a lens may leave the closed form at one aperture."""
_STARTS: Final = (0.7, 0.85, 0.97)
_STEADY_START: Final = 0.85
_SLOW_STOPS: Final = 1.0
"""Against 1 / focal length; slower frames stood on something or were shaken more often than not
(common practice, no source)."""
_STEADY_FRAMES: Final = 8
_UNDECIDED: Final = 6.0
"""Difference in log likelihood up to which the steady frames decide: between a sharper lens with
shaken frames and a softer one with sound frames the figures alone do not, and shutter times do."""
_TRIAL_ITERATIONS: Final = 12
_ITERATIONS: Final = 60
_TRIAL_FRAMES: Final = 30
_TOLERANCE: Final = 3e-4


@dataclass(frozen=True, slots=True)
class CurveFit:
    """A fitted curve. Z zones, K apertures, P = 3 Z + 1 parameters of optics."""

    data: CurveData
    curve: Floats
    """Z x K, log MTF50."""
    theta: Floats
    """P: three for each zone, then the log gain."""
    state: MixtureState
    look: Expectation
    effects: SceneEffects
    optics: Optics
    prior_information: Floats
    """Information (ZK + P square) of the penalty around the solution."""

    def unknowns(self) -> Floats:
        """Curve (zone by zone) and parameters as one vector."""
        return np.concatenate([self.curve.ravel(), self.theta])


def cell_sums(data: CurveData, values: Floats) -> Floats:
    """Sum of n x Z values over the frames of each aperture: Z x K."""
    k = len(data.f_numbers)
    columns = [np.bincount(data.aperture, values[:, z], k) for z in range(values.shape[1])]
    return np.stack(columns)


def look_at(
    data: CurveData, curve: Floats, state: MixtureState, effects: SceneEffects
) -> Expectation:
    """Expectation given curve, mixture and scene effects."""
    return expectation(data, curve, state, effects.offset, effects.extra_variance())


def data_information(data: CurveData, curvature: Floats, effects: SceneEffects) -> Floats:
    """Complete-data information about the curve (ZK square), scene effects unknown."""
    full = np.diag(cell_sums(data, curvature).ravel())
    return np.asarray(full - absorbed_information(data, curvature, effects))


def _start(data: CurveData, quantile: float) -> Floats:
    """Upper quantile of each cell's figures, Z x K, NaN where there is none."""
    zones, k = data.log_mtf50.shape[1], len(data.f_numbers)
    out = np.full((zones, k), np.nan)
    for j in range(k):
        rows = data.log_mtf50[data.aperture == j]
        for z in range(zones):
            values = rows[~np.isnan(rows[:, z]), z]
            if len(values):
                out[z, j] = np.quantile(values, quantile)
    return out


def _penalty(
    optics: Optics, theta: Floats, prior: tuple[Floats, Floats], zones: int
) -> tuple[Floats, Floats, Floats]:
    """Closed form (Z x K), information of the penalty and of the prior's pull on theta."""
    k = len(optics.f_numbers)
    size = zones * k + len(theta)
    rows = np.zeros((zones * k, size))
    closed = np.empty((zones, k))
    for z in range(zones):
        part = theta[z * PARAMETERS : (z + 1) * PARAMETERS]
        closed[z] = optics.log_mtf50(part) + theta[-1]
        block = slice(z * k, (z + 1) * k)
        rows[block, block] = np.eye(k)
        first = zones * k + z * PARAMETERS
        rows[block, first : first + PARAMETERS] = -optics.jacobian(part)
        rows[block, -1] = -1.0
    information = rows.T @ rows / ALLOWANCE**2
    information[np.arange(zones * k, size), np.arange(zones * k, size)] += 1 / prior[1] ** 2
    return closed, rows, information


def _maximise(
    optics: Optics, curve: Floats, theta: Floats, gradient: Floats, data_information: Floats,
    prior: tuple[Floats, Floats], steps: int = 2,
) -> tuple[Floats, Floats, Floats]:  # fmt: skip
    """M step for curve and optics: the data term is a parabola around the given curve.

    `gradient` is Z x K, `data_information` ZK square.
    """
    zones, k = curve.shape
    anchor = curve.ravel()
    curve, theta = curve.copy(), theta.copy()
    information = np.eye(1)
    for _ in range(steps):
        closed, rows, information = _penalty(optics, theta, prior, zones)
        gap = (curve - closed).ravel()
        pull = -rows.T @ gap / ALLOWANCE**2
        pull[zones * k :] -= (theta - prior[0]) / prior[1] ** 2
        pull[: zones * k] += gradient.ravel() - data_information @ (curve.ravel() - anchor)
        full = information.copy()
        full[: zones * k, : zones * k] += data_information
        step = np.linalg.solve(full, pull)
        size = np.abs(step[zones * k :]).max()
        step *= min(1.0, 0.7 / max(size, 1e-12))
        curve = curve + step[: zones * k].reshape(zones, k)
        theta = theta + step[zones * k :]
    return curve, theta, information


@dataclass(slots=True)
class _Stage:
    """Where a fit stands between two iterations."""

    curve: Floats
    theta: Floats
    information: Floats
    state: MixtureState
    look: Expectation
    effects: SceneEffects
    objective: float = -np.inf


def fit_curve(data: CurveData) -> CurveFit:
    """Fit the curve of one lens, body, converter, focal range and kind of file.

    Needs at least one figure; apertures and zones without any get the optics' guess, and it is
    for the caller not to report those. Where sound frames are few the likelihood has several
    maxima: the fit starts from three upper quantiles, and from the frames that cannot be shaken, and
    keeps the best.
    """
    zones = data.log_mtf50.shape[1]
    optics = Optics(
        tuple(float(f) for f in data.f_numbers), data.pitch_um, float(data.f_numbers[0])
    )
    prior = prior_for(data.source, zones)
    trial = _thinned(data)
    stages = []
    for quantile in _STARTS:
        stage = _first_stage(trial, optics, prior, quantile)
        stages.append(_iterate(trial, optics, prior, stage, _TRIAL_ITERATIONS))
    best = max(stages, key=lambda s: s.objective)
    steady = _from_steady_frames(trial, optics, prior)
    if steady is not None and steady.objective > best.objective - _UNDECIDED:
        best = steady
    if trial is not data:
        best.effects = no_effects(data)
        best.look = look_at(data, best.curve, best.state, best.effects)
    best = _iterate(data, optics, prior, best, _ITERATIONS)
    return CurveFit(
        data, best.curve, best.theta, best.state, best.look, best.effects, optics, best.information
    )


def _from_steady_frames(
    data: CurveData, optics: Optics, prior: tuple[Floats, Floats]
) -> _Stage | None:
    """A stage that starts from the frames whose shutter was fast enough to hold still.

    Where small apertures were used in bad light only, their least shaken frames agree well enough
    to be taken for sound ones of a softer lens. Optics carries the curve of the steady frames to
    those apertures; the slow frames are then judged from there. None where shutter times tell
    nothing apart.
    """
    with np.errstate(invalid="ignore"):
        slow = data.shake_stops > _SLOW_STOPS
    seen = ~slow & ~np.isnan(data.log_mtf50).all(axis=1)
    if not slow.any() or seen.sum() < _STEADY_FRAMES or len(np.unique(data.aperture[seen])) < 2:
        return None
    alone = replace(data, log_mtf50=np.where(slow[:, None], np.nan, data.log_mtf50))
    stage = _first_stage(alone, optics, prior, _STEADY_START)
    stage = _iterate(alone, optics, prior, stage, _TRIAL_ITERATIONS)
    stage.effects = no_effects(data)
    stage.look = look_at(data, stage.curve, stage.state, stage.effects)
    return _iterate(data, optics, prior, stage, _TRIAL_ITERATIONS)


def _thinned(data: CurveData) -> CurveData:
    """At most `_TRIAL_FRAMES` frames of each aperture, enough to find the right maximum."""
    order = np.argsort(data.aperture, kind="stable")
    counts = np.bincount(data.aperture)
    if counts.max() <= _TRIAL_FRAMES:
        return data
    start = np.concatenate([[0], np.cumsum(counts)[:-1]])
    rank = np.arange(len(order)) - start[data.aperture[order]]
    # Every so-maniest frame, so that all outings stay in.
    stride = np.ceil(counts / _TRIAL_FRAMES).astype(int)[data.aperture[order]]
    keep = np.sort(order[rank % stride == 0])
    per_frame = {
        f.name: getattr(data, f.name)[keep]
        for f in fields(data)
        if f.name not in ("f_numbers", "pitch_um", "source", "typical")
    }
    return replace(data, **per_frame)


def _first_stage(
    data: CurveData, optics: Optics, prior: tuple[Floats, Floats], quantile: float
) -> _Stage:
    """The optics alone through an upper quantile of every cell."""
    zones = data.log_mtf50.shape[1]
    start = _start(data, quantile)
    certainty = np.where(np.isnan(start), 0.0, 1 / 0.05**2)
    theta = prior[0].copy()
    curve, _, information = _penalty(optics, theta, prior, zones)
    for _ in range(8):
        gradient = certainty * np.nan_to_num(start - curve)
        curve, theta, information = _maximise(
            optics, curve, theta, gradient, np.diag(certainty.ravel()), prior, 1
        )
    state = MixtureState(scatter=expected_scatter(data), soft_zone=np.full(zones, 0.08))
    effects = no_effects(data)
    return _Stage(curve, theta, information, state, look_at(data, curve, state, effects), effects)


def _iterate(
    data: CurveData, optics: Optics, prior: tuple[Floats, Floats], stage: _Stage, limit: int
) -> _Stage:
    curve, theta, information = stage.curve, stage.theta, stage.information
    state, look, effects = stage.state, stage.look, stage.effects
    for i in range(limit):
        before = curve
        effects, gradient = update_effects(look, effects)
        curve, theta, information = _maximise(
            optics, curve, theta, cell_sums(data, gradient),
            data_information(data, look.curvature, effects), prior,
        )  # fmt: skip
        state = update_mixture(data, look, state)
        look = look_at(data, curve, state, effects)
        if i > 4 and np.abs(curve - before).max() < _TOLERANCE:
            break
    closed, _, _ = _penalty(optics, theta, prior, curve.shape[0])
    strain = ((curve - closed) ** 2).sum() / ALLOWANCE**2
    strain += (((theta - prior[0]) / prior[1]) ** 2).sum()
    objective = look.log_likelihood - 0.5 * float(strain)
    return _Stage(curve, theta, information, state, look, effects, objective)
