"""The likelihood of a curve: ln MTF50 of every zone at every aperture, from frames of which many are softer.

Each figure is the lens's curve, less what the zone lacks to it (`excess`), plus noise. Maximum
likelihood by expectation and maximisation: given the curve, each figure's chance of every excess; given
these, shares and scatter in closed form and a Gauss-Newton step for the optics (`physics`), whose mild
prior keeps thin archives within what lenses are. Many curves can be asked at once, each by itself: arrays
then have a leading axis of curves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from auditor.infer.lenses.curve_data import CurveData, sums_of_cells
from auditor.infer.lenses.excess import STARTS, Excess
from auditor.infer.lenses.physics import Optics, prior_for

__all__ = ["LEAST_SCATTER", "SCATTER", "Expectation", "Model", "State"]

Floats = NDArray[np.float64]

SCATTER: Final = 0.02
"""Scatter (ln MTF50) of sound figures beyond the error that they state."""
SCATTER_WEIGHT: Final = 20.0
"""Figures' worth of trust in it."""
LEAST_SCATTER: Final = 0.006
"""The least that is believed of it: figures of plain steps scatter no less."""
_MOST_SCATTER: Final = 0.15
"""The most: what scatters more is another subject."""
SHARE_WEIGHT: Final = np.array([6.0, 1, 1, 1, 1, 8, 4, 1, 1])
"""Figures' worth of trust in each spread of excess: what scatters no more than sound figures do is taken
for sound, or for depth that wide apertures would show, until figures say otherwise."""
SHARE_POOL: Final = 3.0
"""Figures' worth of trust in a zone's share of figures on the curve being the lens's, and in an aperture's being
the zone's: depth leaves fewer in corners and at wide apertures than where one focuses, dusk few at small
apertures. 2 to 5 do as well."""
_OUTLIERS: Final = 0.015
"""Share of figures that are off by anything."""
_OUTLIER_DENSITY: Final = 0.5
"""Their density over ln MTF50: two units wide."""
_SMEAR: Final = 0.35
"""A point of excess stands for this much of the way to the next."""
_ORDER: Final = 0.02
"""Standard deviation (ln MTF50) by which a zone may be softer than the next one out: no lens is sharper
at the edge than on its axis (common practice, no source)."""
_LONGEST_STEP: Final = 0.5
"""Longest step of any parameter of optics (logarithms)."""
_FARTHEST: Final = 4.0
"""Standard deviations of the prior past which no parameter strays while a fit seeks its way."""
_OVER_NODES: Final = "nzm,nzm->nz"
"""Sum of products over the points of excess."""
_CLEAR: Final = 0.10
"""A zone is sound where its excess costs less than this (ln MTF50)."""
_CLEARLY: Final = np.exp(-2 * _CLEAR)
"""The same as a share of 1 / MTF50^2 that is the lens's own."""
_PIECE: Final = 128
"""Frames looked at at once: their arrays stay in a processor's cache."""


class State(NamedTuple):
    """Parameters: optics (..., P), share of a zone's figures on the curve at each aperture (..., Z, K),
    shares of the spreads of excess among the others (..., COMPONENTS - 1), scatter (..., Z)."""

    theta: Floats
    share: Floats
    spread: Floats
    scatter: Floats

    @property
    def shares(self) -> Floats:
        """(..., Z, K, COMPONENTS): on the curve, and of each spread."""
        others = (1 - self.share)[..., None] * self.spread[..., None, None, :]
        return np.concatenate([self.share[..., None], others], axis=-1)

    def of(self, curve: int, apertures: int) -> State:
        """That of one of several curves, which has so many apertures."""
        theta, share, spread, scatter = (part[curve] for part in self)
        return State(theta, share[:, :apertures], spread, scatter)


class Expectation(NamedTuple):
    """All figures given a state; n x Z unless told otherwise.

    Attributes:
        curve: (..., Z, K), ln MTF50 of the state.
        gradient, curvature: of the log likelihood by the curve (complete-data information).
        component: n x Z x COMPONENTS, chance of each spread.
        scatter_moment: n x Z x 2, the moment that estimates scatter.
        inlier: chance that next to nothing is lacking.
        log_density: ln of the likelihood, 0 where a zone was not measured.
    """

    curve: Floats
    gradient: Floats
    curvature: Floats
    component: Floats
    scatter_moment: Floats
    inlier: Floats
    log_density: Floats


@dataclass(frozen=True)
class Model:
    """The likelihood of the frames of one curve or, where arrays have a leading axis, of each of several.

    Attributes:
        value, known, variance: n x Z, figures (0 where not measured) and their own squared errors. Frames of
            one curve follow those of another.
        curve, cell: n, the row's curve, and its aperture among those of all curves.
        used: (..., K), False past the last aperture of a curve that has fewer than others.
        excess, optics: at the apertures (..., K).
        prior: mean and standard deviation of the optics, (..., P).
        trust: (...), weight of `SCATTER`.
    """

    value: Floats
    known: NDArray[np.bool_]
    variance: Floats
    curve: NDArray[np.int64]
    cell: NDArray[np.int64]
    used: NDArray[np.bool_]
    excess: Excess
    optics: Optics
    prior: tuple[Floats, Floats]
    trust: Floats

    @classmethod
    def of(cls, data: CurveData) -> Model:
        """The likelihood of one curve's frames."""
        known = ~np.isnan(data.log_mtf50)
        typical = float(np.median(data.stderr)) ** 2 + SCATTER**2
        return cls(
            np.where(known, data.log_mtf50, 0.0), known, data.stderr**2,
            np.zeros(len(known), np.int64), data.aperture, np.ones(len(data.f_numbers), bool),
            Excess.at(data.f_numbers),
            Optics.at(data.f_numbers, np.array(data.pitch_um)),
            prior_for(data.source, known.shape[1]),
            np.array(SCATTER_WEIGHT / typical**2),
        )  # fmt: skip

    @classmethod
    def of_several(cls, models: Sequence[Model]) -> Model:
        """Those of single curves as one. Where a curve has fewer apertures its last one is repeated,
        without frames."""
        value, known, variance = (
            np.concatenate([getattr(m, name) for m in models])
            for name in ("value", "known", "variance")
        )
        apertures = np.array([len(m.used) for m in models])
        most = int(apertures.max())
        curve = np.repeat(np.arange(len(models)), [len(m.value) for m in models])
        f_numbers = _padded([m.optics.f_numbers for m in models])
        pitch = np.array([m.optics.pitch_um for m in models])
        mean, sd = (np.stack([m.prior[i] for m in models]) for i in range(2))
        return cls(
            value, known, variance, curve,
            curve * most + np.concatenate([m.cell for m in models]),
            np.arange(most) < apertures[:, None],
            Excess.at(f_numbers), Optics.at(f_numbers, pitch), (mean, sd),
            np.array([m.trust for m in models]),
        )  # fmt: skip

    def part(self, kept: NDArray[np.bool_]) -> Model:
        """Without some of the curves."""
        rows = kept[self.curve]
        apertures = self.used.shape[1]
        curve = (np.cumsum(kept) - 1)[self.curve[rows]]
        return Model(
            self.value[rows], self.known[rows], self.variance[rows], curve,
            curve * apertures + self.cell[rows] % apertures, self.used[kept],
            self.excess.part(kept), self.optics.part(kept),
            (self.prior[0][kept], self.prior[1][kept]), self.trust[kept],
        )  # fmt: skip

    def sums(self, values: Floats) -> Floats:
        """Sum of n x Z x .. values over the frames of each aperture: (..., Z, K, ..)."""
        return sums_of_cells(self.cell, self.used.shape, values)

    def expectation(self, state: State, beside: float = 0.0) -> Expectation:
        """Expectation step; of a curve that lies `beside` (ln MTF50) the state's everywhere, if given."""
        curve = self.optics.curves(state.theta) + beside
        cells = self._cells(curve, state)
        pieces = [
            self._figures(cells, slice(first, first + _PIECE))
            for first in range(0, len(self.value), _PIECE)
        ]
        return Expectation(
            curve, *(p[0] if len(p) == 1 else np.concatenate(p) for p in zip(*pieces, strict=True))
        )

    def _cells(self, curve: Floats, state: State) -> list[Floats]:
        """What is the same for all figures of a zone at an aperture of a curve, by `cell`: x Z x M over the
        points of excess expected ln MTF50, its slope by the curve, squared smear; x M weights; x Z squared
        scatter."""
        lens = np.exp(-2 * curve)[..., None]
        total = lens + self.excess.nodes[..., None, :, :]  # (..., Z, K, M)
        mean, share = -0.5 * np.log(total), lens / total
        smear = np.zeros_like(mean)
        np.abs(mean[..., 1:] - mean[..., :-1], out=smear[..., :-1])
        smear *= _SMEAR
        smear[..., 0] = 0.0  # where nothing is lacking
        weight = self.excess.weights(state.shares) * ((1 - _OUTLIERS) / np.sqrt(2 * np.pi))
        by_zone = (np.swapaxes(part, -3, -2) for part in (mean, share, smear**2, weight))
        scatter2 = np.broadcast_to(
            state.scatter[..., None, :] ** 2, (*self.used.shape, curve.shape[-2])
        )
        return [
            *(part.reshape(-1, *part.shape[-2:]) for part in by_zone),
            scatter2.reshape(-1, scatter2.shape[-1]),
        ]

    def _figures(self, cells: list[Floats], rows: slice) -> tuple[Floats, ...]:
        """The fields of an `Expectation` but its first, for some of the frames."""
        chance, density, off, share, precision, scatter2 = self._points(cells, rows)
        per = chance * precision
        square = per * precision
        around = np.einsum(_OVER_NODES, square * off, off)
        total, bottom = per.sum(2), square.sum(2)
        # Of each point's variance, one over its precision, what lies beyond scatter is the figure's own.
        moment = np.stack([around - (total - scatter2 * bottom), bottom], axis=2)
        pull = per * share
        return (
            np.einsum(_OVER_NODES, pull, off),
            np.einsum(_OVER_NODES, pull, share),
            np.add.reduceat(chance, STARTS, axis=2),
            moment,
            (chance * (share > _CLEARLY)).sum(2),
            np.log(np.where(self.known[rows], density, 1.0)),
        )

    def _points(self, cells: list[Floats], rows: slice) -> tuple[Floats, ...]:
        """Of some of the frames, n x Z x M: each point's chance, the figure's density (n x Z), how far off
        the point it lies, the point's slope by the curve, one over its variance; squared scatter (n x Z)."""
        mean, share, smear, weight, scatter2 = (part[self.cell[rows]] for part in cells)
        off = self.value[rows, :, None] - mean
        precision = 1 / ((self.variance[rows] + scatter2)[:, :, None] + smear)
        chance = off * off
        chance *= precision
        chance *= -0.5
        np.exp(chance, out=chance)
        chance *= weight
        chance *= np.sqrt(precision)
        density = chance.sum(2) + _OUTLIERS * _OUTLIER_DENSITY
        chance *= np.where(self.known[rows], 1 / density, 0.0)[:, :, None]
        return chance, density, off, share, precision, scatter2

    def log_densities(self, state: State, curves: Floats) -> Floats:
        """D x n x Z, ln likelihood of each figure, 0 where a zone was not measured, of each of some `curves`
        (D, Z, K, ln MTF50) in place of the state's one."""
        several, apertures = len(curves), len(self.used)
        # As many curves, each with all the frames.
        state = State(*(np.broadcast_to(part, (several, *part.shape)) for part in state))
        value, variance = (np.tile(part, (several, 1)) for part in (self.value, self.variance))
        known = np.tile(self.known, (several, 1))
        cell = np.add.outer(apertures * np.arange(several), self.cell).ravel()
        used = np.broadcast_to(self.used, (several, apertures))
        model = replace(self, value=value, known=known, variance=variance, cell=cell, used=used)
        cells = model._cells(curves, state)
        pieces = [
            model._points(cells, slice(first, first + _PIECE))[1]
            for first in range(0, len(value), _PIECE)
        ]
        density = np.log(np.where(known, np.concatenate(pieces), 1.0))
        return np.asarray(density.reshape(several, *self.value.shape))

    def step(self, state: State, expectation: Expectation) -> State:
        """Maximisation step."""
        share, spread = self._shares(expectation)
        moment = self.sums(expectation.scatter_moment).sum(-2)  # (..., Z, 2)
        trust = self.trust[..., None]
        scatter = (moment[..., 0] + trust * SCATTER**2) / (moment[..., 1] + trust)
        jacobian = self.optics.jacobian(state.theta)
        theta = self.towards(
            state.theta, jacobian, self.sums(expectation.gradient),
            self.sums(expectation.curvature), expectation.curve,
        )  # fmt: skip
        mean, sd = self.prior
        return State(
            np.clip(theta, mean - _FARTHEST * sd, mean + _FARTHEST * sd),
            share,
            spread,
            np.clip(np.sqrt(np.maximum(scatter, 0)), LEAST_SCATTER, _MOST_SCATTER),
        )

    def towards(
        self,
        theta: Floats,
        jacobian: Floats,
        pull: Floats,
        weight: Floats,
        curve: Floats | None = None,
    ) -> Floats:
        """A Gauss-Newton step of the optics by the derivatives `pull` and `weight` (..., Z, K) of what is
        sought by the curve, the prior and, where the `curve` is given, the order of zones."""
        slopes = _by_parameter(jacobian)
        mean, sd = self.prior
        gradient = _flat(pull) @ slopes
        gradient = gradient[..., 0, :] - (theta - mean) / sd**2
        information = np.swapaxes(slopes, -1, -2) @ (np.swapaxes(_flat(weight), -1, -2) * slopes)
        spot = np.arange(theta.shape[-1])
        information[..., spot, spot] += 1 / sd**2
        if curve is not None:
            rise, slope = self._disorder(curve, jacobian)
            gradient -= (rise @ slope)[..., 0, :] / _ORDER**2
            information += np.swapaxes(slope, -1, -2) @ slope / _ORDER**2
        step = np.linalg.solve(information, gradient[..., None])[..., 0]
        longest = np.abs(step).max(-1, keepdims=True)
        return theta + step * np.minimum(1.0, _LONGEST_STEP / np.maximum(longest, 1e-9))

    def _disorder(self, curve: Floats, jacobian: Floats) -> tuple[Floats, Floats]:
        """By how much (..., 1, (Z - 1) K) zones are sharper than those within, and its derivatives
        (..., (Z - 1) K, P)."""
        rise = np.diff(curve, axis=-2) * self.used[..., None, :]
        slope = np.where((rise > 0)[..., None], np.diff(jacobian, axis=-3), 0.0)
        return _flat(np.maximum(rise, 0)), _by_parameter(slope)

    def _shares(self, expectation: Expectation) -> tuple[Floats, Floats]:
        """Shares of a state."""
        sums = self.sums(expectation.component)  # (..., Z, K, COMPONENTS)
        usual = self._usual(sums)[1][..., None]
        share = (sums[..., 0] + SHARE_POOL * usual) / (sums.sum(-1) + SHARE_POOL)
        others = (sums.sum((-3, -2)) + SHARE_WEIGHT)[..., 1:]
        return share, others / others.sum(-1, keepdims=True)

    @staticmethod
    def _usual(sums: Floats) -> tuple[Floats, Floats]:
        """Share on the curve of the lens's figures (..., 1), and of a zone's at all apertures (..., Z)."""
        kinds = sums.sum((-3, -2)) + SHARE_WEIGHT
        lens = kinds[..., :1] / kinds.sum(-1, keepdims=True)
        zone = sums.sum(-2)
        return lens, (zone[..., 0] + SHARE_POOL * lens) / (zone.sum(-1) + SHARE_POOL)

    def objective(self, state: State, expectation: Expectation) -> Floats:
        """(...), penalised log likelihood."""
        mean, sd = self.prior
        strain = (((state.theta - mean) / sd) ** 2).sum(-1)
        rise = np.maximum(np.diff(expectation.curve, axis=-2), 0) * self.used[..., None, :]
        strain += (rise**2).sum((-2, -1)) / _ORDER**2
        lens, zone = self._usual(self.sums(expectation.component))
        pooled = _agreement(state.share, zone[..., None]) * self.used[..., None, :]
        known = np.log(state.spread) @ SHARE_WEIGHT[1:] + SHARE_POOL * _agreement(zone, lens).sum(
            -1
        )
        known += _agreement(lens, SHARE_WEIGHT[0] / SHARE_WEIGHT.sum())[..., 0] * SHARE_WEIGHT.sum()
        seen = self.sums(expectation.log_density).sum((-2, -1))
        return np.asarray(seen - 0.5 * strain + known + SHARE_POOL * pooled.sum((-2, -1)))


def _agreement(share: Floats, usual: Floats | float) -> Floats:
    """Log density of shares of frames about what is usual, per figure's worth of trust. Not made up to
    equal mass: shares near none or all count for more. Without that an ascent ends where more figures pass
    for the lens's own, and curves of drawn landscapes lie 2.4% low instead of 1.6."""
    return np.asarray(usual * np.log(share) + (1 - usual) * np.log1p(-share))


def _flat(by_cell: Floats) -> Floats:
    """(..., Z, K) -> (..., 1, ZK)."""
    return by_cell.reshape(*by_cell.shape[:-2], 1, -1)


def _by_parameter(jacobian: Floats) -> Floats:
    """(..., Z, K, P) -> (..., ZK, P)."""
    return jacobian.reshape(*jacobian.shape[:-3], -1, jacobian.shape[-1])


def _padded(arrays: Sequence[Floats]) -> Floats:
    """Arrays as rows of one, the last entry of the shorter ones repeated."""
    longest = np.arange(max(len(a) for a in arrays))
    return np.stack([a[np.minimum(longest, len(a) - 1)] for a in arrays])
