"""The likelihood of a curve: ln MTF50 of every zone at every aperture, from frames of which many are softer.

Each figure is the lens's curve, less a one-sided loss (`excess`), plus noise. Maximum
likelihood by expectation and maximisation: given the curve, each figure's responsibility of every excess; given
these, shares and scatter in closed form and a Gauss-Newton step for the optics (`physics`), whose mild
prior keeps thin archives within what lenses are. Many curves can be fitted at once, each by itself: arrays
then have a leading axis of curves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.infer.lenses.curve_data import CurveData, sums_of_cells
from auditor.infer.lenses.excess import (
    SHARE_POOL,
    SHARE_WEIGHT,
    STARTS,
    Excess,
    beta_log_density,
    pooled_shares,
    shares_of,
)
from auditor.infer.lenses.likelihood_state import Expectation, State
from auditor.infer.lenses.physics import Optics, prior_for

__all__ = ["SCATTER", "Model"]

Floats = NDArray[np.float64]

SCATTER: Final = 0.02
"""Scatter (ln MTF50) of inliers beyond the error that they state."""
SCATTER_WEIGHT: Final = 20.0
"""Figures' worth of trust in it."""
_LEAST_SCATTER: Final = 0.006
"""The least that is believed of it: figures of plain steps scatter no less."""
_OUTLIERS: Final = 0.0075
"""Density, over ln MTF50, of figures that are off by anything: 1.5 in a hundred, two units wide."""
_KERNEL_SHARE: Final = 0.35
"""Standard deviation of the kernel about a point of excess, over the distance to the next point."""
_LONGEST_STEP: Final = 0.5
"""Longest step of any parameter of optics (logarithms)."""
_OVER_NODES: Final = "nzm,nzm->nz"
"""Sum of products over the points of excess."""
_INLIER_LOSS: Final = 0.10
"""A figure is an inlier where its excess costs less than this (ln MTF50)."""
_INLIER_SHARE: Final = np.exp(-2 * _INLIER_LOSS)
"""The same as a share of 1 / MTF50^2 that is the lens's own."""
_CHUNK: Final = 128
"""Frames computed at once: their arrays stay in a processor's cache."""


@dataclass(frozen=True)
class Model:
    """Mixture likelihood of the frames of one curve or, with a leading axis, of several.

    ln MTF50 of a figure = curve of the optics, less the loss through a one-sided excess in 1 / MTF50^2 (a
    mixture, `Excess`), plus normal noise of its stated error and a common scatter; a few figures
    are outliers of uniform density. Priors: Gaussian on the optics, Dirichlet-like pseudo counts on mixture
    weights (pooled from zone to aperture), inverse-gamma-like on scatter.

    Attributes
    ----------
    value, known, variance : ndarray, shape (n, Z)
        Figures (0 where not measured), whether measured, and their own squared errors. Frames of one curve
        follow those of another.
    curve, cell : ndarray of int64, shape (n,)
        The row's curve, and its aperture among those of all curves.
    used : ndarray of bool, shape (..., K)
        False past the last aperture of a curve that has fewer than others.
    excess, optics : Excess, Optics
        At the apertures (..., K).
    prior : tuple of ndarray, shape (..., P)
        Mean and standard deviation of the optics.
    trust : ndarray of float64, shape (...)
        Weight of the prior of scatter, `SCATTER`.
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
        """Sums over the frames of each aperture: (n, Z, ...) to (..., Z, K, ...) (`sums_of_cells`)."""
        return sums_of_cells(self.cell, self.used.shape, values)

    def expectation(self, state: State, offset: float = 0.0) -> Expectation:
        """Expectation step.

        Parameters
        ----------
        state : State
            Parameters.
        offset : float
            ln MTF50 by which the curve is shifted everywhere.

        Returns
        -------
        Expectation
            Of all figures.
        """
        curve = self.optics.curves(state.theta) + offset
        cells = self._cells(curve, state)
        chunks = [
            self._moments(cells, slice(first, first + _CHUNK))
            for first in range(0, len(self.value), _CHUNK)
        ]
        return Expectation(
            curve, *(p[0] if len(p) == 1 else np.concatenate(p) for p in zip(*chunks, strict=True))
        )

    def _cells(self, curve: Floats, state: State) -> list[Floats]:
        """What is the same for all figures of a zone at an aperture of a curve.

        Returns, by `cell`: expected ln MTF50 at the points of excess, its slope by the curve, the
        squared kernel width about each point, and its weight, all (cells, Z, M); squared scatter (cells, Z).
        """
        lens = np.exp(-2 * curve)[..., None]
        total = lens + self.excess.nodes[..., None, :, :]  # (..., Z, K, M)
        mean, share = -0.5 * np.log(total), lens / total
        kernel_sd = np.zeros_like(mean)
        kernel_sd[..., 1:-1] = _KERNEL_SHARE * np.abs(np.diff(mean[..., 1:]))
        weight = self.excess.weights(state.shares) / np.sqrt(2 * np.pi)
        by_zone = (np.swapaxes(part, -3, -2) for part in (mean, share, kernel_sd**2, weight))
        scatter2 = np.broadcast_to(
            state.scatter[..., None, :] ** 2, (*self.used.shape, curve.shape[-2])
        )
        return [
            *(part.reshape(-1, *part.shape[-2:]) for part in by_zone),
            scatter2.reshape(-1, scatter2.shape[-1]),
        ]

    def _moments(self, cells: list[Floats], rows: slice) -> tuple[Floats, ...]:
        """The fields of an `Expectation` but its first, for some of the frames."""
        responsibility, density, residual, share, precision, scatter2 = self._responsibilities(
            cells, rows
        )
        weight = responsibility * precision
        weight2 = weight * precision
        squares = np.einsum(_OVER_NODES, weight2 * residual, residual)
        total, bottom = weight.sum(2), weight2.sum(2)
        # Of each point's variance, one over its precision, what lies beyond scatter is the figure's own.
        moment = np.stack([squares - (total - scatter2 * bottom), bottom], axis=2)
        weighted = weight * share
        return (
            np.einsum(_OVER_NODES, weighted, residual),
            np.einsum(_OVER_NODES, weighted, share),
            np.add.reduceat(responsibility, STARTS, axis=2),
            moment,
            (responsibility * (share > _INLIER_SHARE)).sum(2),
            np.log(np.where(self.known[rows], density, 1.0)),
        )

    def _responsibilities(self, cells: list[Floats], rows: slice) -> tuple[Floats, ...]:
        """Of some of the frames, (n, Z, M): each point's responsibility, the figure's density (n, Z), its residual
        to the point, the point's slope by the curve, one over its variance; squared scatter (n, Z).
        """
        mean, share, kernel_variance, weight, scatter2 = (part[self.cell[rows]] for part in cells)
        residual = self.value[rows, :, None] - mean
        precision = 1 / ((self.variance[rows] + scatter2)[:, :, None] + kernel_variance)
        responsibility = residual * residual
        responsibility *= precision
        responsibility *= -0.5
        np.exp(responsibility, out=responsibility)
        responsibility *= weight
        responsibility *= np.sqrt(precision)
        density = responsibility.sum(2) + _OUTLIERS
        responsibility *= np.where(self.known[rows], 1 / density, 0.0)[:, :, None]
        return responsibility, density, residual, share, precision, scatter2

    def log_densities(self, state: State, curves: Floats) -> Floats:
        """Log likelihood of every figure under other curves than the state's.

        Parameters
        ----------
        state : State
            Shares and scatter; its optics are not used.
        curves : ndarray of float64, shape (D, Z, K)
            ln MTF50.

        Returns
        -------
        ndarray of float64, shape (D, n, Z)
            0 where a zone was not measured.
        """
        several, apertures = len(curves), len(self.used)
        # As many curves, each with all the frames.
        state = State(*(np.broadcast_to(part, (several, *part.shape)) for part in state))
        value, variance = (np.tile(part, (several, 1)) for part in (self.value, self.variance))
        known = np.tile(self.known, (several, 1))
        cell = np.add.outer(apertures * np.arange(several), self.cell).ravel()
        used = np.broadcast_to(self.used, (several, apertures))
        model = replace(self, value=value, known=known, variance=variance, cell=cell, used=used)
        cells = model._cells(curves, state)
        chunks = [
            model._responsibilities(cells, slice(first, first + _CHUNK))[1]
            for first in range(0, len(value), _CHUNK)
        ]
        density = np.log(np.where(known, np.concatenate(chunks), 1.0))
        return np.asarray(density.reshape(several, *self.value.shape))

    def step(self, state: State, expectation: Expectation) -> State:
        """Maximisation step: shares and scatter in closed form, one Gauss-Newton step of the optics.

        Parameters
        ----------
        state : State
            Before.
        expectation : Expectation
            Of all figures given it.

        Returns
        -------
        State
            After.
        """
        inlier_share, excess_shares = shares_of(self.sums(expectation.component))
        moment = self.sums(expectation.scatter_moment).sum(-2)  # (..., Z, 2)
        trust = self.trust[..., None]
        scatter = (moment[..., 0] + trust * SCATTER**2) / (moment[..., 1] + trust)
        jacobian = self.optics.jacobian(state.theta)
        theta = self.gauss_newton(
            state.theta, jacobian, self.sums(expectation.gradient), self.sums(expectation.curvature)
        )
        return State(
            theta,
            inlier_share,
            excess_shares,
            np.sqrt(np.maximum(scatter, _LEAST_SCATTER**2)),
        )

    def gauss_newton(
        self, theta: Floats, jacobian: Floats, gradient: Floats, weight: Floats
    ) -> Floats:
        """One Gauss-Newton step of the optics.

        Parameters
        ----------
        theta : ndarray of float64, shape (..., P)
            Optics.
        jacobian : ndarray of float64, shape (..., Z, K, P)
            Of the curve.
        gradient, weight : ndarray of float64, shape (..., Z, K)
            First derivative and negative second derivative of what is maximised, by the curve.

        Returns
        -------
        ndarray of float64, shape (..., P)
            New optics; no parameter moves further than `_LONGEST_STEP`.
        """
        mean, sd = self.prior
        score = np.einsum("...zk,...zkp->...p", gradient, jacobian) - (theta - mean) / sd**2
        slopes = jacobian.reshape(*jacobian.shape[:-3], -1, jacobian.shape[-1])
        weighted = (weight[..., None] * jacobian).reshape(slopes.shape)
        information = np.swapaxes(slopes, -1, -2) @ weighted
        diagonal = np.arange(theta.shape[-1])
        information[..., diagonal, diagonal] += 1 / sd**2
        step = np.linalg.solve(information, score[..., None])[..., 0]
        longest = np.abs(step).max(-1, keepdims=True)
        return theta + step * np.minimum(1.0, _LONGEST_STEP / np.maximum(longest, 1e-9))

    def objective(self, state: State, expectation: Expectation) -> Floats:
        """Penalised log likelihood, which the fit maximises.

        Parameters
        ----------
        state : State
            Parameters.
        expectation : Expectation
            Of all figures given them.

        Returns
        -------
        ndarray of float64, shape (...)
            One for each curve.
        """
        mean, sd = self.prior
        penalty = (((state.theta - mean) / sd) ** 2).sum(-1)
        lens, zone = pooled_shares(self.sums(expectation.component))
        agreement = beta_log_density(state.inlier_share, zone[..., None]) * self.used[..., None, :]
        prior = np.log(state.excess_shares) @ SHARE_WEIGHT[1:] + SHARE_POOL * beta_log_density(
            zone, lens
        ).sum(-1)
        prior += (
            beta_log_density(lens, SHARE_WEIGHT[0] / SHARE_WEIGHT.sum())[..., 0]
            * SHARE_WEIGHT.sum()
        )
        log_likelihood = self.sums(expectation.log_density).sum((-2, -1))
        return np.asarray(
            log_likelihood - 0.5 * penalty + prior + SHARE_POOL * agreement.sum((-2, -1))
        )


def _padded(arrays: Sequence[Floats]) -> Floats:
    """Arrays as rows of one, the last entry of the shorter ones repeated."""
    longest = np.arange(max(len(a) for a in arrays))
    return np.stack([a[np.minimum(longest, len(a) - 1)] for a in arrays])
