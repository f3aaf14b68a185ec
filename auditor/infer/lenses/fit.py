"""Fit of one curve: ln MTF50 of every zone at every aperture, from frames of which many are softer.

Each figure is the lens's curve, less what the zone lacks to it (`excess`), plus noise. Maximum
likelihood by expectation and maximisation: given the curve, each figure's chance of every excess; given
these, shares and scatter in closed form and a Gauss-Newton step for the optics (`physics`), whose mild
prior keeps thin archives within what lenses are.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.infer.lenses.curve_data import CurveData
from auditor.infer.lenses.excess import COMPONENTS, Excess
from auditor.infer.lenses.physics import Optics, prior_for

__all__ = ["CurveFit", "Expectation", "Model", "State", "cell_sums", "fit_curve"]

Floats = NDArray[np.float64]
Cells = tuple[Floats, Floats, Floats, Floats]

_SCATTER: Final = 0.02
"""Scatter (ln MTF50) of sound figures beyond the error that they state."""
_SCATTER_WEIGHT: Final = 20.0
"""Figures' worth of trust in it."""
_SCATTERS: Final = (0.006, 0.15)
"""Its bounds."""
SHARE_WEIGHT: Final = np.array([6.0, 1, 1, 1, 1, 8, 4, 1, 1])
"""Figures' worth of trust in each spread of excess: what scatters no more than sound figures do is taken
for sound, or for depth that wide apertures would show, until figures say otherwise."""
SHARE_POOL: Final = 6.0
"""Figures' worth of trust in the share of frames on the curve being an aperture's as it is the lens's:
dusk leaves few at small apertures, depth at wide ones."""
_OUTLIERS: Final = 0.015
"""Share of figures that are off by anything."""
_OUTLIER_DENSITY: Final = 0.5
"""Their density over ln MTF50: two units wide."""
_SMEAR: Final = 0.35
"""A point of excess stands for this much of the way to the next."""
_FARTHEST_APART: Final = 0.4
"""Of a way (ln MTF50) no longer than this: the last points lie far apart."""
_ORDER: Final = 0.02
"""Standard deviation (ln MTF50) by which a zone may be softer than the next one out: no lens is sharper
at the edge than on its axis (common practice, no source)."""
_STARTS: Final = ((0.6, 0.75), (0.05, 0.95))
"""Share of frames on the curve, and the quantile of each cell at which the curve starts: a lens with
many sound frames, or one that hardly a frame does justice."""
_ITERATIONS: Final = 60
"""Steps of a fit at most."""
_TOLERANCE: Final = 3e-4
"""Change of the curve (ln MTF50) below which a fit has settled; a hundredth of what is printed."""
_FIRST_STEPS: Final = 8
"""Steps of the start, and of a fit before it may settle."""
_LONGEST_STEP: Final = 0.5
"""Longest step of any parameter of optics (logarithms)."""
_START_SD: Final = 0.05
"""Error (ln MTF50) of the quantile of a cell through which the start goes."""
_FARTHEST: Final = 4.0
"""Standard deviations of the prior past which no parameter strays while a fit seeks its way."""
_OVER_NODES: Final = "nzm,nzm->nz"
"""Sum of products over the points of excess."""
_CLEAR: Final = 0.10
"""A zone is sound where its excess costs less than this (ln MTF50)."""
_CLEARLY: Final = np.exp(-2 * _CLEAR)
"""The same as a share of 1 / MTF50^2 that is the lens's own."""
_NO_BLUR: Final = (-4.0, -4.0, 0.0)
"""Parameters of a zone (ln floor, ln wide, ln power) of a lens without any blur to speak of: 0.02 px."""
_PIECE: Final = 128
"""Frames looked at at once: their arrays stay in a processor's cache."""


@dataclass(frozen=True, slots=True)
class State:
    """Parameters: optics (P,), share of figures on the curve at each aperture (K,), shares of the
    spreads of excess among the others (COMPONENTS - 1,), scatter (Z,)."""

    theta: Floats
    share: Floats
    spread: Floats
    scatter: Floats

    @property
    def shares(self) -> Floats:
        """K x COMPONENTS: on the curve, and of each spread."""
        return np.column_stack([self.share, np.outer(1 - self.share, self.spread)])


@dataclass(frozen=True, slots=True)
class Expectation:
    """All figures given a state; n x Z unless told otherwise.

    Attributes:
        curve: Z x K, ln MTF50 of the state.
        gradient, curvature: of the log likelihood by the curve (complete-data information).
        component: n x Z x COMPONENTS, chance of each spread.
        scatter: derivative by ln scatter^2; scatter_moment: n x Z x 2, the moment that estimates it.
        inlier: chance that next to nothing is lacking.
        log_density: ln of the likelihood, 0 where a zone was not measured.
    """

    curve: Floats
    gradient: Floats
    curvature: Floats
    component: Floats
    scatter: Floats
    scatter_moment: Floats
    inlier: Floats
    log_density: Floats


@dataclass(frozen=True, slots=True)
class CurveFit:
    """A fitted curve. Z zones, K apertures."""

    data: CurveData
    model: Model
    state: State
    expectation: Expectation

    @property
    def curve(self) -> Floats:
        """Z x K, ln MTF50."""
        return self.expectation.curve

    @property
    def inlier(self) -> Floats:
        """n, chance that the frame's sharpest zone is as sharp as the lens."""
        return np.asarray(self.expectation.inlier.max(1))


def cell_sums(data: CurveData, values: Floats) -> Floats:
    """Sum of n x Z x .. values over the frames of each aperture: Z x K x .."""
    k = len(data.f_numbers)
    columns = values.reshape(len(values), -1).T
    sums = np.array([np.bincount(data.aperture, column, k) for column in columns], float)
    return np.moveaxis(sums.reshape(*values.shape[1:], k), -1, 1)


class Model:
    """The likelihood of one curve's frames."""

    def __init__(self, data: CurveData) -> None:
        self.data = data
        self.known = ~np.isnan(data.log_mtf50)
        self.value = np.where(self.known, data.log_mtf50, 0.0)
        self.optics = Optics(data.f_numbers, data.pitch_um, data.f_numbers)
        self.excess = Excess.at(data.f_numbers)
        # Where each spread's points begin.
        self.starts = np.flatnonzero(np.diff(self.excess.component, prepend=-1))
        self.prior = prior_for(data.source, data.log_mtf50.shape[1], len(data.f_numbers))
        typical = float(np.median(data.stderr)) ** 2 + _SCATTER**2
        self.trust = _SCATTER_WEIGHT / typical**2

    def expectation(self, state: State, beside: float = 0.0) -> Expectation:
        """Expectation step; of a curve that lies `beside` (ln MTF50) the state's everywhere, if given."""
        curve = self.optics.curves(state.theta) + beside
        cells = self._cells(curve, state)
        pieces = [
            self._figures(state, cells, slice(first, first + _PIECE))
            for first in range(0, len(self.value), _PIECE)
        ]
        return Expectation(
            curve, *(p[0] if len(p) == 1 else np.concatenate(p) for p in zip(*pieces, strict=True))
        )

    def _cells(self, curve: Floats, state: State) -> Cells:
        """What is the same for all figures of a zone at an aperture, K x Z x M over the points of excess:
        expected ln MTF50, its slope by the curve, squared smear, and K x M weights."""
        lens = np.exp(-2 * curve)[:, :, None]
        total = lens + self.excess.nodes  # Z x K x M
        mean, share = -0.5 * np.log(total), lens / total
        apart = np.zeros_like(mean)
        apart[:, :, :-1] = np.abs(mean[:, :, 1:] - mean[:, :, :-1])
        smear = np.where(self.excess.nodes > 0, _SMEAR * np.minimum(apart, _FARTHEST_APART), 0.0)
        weight = self.excess.weights(state.shares) * ((1 - _OUTLIERS) / np.sqrt(2 * np.pi))
        mean, share, smear = (np.swapaxes(part, 0, 1) for part in (mean, share, smear))
        return mean, share, smear**2, weight

    def _figures(self, state: State, cells: Cells, rows: slice) -> tuple[Floats, ...]:
        """The fields of an `Expectation` but its first, for some of the frames."""
        chance, density, off, share, precision = self._points(state, cells, rows)
        per = chance * precision
        square = per * precision
        around = np.einsum(_OVER_NODES, square * off, off)
        total, bottom, scatter2 = per.sum(2), square.sum(2), state.scatter**2
        # Of each point's variance, one over its precision, what lies beyond scatter is the figure's own.
        moment = np.stack([around - (total - scatter2 * bottom), bottom], axis=2)
        pull = per * share
        return (
            np.einsum(_OVER_NODES, pull, off),
            np.einsum(_OVER_NODES, pull, share),
            np.add.reduceat(chance, self.starts, axis=2),
            0.5 * (around - total) * scatter2,
            moment,
            (chance * (share > _CLEARLY)).sum(2),
            np.log(np.where(self.known[rows], density, 1.0)),
        )

    def _points(self, state: State, cells: Cells, rows: slice) -> tuple[Floats, ...]:
        """Of some of the frames, n x Z x M: each point's chance, the figure's density (n x Z), how far off
        the point it lies, the point's slope by the curve, and one over its variance."""
        at = self.data.aperture[rows]
        mean, share, smear, weight = (part[at] for part in cells)
        off = self.value[rows, :, None] - mean
        own = self.data.stderr[rows] ** 2 + state.scatter**2
        precision = 1 / (own[:, :, None] + smear)
        chance = off * off
        chance *= precision
        chance *= -0.5
        np.exp(chance, out=chance)
        chance *= weight[:, None]
        chance *= np.sqrt(precision)
        density = chance.sum(2) + _OUTLIERS * _OUTLIER_DENSITY
        chance *= np.where(self.known[rows], 1 / density, 0.0)[:, :, None]
        return chance, density, off, share, precision

    def log_density(self, state: State, beside: float) -> Floats:
        """n x Z, ln likelihood of each figure, 0 where a zone was not measured, of a curve that lies
        `beside` (ln MTF50) the state's everywhere."""
        cells = self._cells(self.optics.curves(state.theta) + beside, state)
        pieces = [
            self._points(state, cells, slice(first, first + _PIECE))[1]
            for first in range(0, len(self.value), _PIECE)
        ]
        return np.asarray(np.log(np.where(self.known, np.concatenate(pieces), 1.0)))

    def perfect(self, finishing: Floats) -> Floats:
        """Z x K, ln MTF50 of a lens without blur to speak of, whose pictures were finished by these
        parameters (1 + K, the last of a state's theta)."""
        zones = self.value.shape[1]
        return self.optics.curves(np.append(np.tile(_NO_BLUR, zones), finishing))

    def by_spread(self, state: State) -> tuple[Floats, Floats]:
        """n x Z x COMPONENTS: what each spread adds to an expectation's `gradient` and `scatter`."""
        cells = self._cells(self.optics.curves(state.theta), state)
        chance, _, off, share, precision = self._points(state, cells, slice(None))
        per = chance * precision
        gradient = np.add.reduceat(per * off * share, self.starts, axis=2)
        wide = per * (off**2 * precision - 1)
        scatter = 0.5 * np.add.reduceat(wide, self.starts, axis=2)
        return gradient, scatter * (state.scatter**2)[:, None]

    def step(self, state: State, expectation: Expectation) -> State:
        """Maximisation step."""
        share, spread = self._shares(expectation)
        top, bottom = expectation.scatter_moment.sum(0).T
        scatter = (top + self.trust * _SCATTER**2) / (bottom + self.trust)
        jacobian = self.optics.jacobian(state.theta)
        slopes = jacobian.reshape(-1, jacobian.shape[2])
        pull, weight = (
            cell_sums(self.data, expectation.gradient),
            cell_sums(self.data, expectation.curvature),
        )
        gradient = pull.ravel() @ slopes
        gradient -= (state.theta - self.prior[0]) / self.prior[1] ** 2
        information = slopes.T @ (weight.reshape(-1, 1) * slopes)
        information += np.diag(1 / self.prior[1] ** 2)
        rise, slope = self._disorder(expectation.curve, jacobian)
        gradient -= slope.T @ rise / _ORDER**2
        information += slope.T @ slope / _ORDER**2
        step = np.linalg.solve(information, gradient)
        step *= min(1.0, _LONGEST_STEP / max(float(np.abs(step).max()), 1e-9))
        mean, spread_of_prior = self.prior
        reach = _FARTHEST * spread_of_prior
        return State(
            np.clip(state.theta + step, mean - reach, mean + reach),
            share,
            spread,
            np.clip(np.sqrt(np.maximum(scatter, 0)), *_SCATTERS),
        )

    def _disorder(self, curve: Floats, jacobian: Floats) -> tuple[Floats, Floats]:
        """By how much ((Z - 1) K) zones are sharper than those within, and its derivatives (.., P)."""
        rise = np.diff(curve, axis=0)
        slope = np.where((rise > 0)[:, :, None], np.diff(jacobian, axis=0), 0.0)
        return np.maximum(rise, 0).ravel(), slope.reshape(-1, jacobian.shape[2])

    def order_information(self, curve: Floats, jacobian: Floats) -> Floats:
        """P x P, what the order of zones says of the optics where it binds."""
        slope = self._disorder(curve, jacobian)[1]
        return np.asarray(slope.T @ slope / _ORDER**2)

    def _shares(self, expectation: Expectation) -> tuple[Floats, Floats]:
        """Shares of a state."""
        kinds = expectation.component.sum((0, 1)) + SHARE_WEIGHT
        own = cell_sums(self.data, expectation.component[:, :, 0]).sum(0)
        count = cell_sums(self.data, expectation.component.sum(2)).sum(0)
        share = (own + SHARE_POOL * kinds[0] / kinds.sum()) / (count + SHARE_POOL)
        return share, kinds[1:] / kinds[1:].sum()

    def objective(self, state: State, expectation: Expectation) -> float:
        """Penalised log likelihood."""
        strain = float((((state.theta - self.prior[0]) / self.prior[1]) ** 2).sum())
        rise = np.maximum(np.diff(expectation.curve, axis=0), 0)
        strain += float((rise**2).sum()) / _ORDER**2
        kinds = expectation.component.sum((0, 1)) + SHARE_WEIGHT
        usual = float(kinds[0] / kinds.sum())
        pooled = float((usual * np.log(state.share) + (1 - usual) * np.log1p(-state.share)).sum())
        known = float(SHARE_WEIGHT[1:] @ np.log(state.spread))
        known += SHARE_WEIGHT[0] * np.log(usual) + SHARE_WEIGHT[1:].sum() * np.log1p(-usual)
        return float(expectation.log_density.sum()) - 0.5 * strain + known + SHARE_POOL * pooled


def fit_curve(data: CurveData) -> CurveFit:
    """The curve of greatest penalised likelihood, from two starts.

    Of one frame it is drawn through what that frame shows: nothing tells a soft frame from a soft lens.
    """
    model = Model(data)
    if len(data.row) == 1:
        state = _start(model, *_STARTS[0])
        return CurveFit(data, model, state, model.expectation(state))
    fits = [_climb(model, _start(model, *start)) for start in _STARTS]
    state, expectation = max(fits, key=lambda f: model.objective(*f))
    return CurveFit(data, model, state, expectation)


def _start(model: Model, inlier: float, quantile: float) -> State:
    """Optics through an upper quantile of every cell."""
    data = model.data
    zones, k = data.log_mtf50.shape[1], len(data.f_numbers)
    aim = np.full((zones, k), np.nan)
    for j in range(k):
        here = data.log_mtf50[data.aperture == j]
        for z in range(zones):
            values = here[~np.isnan(here[:, z]), z]
            if len(values):
                aim[z, j] = np.quantile(values, quantile)
    theta = model.prior[0].copy()
    weight = np.where(np.isnan(aim), 0.0, 1 / _START_SD**2)
    for _ in range(_FIRST_STEPS):
        jacobian = model.optics.jacobian(theta)
        gap = weight * np.nan_to_num(aim - model.optics.curves(theta))
        gradient = np.einsum("zk,zkp->p", gap, jacobian)
        gradient -= (theta - model.prior[0]) / model.prior[1] ** 2
        information = np.einsum("zk,zkp,zkq->pq", weight, jacobian, jacobian)
        information += np.diag(1 / model.prior[1] ** 2)
        step = np.linalg.solve(information, gradient)
        theta = theta + step * min(1.0, _LONGEST_STEP / max(float(np.abs(step).max()), 1e-9))
    spread = np.full(COMPONENTS - 1, 1 / (COMPONENTS - 1))
    return State(theta, np.full(k, inlier), spread, np.full(zones, _SCATTER))


def _climb(model: Model, state: State) -> tuple[State, Expectation]:
    """The best state on the way: where zones' order binds, steps may overshoot."""
    expectation = model.expectation(state)
    best = model.objective(state, expectation), state, expectation
    before = expectation.curve
    for i in range(_ITERATIONS):
        state = model.step(state, expectation)
        expectation = model.expectation(state)
        reached = model.objective(state, expectation)
        if reached > best[0]:
            best = reached, state, expectation
        if i > _FIRST_STEPS and np.abs(expectation.curve - before).max() < _TOLERANCE:
            break
        before = expectation.curve
    return best[1:]
