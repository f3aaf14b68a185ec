"""Intervals of a fitted curve.

Frames of one scene, burst or outing share light, wind, objects and focus habits: they are not
independent. Their scores are summed by outing (by scene, where outings are few), and the spread of
these sums gives the covariance of the parameters (the cluster-robust sandwich: Liang & Zeger, Biometrika
73, 1986), widened like Student's t where clusters are few. Added is what more frames would not take
away, as large as the archive shows it to be: what objects are soft themselves, what figures that differ
may have in common, what the camera's sharpening does beyond the textbook's; and how far the lens may
lie beyond the sharpest of frames that all lack something, which counts for much where frames are few
(`beyond_frames`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, reduce
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri, stdtrit

from auditor.infer.lenses.beyond_frames import Beyond
from auditor.infer.lenses.curve_data import CurveData, cell_sums
from auditor.infer.lenses.excess import COMPONENTS, Excess
from auditor.infer.lenses.fit import CurveFit
from auditor.infer.lenses.likelihood import (
    SCATTER_WEIGHT,
    SHARE_POOL,
    SHARE_WEIGHT,
    Expectation,
    Model,
    State,
)
from auditor.infer.lenses.physics import Optics
from auditor.infer.lenses.shared_errors import (
    HALF_NORMAL_MEDIAN,
    SharedErrors,
    normal_deviates,
    shared_errors,
)

__all__ = ["Draws"]

Floats = NDArray[np.float64]

_STEP: Final = 0.004
"""Step (logarithms) for derivatives of the score."""
_OUTINGS: Final = 6
"""Outings from which they, not scenes, are the clusters."""
_MODEL: Final = 8.0
"""Clusters' worth of trust in the model's own covariance: few clusters know little of their spread."""
_FLOOR: Final = 1e-3
"""Least curvature of a parameter, so that the information can be inverted."""
_DRAWS: Final = 400
"""Plausible curves: their 5% ends are good to a tenth of the half width."""


@dataclass(frozen=True, slots=True)
class _Drawn:
    """What `draw` gives, B plausible curves.

    Attributes:
        theta: (B, P) steps of the parameters of optics, from which the frames' part of a curve comes.
        shared: what all frames share; its `reach` is the scale of a half-normal.
        covariance: (ZK, ZK) of the frames' part alone.
        weight: (Z,) how surely each zone's curve is known, where zones must agree.
    """

    theta: Floats
    shared: SharedErrors
    covariance: Floats
    weight: Floats


@dataclass(frozen=True)
class Draws:
    """Plausible curves around a fit's, whose central `interval` is the reported one; drawn when first
    asked for, as nobody asks where no frame speaks for the lens."""

    fit: CurveFit
    interval: float
    seed: int

    @cached_property
    def _drawn(self) -> _Drawn:
        return _draw(self.fit, self.interval, self.seed)

    @cached_property
    def _beyond(self) -> Beyond:
        return Beyond(self.fit)

    @property
    def covariance(self) -> Floats:
        """(ZK, ZK) of the frames' part alone."""
        return self._drawn.covariance

    @property
    def theta(self) -> Floats:
        """(B, P) parameters of optics."""
        return np.asarray(self.fit.state.theta + self._drawn.theta)

    @property
    def ends(self) -> list[float]:
        """Shares of the draws below the lower and the upper end of the reported interval."""
        return [0.5 - self.interval / 2, 0.5 + self.interval / 2]

    def value(self, f_numbers: Floats) -> Floats:
        """(Z, M) ln MTF50 at any apertures: where lenses lie beyond their frames, and figures above the
        light's for the camera's finishing, the middle of how far."""
        optics = self.fit.model.optics.on(f_numbers)
        value = optics.curves(self.fit.state.theta)
        value = value + HALF_NORMAL_MEDIAN * self._depth(f_numbers, value)
        value = value - self._drawn.shared.lifted
        return _outwards(value, self._drawn.weight)

    @cached_property
    def curve(self) -> Floats:
        """(B, Z, K) ln MTF50 at the apertures used."""
        return self.on(self.fit.data.f_numbers)

    @cached_property
    def figures(self) -> tuple[Floats, Floats, Floats]:
        """Figures (Z, K), c/px, at the apertures used, and the ends of their intervals."""
        return self.figures_at(self.fit.data.f_numbers, self.curve)

    def figures_at(self, f_numbers: Floats, drawn: Floats) -> tuple[Floats, Floats, Floats]:
        """Figures (Z, M), c/px, at any apertures, and their ends, of curves `drawn` there (B, Z, M; `on`)."""
        value = np.exp(self.value(f_numbers))
        low, high = np.exp(np.quantile(drawn, self.ends, axis=0))
        return value, np.minimum(low, value), np.maximum(high, value)

    @cached_property
    def from_frames(self) -> Floats:
        """The same without what more frames would not take away."""
        return np.asarray(self.fit.curve + self._moved(self.fit.model.optics))

    def _moved(self, optics: Optics) -> Floats:
        """(B, Z, M) by how much (ln MTF50) frames leave the fit's curve open: by the fit's covariance, and
        by how high it may lie over frames so few."""
        jacobian = optics.jacobian(self.fit.state.theta)
        moved = np.einsum("zkp,bp->bzk", jacobian, self._drawn.theta)
        return np.asarray(
            moved + self._beyond.quantile(self._drawn.shared.deviate, optics.f_numbers)
        )

    def on(self, f_numbers: Floats) -> Floats:
        """(B, Z, M) ln MTF50 at any apertures."""
        optics = self.fit.model.optics.on(f_numbers)
        value = optics.curves(self.fit.state.theta)
        drawn, shared = self._drawn, self._drawn.shared
        out = value + self._moved(optics)
        out += shared.level[:, None, None]
        half = ndtri((1 + ndtr(shared.deviate)) / 2)
        out += half[:, None, None] * self._depth(f_numbers, value)
        return _outwards(out, drawn.weight)

    @property
    def sharpening(self) -> tuple[float, float]:
        """Amount of the camera's sharpening and its standard error."""
        return round(self.fit.sharpening, 3), round(float(self._drawn.theta[:, -1].std()), 3)

    @property
    def frames_error(self) -> Floats:
        """(Z, K) standard error (ln MTF50) as far as frames decide it: what two lenses' errors have
        besides those that the measurement makes with both."""
        return np.asarray(self.from_frames.std(axis=0))

    def _depth(self, f_numbers: Floats, value: Floats) -> Floats:
        """(Z, M) how far the lens lies beyond frames that all lack some depth, as a scale (ln MTF50)."""
        at = np.log(f_numbers), np.log(self.fit.data.f_numbers)
        reach = np.stack([np.interp(*at, zone) for zone in self._drawn.shared.reach])
        return reach * self._lacking(f_numbers, value)

    @property
    def lacking(self) -> Floats:
        """(Z, K) what the frames nearest to the lens lack as a rule (ln MTF50)."""
        return self._lacking(self.fit.data.f_numbers, self.fit.curve)

    def _lacking(self, f_numbers: Floats, value: Floats) -> Floats:
        shares = self.fit.state.shares
        at = np.log(f_numbers), np.log(self.fit.data.f_numbers)
        shares = np.stack([[np.interp(*at, s) for s in zone.T] for zone in shares])
        shares = np.swapaxes(shares, 1, 2)
        nearest = Excess.at(f_numbers).nearest(shares)
        return np.asarray(0.5 * nearest / (np.exp(-2 * value) + nearest))


def _draw(fit: CurveFit, interval: float, seed: int) -> _Drawn:
    """`_DRAWS` curves whose central `interval` is the reported interval."""
    rng = np.random.default_rng(seed)
    jacobian = fit.model.optics.jacobian(fit.state.theta)
    inverse = np.linalg.inv(_information(fit, jacobian))
    scores = _scores(fit.model, fit.state, fit.expectation, jacobian)
    outings, scenes = (
        np.unique(c, return_inverse=True)[1] for c in (fit.data.outing, fit.data.scene)
    )
    cluster = outings if outings.max() + 1 >= _OUTINGS else scenes
    groups = int(cluster.max()) + 1
    sums = np.zeros((groups, scores.shape[1]))
    np.add.at(sums, cluster, scores)
    sums -= sums.mean(0)
    score_covariance = sums.T @ sums * groups / max(groups - 1, 1)
    # The model's own: the scores of frames as if each stood alone.
    alone = scores - scores.mean(0)
    score_covariance = (groups * score_covariance + _MODEL * alone.T @ alone) / (groups + _MODEL)
    score_covariance += _prior_information(fit)
    zones = fit.curve.shape[0]
    size = len(fit.state.theta)
    covariance = (inverse @ score_covariance @ inverse)[:size, :size]
    # Where the likelihood is nearly flat the sandwich knows no bound; no parameter is less known than
    # before any frame.
    bound = np.minimum(1.0, fit.model.prior[1] / np.sqrt(np.diag(covariance)))
    covariance *= np.outer(bound, bound)
    tail = 0.5 + interval / 2
    widen = stdtrit(groups - 1 + _MODEL, tail) / ndtri(tail)
    theta = widen * normal_deviates(rng, _DRAWS, size) @ _root(covariance).T
    jacobian = jacobian.reshape(-1, size)
    spread = jacobian @ covariance @ jacobian.T
    weight = 1 / np.diag(spread).reshape(zones, -1).mean(1)
    own = np.random.default_rng([seed, 1])
    return _Drawn(theta, shared_errors(fit, _DRAWS, own), spread, weight)


def _outwards(curve: Floats, weight: Floats) -> Floats:
    """Curves (..., Z, M) none of which is sharper further out: zones that say otherwise share their
    weighted mean (isotonic regression; Barlow et al., Statistical Inference under Order Restrictions,
    1972). No lens is sharper at the edge than on its axis (common practice, no source)."""
    zones = curve.shape[-2]
    share = weight[:, None]
    weighted = curve * share
    mean = {
        (first, last): weighted[..., first:last, :].sum(-2) / share[first:last].sum()
        for first, last in combinations(range(zones + 1), 2)
    }
    out = np.empty_like(curve)
    for i in range(zones):
        most = (
            reduce(np.maximum, (mean[first, last] for last in range(i + 1, zones + 1)))
            for first in range(i + 1)
        )
        out[..., i, :] = reduce(np.minimum, most)
    return out


def _scores(model: Model, state: State, expectation: Expectation, jacobian: Floats) -> Floats:
    """(n, P + Z K + COMPONENTS - 1 + Z) derivatives of each frame's log likelihood by optics, shares on
    the curve (logit), ln spreads (softmax) and ln scatter^2; `jacobian` is that of the state's optics."""
    theta = np.einsum("nz,znp->np", expectation.gradient, jacobian[:, model.cell])
    component = expectation.component
    seen, excess = component.sum(2), component[:, :, 1:].sum((1, 2))
    n, at = len(component), model.cell
    share = np.zeros((n, *state.share.shape))
    share[np.arange(n), :, at] = component[:, :, 0] - seen * state.share[:, at].T
    spread = component[:, :, 1:].sum(1) - excess[:, None] * state.spread
    return np.concatenate([theta, share.reshape(n, -1), spread, expectation.scatter], axis=1)


def _information(fit: CurveFit, jacobian: Floats) -> Floats:
    """Observed information of all parameters of `_scores` with their priors.

    Of one frame, which tells of nothing but its own sharpness, that of its figures alone.
    """
    size = len(fit.state.theta)
    out = _prior_information(fit)
    if len(fit.data.row) == 1:
        weight = cell_sums(fit.data, fit.expectation.curvature)
        out[:size, :size] += np.einsum("zk,zkp,zkq->pq", weight, jacobian, jacobian)
    else:
        values, vectors = np.linalg.eigh(-_second_derivatives(fit, jacobian))
        # Where a mixture is undecided the likelihood may be convex: only the priors hold it there.
        out += vectors @ np.diag(np.maximum(values, _FLOOR)) @ vectors.T
    out[:size, :size] += fit.model.order_information(fit.curve, jacobian)
    return np.asarray(out)


def _second_derivatives(fit: CurveFit, jacobian: Floats) -> Floats:
    """Second derivatives of the log likelihood by the parameters of `_scores`.

    A zone's figures at an aperture know of them by the curve there, the log weights of the spreads and
    ln scatter^2: derivatives by these, led back to the parameters by the chain rule. Curves count as
    straight in the parameters of optics (Gauss-Newton): where figures lie off a curve on both sides, its bend
    only adds noise, and may seem to leave a parameter free.
    """
    state = fit.state
    zones, k, size = jacobian.shape
    spreads = slice(size + zones * k, size + zones * k + COMPONENTS - 1)
    chain = np.zeros((zones, k, COMPONENTS + 2, spreads.stop + zones))
    chain[:, :, 0, :size] = jacobian
    zone, at = np.indices((zones, k))
    share = size + zone * k + at
    chain[zone, at, 1, share] = 1
    chain[zone, at, 1:-1, share] -= state.share[:, :, None]
    chain[:, :, 2:-1, spreads] = np.eye(COMPONENTS - 1) - state.spread
    chain[zone, at, -1, spreads.stop + zone] = 1
    out = np.einsum("zkap,zkab,zkbq->pq", chain, _by_cell(fit), chain, optimize=True)
    # What the parameters' own curvature adds.
    totals = _cell_totals(fit.data, fit.expectation)
    seen, excess = totals[:, :, 1:-1].sum(2), totals[:, :, 2:-1].sum()
    out[share, share] -= seen * state.share * (1 - state.share)
    out[spreads, spreads] -= excess * (np.diag(state.spread) - np.outer(state.spread, state.spread))
    return np.asarray((out + out.T) / 2)


def _cell_totals(data: CurveData, expectation: Expectation) -> Floats:
    """(Z, K, 1 + COMPONENTS + 1) derivatives of the log likelihood of a zone's figures at an aperture by
    the curve, the log weights of the spreads and ln scatter^2."""
    one = expectation.gradient[:, :, None], expectation.component, expectation.scatter[:, :, None]
    return cell_sums(data, np.concatenate(one, axis=2))


def _by_cell(fit: CurveFit) -> Floats:
    """(Z, K, .., ..) derivatives of `_cell_totals` by the same: by curve and scatter from differences, by
    the weights in closed form."""
    data, state, expectation = fit.data, fit.state, fit.expectation
    nudge = np.exp(_STEP / 2)
    wider, narrower = (state._replace(scatter=state.scatter * f) for f in (nudge, 1 / nudge))
    out = np.empty((*fit.curve.shape, COMPONENTS + 2, COMPONENTS + 2))
    for column, up, down in (
        (0, fit.model.expectation(state, _STEP), fit.model.expectation(state, -_STEP)),
        (-1, fit.model.expectation(wider), fit.model.expectation(narrower)),
    ):
        change = _cell_totals(data, up) - _cell_totals(data, down)
        out[:, :, :, column] = change / (2 * _STEP)
    gradient, scatter = fit.model.by_spread(state)
    chance = expectation.component
    out[:, :, 0, 1:-1] = cell_sums(data, gradient - chance * expectation.gradient[:, :, None])
    out[:, :, -1, 1:-1] = cell_sums(data, scatter - chance * expectation.scatter[:, :, None])
    alone = chance[:, :, :, None] * np.eye(COMPONENTS)
    out[:, :, 1:-1, 1:-1] = cell_sums(data, alone - chance[:, :, :, None] * chance[:, :, None])
    return out


def _prior_information(fit: CurveFit) -> Floats:
    zones = fit.curve.shape[0]
    # So much ln scatter^2 is known by from so many figures of a normal law.
    scatter = np.full(zones, SCATTER_WEIGHT / 2)
    share = (SHARE_POOL * fit.state.share * (1 - fit.state.share)).ravel()
    own = 1 / fit.model.prior[1] ** 2
    return np.diag(np.concatenate([own, share, SHARE_WEIGHT[1:], scatter]))


def _root(matrix: Floats) -> Floats:
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0)))
