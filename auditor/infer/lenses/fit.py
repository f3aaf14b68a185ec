"""Fit of curves: the likeliest optics, of all curves at once (`likelihood`)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.infer.lenses.curve_data import CurveData
from auditor.infer.lenses.excess import COMPONENTS
from auditor.infer.lenses.likelihood import SCATTER, Expectation, Model, State
from auditor.infer.lenses.physics import STEP

__all__ = ["CurveFit", "fit_curves"]

Floats = NDArray[np.float64]

_START: Final = (0.05, 0.95)
"""Share of frames on the curve, and the quantile of each cell, with which a fit starts: from above, for
frames lie below a lens's curve and hardly above it."""
_STEPS: Final = 6
"""Steps of the start, and of a fit. It comes from above, and is stopped early: the longer it climbs, the more figures
that lack some depth pass for the lens's own. With twice as many steps curves of drawn landscapes lie 0.3% lower."""
_START_SD: Final = 0.05
"""Error (ln MTF50) of the quantile of a cell through which the start goes."""
_BATCH: Final = 200
"""Curves fitted at once: enough that numpy's small calls cost little, few enough for the memory."""


@dataclass(frozen=True)
class CurveFit:
    """A fitted curve: Z zones, K apertures.

    Attributes
    ----------
    data : CurveData
        Its frames.
    model : Model
        Their likelihood.
    state : State
        Parameters of the last step.
    expectation : Expectation
        Of all figures given these.
    curvature : ndarray of float64, shape (n, Z)
        Observed information of each figure on the curve.
    """

    data: CurveData
    model: Model
    state: State
    expectation: Expectation
    curvature: Floats

    @property
    def curve(self) -> Floats:
        """Z x K, ln MTF50."""
        return self.expectation.curve

    @property
    def sharpening(self) -> float:
        """Amount of the camera's sharpening."""
        return float(self.state.theta[-1])

    @property
    def inlier(self) -> Floats:
        """(n,) probability that the frame's sharpest zone is as sharp as the lens."""
        return np.asarray(self.expectation.inlier.max(1))


def fit_curves(data: Sequence[CurveData]) -> list[CurveFit]:
    """Fits of many curves by penalised likelihood, each by itself.

    Expectation and maximisation (`Model`), started from an upper quantile of each cell, as frames lie below a
    lens's curve and hardly above it, and stopped after `_STEPS`.

    Parameters
    ----------
    data : sequence of CurveData
        One per curve.

    Returns
    -------
    list of CurveFit
        In the same order.
    """
    fits: list[CurveFit] = []
    for first in range(0, len(data), _BATCH):
        fits += _fit_together(data[first : first + _BATCH])
    return fits


def _fit_together(data: Sequence[CurveData]) -> list[CurveFit]:
    singles = [Model.of(d) for d in data]
    model = Model.of_several(singles)
    state = _start(model)
    for _ in range(_STEPS):
        state = model.step(state, model.expectation(state))
    found = model.expectation(state)
    up, down = (model.expectation(state, by).gradient for by in (STEP, -STEP))
    curvature = (down - up) / (2 * STEP)
    fits = []
    first = 0
    for i, single in enumerate(singles):
        rows = slice(first, first + len(single.value))
        first = rows.stop
        apertures = len(single.used)
        own = Expectation(found.curve[i, :, :apertures], *(part[rows] for part in found[1:]))
        state_of = State(*(part[i] for part in state))
        fits.append(CurveFit(data[i], single, state_of, own, curvature[rows]))
    return fits


def _start(model: Model) -> State:
    """Optics through an upper quantile of every cell."""
    inlier, quantile = _START
    target, count = _quantiles(model, quantile)
    theta = model.prior[0]
    weight = (count > 0) / _START_SD**2
    for _ in range(_STEPS):
        residual = target - model.optics.curves(theta)
        theta = model.gauss_newton(theta, model.optics.jacobian(theta), weight * residual, weight)
    zones = model.value.shape[1]
    shares = np.append(inlier, np.full(COMPONENTS - 1, (1 - inlier) / (COMPONENTS - 1)))
    return State(
        theta,
        np.tile(shares, (len(theta), 1)),
        np.full((len(theta), zones), SCATTER),
    )


def _quantiles(model: Model, quantile: float) -> tuple[Floats, Floats]:
    """Of each curve's cells the `quantile` of ln MTF50, and the count of figures, (C, Z, K)."""
    curves, apertures = model.used.shape
    zones = model.value.shape[1]
    place = (model.cell[:, None] * zones + np.arange(zones))[model.known]
    value = model.value[model.known]
    value = value[np.lexsort((value, place))]
    count = np.bincount(place, minlength=curves * apertures * zones)
    at = quantile * np.maximum(count - 1, 0)
    low = np.cumsum(count) - count + at.astype(int)
    inside = np.append(value, 0.0)
    out = inside[np.minimum(low, len(value))]
    above = inside[np.minimum(low + (at > at.astype(int)), len(value))]
    out += (at % 1) * (above - out)
    shape = curves, apertures, zones
    return np.swapaxes(out.reshape(shape), 1, 2), np.swapaxes(count.reshape(shape), 1, 2)
