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
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from auditor.infer.lenses.curve_data import CurveData, sums_of_cells
from auditor.infer.lenses.excess import STARTS, Excess, shares_of
from auditor.infer.lenses.physics import Optics, prior_for

__all__ = ["SCATTER", "Expectation", "Model", "State"]

Floats = NDArray[np.float64]

SCATTER: Final = 0.02
"""Scatter (ln MTF50) of inliers beyond the error that they state."""
_SCATTER_WEIGHT: Final = 30.0
"""Figures' worth of trust in it."""
_LEAST_SCATTER: Final = 0.006
"""The least that is believed of it: figures of plain steps scatter no less."""
_OUTLIERS: Final = 0.0075
"""Density, over ln MTF50, of figures that are off by anything: 1.5 in a hundred, two units wide."""
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


class State(NamedTuple):
    """Parameters of the model, with leading axes of curves where there are several.

    Attributes
    ----------
    theta : ndarray of float64, shape (..., P)
        Optics (`physics.Optics.curves`).
    shares : ndarray of float64, shape (..., COMPONENTS)
        Share of figures that lie on the curve (no excess), and of each law of excess.
    scatter : ndarray of float64, shape (..., Z)
        Standard deviation (ln MTF50) of figures beyond their stated errors.
    """

    theta: Floats
    shares: Floats
    scatter: Floats


class Expectation(NamedTuple):
    """Expectation step: all figures given a state; (n, Z) unless said otherwise.

    Attributes
    ----------
    curve : ndarray of float64, shape (..., Z, K)
        ln MTF50 of the state.
    gradient, curvature : ndarray of float64
        Derivatives of the log likelihood by the curve (complete-data information).
    component : ndarray of float64, shape (n, Z, COMPONENTS)
        Responsibility of each component of excess.
    scatter_moment : ndarray of float64, shape (n, Z, 2)
        Numerator and denominator of the estimate of squared scatter.
    inlier : ndarray of float64
        Probability that the excess costs next to nothing (`_INLIER_LOSS`).
    """

    curve: Floats
    gradient: Floats
    curvature: Floats
    component: Floats
    scatter_moment: Floats
    inlier: Floats


@dataclass(frozen=True)
class Model:
    """Mixture likelihood of the frames of one curve or, with a leading axis, of several.

    ln MTF50 of a figure = curve of the optics, less the loss through a one-sided excess in 1 / MTF50^2 (a
    mixture, `Excess`), plus normal noise of its stated error and a common scatter; a few figures
    are outliers of uniform density. Priors: Gaussian on the optics, Dirichlet on mixture weights, inverse-gamma-like
    on scatter.

    Attributes
    ----------
    value, known, variance : ndarray, shape (n, Z)
        Figures (0 where not measured), whether measured, and their own squared errors. Frames of one curve
        follow those of another.
    cell : ndarray of int64, shape (n,)
        The row's aperture among those of all curves.
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
            data.aperture, np.ones(len(data.f_numbers), bool),
            Excess.at(data.f_numbers),
            Optics.at(data.f_numbers, np.array(data.pitch_um)),
            prior_for(data.source, known.shape[1]),
            np.array(_SCATTER_WEIGHT / typical**2),
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
            value, known, variance,
            curve * most + np.concatenate([m.cell for m in models]),
            np.arange(most) < apertures[:, None],
            Excess.at(f_numbers), Optics.at(f_numbers, pitch), (mean, sd),
            np.array([m.trust for m in models]),
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

        Returns, by `cell`: expected ln MTF50 at the points of excess, its slope by the curve, and each point's
        weight, all (cells, Z, M); squared scatter (cells, Z).
        """
        lens = np.exp(-2 * curve)[..., None]
        total = lens + self.excess.nodes[..., None, :, :]  # (..., Z, K, M)
        mean, share = -0.5 * np.log(total), lens / total
        weight = self.excess.weights(state.shares) / np.sqrt(2 * np.pi)
        weight = np.broadcast_to(weight[..., None, None, :], mean.shape)
        by_zone = (np.swapaxes(part, -3, -2) for part in (mean, share, weight))
        scatter2 = np.broadcast_to(
            state.scatter[..., None, :] ** 2, (*self.used.shape, curve.shape[-2])
        )
        return [
            *(part.reshape(-1, *part.shape[-2:]) for part in by_zone),
            scatter2.reshape(-1, scatter2.shape[-1]),
        ]

    def _moments(self, cells: list[Floats], rows: slice) -> tuple[Floats, ...]:
        """The fields of an `Expectation` but its first, for some of the frames."""
        responsibility, residual, share, _, precision, scatter2 = self._responsibilities(
            cells, rows
        )
        squares = np.einsum(_OVER_NODES, responsibility * residual, residual)
        total = responsibility.sum(2)
        # Of the variance, one over the precision, what lies beyond scatter is the figure's own.
        own = 1 / precision - scatter2
        moment = precision[..., None] ** 2 * np.stack([squares - total * own, total], axis=2)
        weighted = responsibility * share * precision[..., None]
        return (
            np.einsum(_OVER_NODES, weighted, residual),
            np.einsum(_OVER_NODES, weighted, share),
            np.add.reduceat(responsibility, STARTS, axis=2),
            moment,
            (responsibility * (share > _INLIER_SHARE)).sum(2),
        )

    def _responsibilities(self, cells: list[Floats], rows: slice) -> tuple[Floats, ...]:
        """Of some of the frames, (n, Z, M): each point's responsibility, its residual and its slope by the curve; (n, Z), the
        figure's density, one over its variance, and squared scatter.
        """
        mean, share, weight, scatter2 = (part[self.cell[rows]] for part in cells)
        residual = self.value[rows, :, None] - mean
        precision = 1 / (self.variance[rows] + scatter2)
        responsibility = residual * residual
        responsibility *= -0.5 * precision[..., None]
        np.exp(responsibility, out=responsibility)
        responsibility *= weight
        responsibility *= np.sqrt(precision)[..., None]
        density = responsibility.sum(2) + _OUTLIERS
        responsibility *= np.where(self.known[rows], 1 / density, 0.0)[:, :, None]
        return responsibility, residual, share, density, precision, scatter2

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
            model._responsibilities(cells, slice(first, first + _CHUNK))[3]
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
        moment = self.sums(expectation.scatter_moment).sum(-2)  # (..., Z, 2)
        trust = self.trust[..., None]
        scatter = (moment[..., 0] + trust * SCATTER**2) / (moment[..., 1] + trust)
        jacobian = self.optics.jacobian(state.theta)
        theta = self.gauss_newton(
            state.theta, jacobian, self.sums(expectation.gradient), self.sums(expectation.curvature)
        )
        shares = shares_of(self.sums(expectation.component).sum((-3, -2)))
        return State(theta, shares, np.sqrt(np.maximum(scatter, _LEAST_SCATTER**2)))

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


def _padded(arrays: Sequence[Floats]) -> Floats:
    """Arrays as rows of one, the last entry of the shorter ones repeated."""
    longest = np.arange(max(len(a) for a in arrays))
    return np.stack([a[np.minimum(longest, len(a) - 1)] for a in arrays])
