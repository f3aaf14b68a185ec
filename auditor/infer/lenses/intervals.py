"""Intervals of a fitted curve.

What the frames decide is the likelihood's own information on the optics, with shares of frames and their
scatter as they are found. Frames of one scene are not independent; scores summed by outing or scene (the
cluster-robust sandwich) let two points in a hundred more hold where every frame was there four times, elsewhere
none. Added is what more frames would not take away, as large as the archive shows it to be: what objects are soft
themselves, what figures that differ may have in common, what the camera's sharpening does beyond the textbook's; and
how far the lens may lie beyond the sharpest of frames that all fall short of it, which counts for much where frames
are few (`_OffsetPosterior`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, reduce
from itertools import combinations
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from auditor.exposure import F_NUMBERS
from auditor.infer.criteria import DRAWS
from auditor.infer.frame_values import aperture_index
from auditor.infer.lenses.curve_data import cell_sums
from auditor.infer.lenses.excess import Excess
from auditor.infer.lenses.fit import CurveFit
from auditor.infer.lenses.shared_errors import (
    HALF_NORMAL_MEDIAN,
    SharedErrors,
    normal_deviates,
    shared_errors,
)

__all__ = ["Draws"]

Floats = NDArray[np.float64]

_KERNEL_STOPS: Final = 0.5
"""Standard deviation, in stops, of the weight with which frames at other apertures count: aberrations
change by half and more within a stop (textbook optics), so frames a stop away say little of this one."""
_FIRST_STEP: Final = 0.01
"""First step (ln MTF50) from the curve: what a good archive resolves."""
_STEPS: Final = 16
"""Steps from there to a perfect lens, each larger than the last by the same factor."""
_FARTHEST_BELOW: Final = 0.2
"""How far (ln MTF50) the lens may lie below the curve: ten times the scatter of inliers. With less, intervals of simulated
archives of a handful of frames hold less often; farther changes nothing."""
_STEPS_BELOW: Final = 6
"""Steps down to there."""


class _OffsetPosterior:
    """Posterior of the lens's true curve as an offset to the fitted one, by zone and aperture.

    The fit takes the sharpest frames that agree for the lens's own. Where frames are few, all of them may
    have been softer than the lens: a curve that lies higher explains them too, as frames all of which are soft. The
    fit's covariance, which knows the likelihood's top alone, cannot tell.

    The likelihood of the fit's own mixture model is evaluated along shifted curves; frames at other apertures
    count with a Gaussian kernel of `_KERNEL_STOPS`. The prior is flat between `_FARTHEST_BELOW` below the fit
    and the curve of a perfect lens at that pixel pitch. Integrated by the trapezoidal rule.

    Parameters
    ----------
    fit : CurveFit
        The fitted curve.
    """

    def __init__(self, fit: CurveFit) -> None:
        headroom = np.maximum(fit.model.optics.perfect(fit.sharpening) - fit.curve, _FIRST_STEP)
        below = -np.geomspace(_FARTHEST_BELOW, _FIRST_STEP, _STEPS_BELOW)
        offset = np.concatenate([below, [0.0], np.geomspace(_FIRST_STEP, headroom.max(), _STEPS)])
        log_density = fit.model.log_densities(fit.state, fit.curve + offset[:, None, None])
        self._stops = np.log2(fit.data.f_numbers)
        distance = self._stops[:, None] - self._stops[fit.data.aperture]
        kernel = np.exp(-0.5 * (distance / _KERNEL_STOPS) ** 2)
        likelihood = np.einsum("kn,dnz->zkd", kernel, log_density)
        likelihood = np.exp(likelihood - likelihood.max(2, keepdims=True))
        likelihood[offset > headroom[:, :, None] * (1 + 1e-9)] = 0.0
        mass = (likelihood[:, :, 1:] + likelihood[:, :, :-1]) / 2 * np.diff(offset)
        self._cdf = np.insert(mass.cumsum(2), 0, 0.0, axis=2) / mass.sum(2, keepdims=True)
        self._offsets = offset

    def quantile(self, deviate: Floats, f_numbers: Floats) -> Floats:
        """Quantiles of the offset.

        Parameters
        ----------
        deviate : ndarray of float64, shape (B,)
            Standard normal deviates that stand for probabilities: 0 is the median.
        f_numbers : ndarray of float64, shape (M,)
            Apertures; between those used offsets are interpolated over stops, past them they are those of the
            last one.

        Returns
        -------
        ndarray of float64, shape (B, Z, M)
            Offsets to the fitted curve, ln MTF50.
        """
        probability = ndtr(deviate)
        zones, apertures, _ = self._cdf.shape
        offsets = np.empty((len(probability), zones, apertures))
        for z in range(zones):
            for k in range(apertures):
                offsets[:, z, k] = np.interp(probability, self._cdf[z, k], self._offsets)
        # Between apertures in use on straight lines over stops, past them as at the last.
        weight = [np.interp(np.log2(f_numbers), self._stops, basis) for basis in np.eye(apertures)]
        return np.asarray(offsets @ np.stack(weight))


@dataclass(frozen=True, slots=True)
class _CurveDraws:
    """What B plausible curves are made of.

    Attributes
    ----------
    theta : ndarray of float64, shape (B, P)
        Steps of the parameters of optics, from the normal approximation of the likelihood.
    shared : SharedErrors
        Errors that all frames share.
    covariance : ndarray of float64, shape (ZK, ZK)
        Of the fitted curve, as far as frames decide it.
    weight : ndarray of float64, shape (Z,)
        Precision of each zone's curve, by which zones that must agree are averaged.
    """

    theta: Floats
    shared: SharedErrors
    covariance: Floats
    weight: Floats


class Curves(NamedTuple):
    """A curve at M apertures with its draws, ln MTF50.

    Attributes
    ----------
    value : ndarray of float64, shape (Z, M)
        Central estimate: the fit, raised by the median of how far lenses lie beyond their frames, lowered by
        the bias of the camera's sharpening.
    draws : ndarray of float64, shape (B, Z, M)
        Plausible curves.
    frames_part : ndarray of float64, shape (B, Z, M)
        Their deviations from the fit as far as frames decide it: by the fit's covariance, and by the
        posterior of its offset.
    """

    value: Floats
    draws: Floats
    frames_part: Floats


@dataclass(frozen=True)
class Draws:
    """Plausible curves about a fit, whose central `interval` is the reported one.

    Drawn when first asked for, as nobody asks where a lens has no evidence.

    Parameters
    ----------
    fit : CurveFit
        The fitted curve.
    interval : float
        Share of the truth that intervals are meant to hold.
    seed : int
        Seed of the draws.
    """

    fit: CurveFit
    interval: float
    seed: int

    @cached_property
    def _drawn(self) -> _CurveDraws:
        return _draw_curves(self.fit, self.seed)

    @cached_property
    def _offset(self) -> _OffsetPosterior:
        return _OffsetPosterior(self.fit)

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
        """Probabilities of the lower and the upper end of the reported interval."""
        return [0.5 - self.interval / 2, 0.5 + self.interval / 2]

    @cached_property
    def thirds(self) -> NDArray[np.int64]:
        """(M,) indices of all thirds of a stop from the widest to the smallest aperture used."""
        used = aperture_index(self.fit.data.f_numbers)
        return np.arange(used[0], used[-1] + 1)

    @cached_property
    def used(self) -> NDArray[np.int64]:
        """(K,) where the apertures used are among those."""
        return aperture_index(self.fit.data.f_numbers) - self.thirds[0]

    @cached_property
    def grid(self) -> Floats:
        """(M,) apertures at all thirds: those used as the files state them."""
        grid = np.asarray(F_NUMBERS)[self.thirds]
        grid[self.used] = self.fit.data.f_numbers
        return grid

    @cached_property
    def at_thirds(self) -> Curves:
        """The curve and its draws at `grid`; no curve is sharper further out in the picture."""
        f_numbers = self.grid
        optics = self.fit.model.optics.on(f_numbers)
        own, shared = self._drawn, self._drawn.shared
        fitted = optics.curves(self.fit.state.theta)
        depth = self._depth(f_numbers, fitted)
        value = fitted + HALF_NORMAL_MEDIAN * depth - shared.sharpening_bias
        jacobian = optics.jacobian(self.fit.state.theta)
        frames_part = np.einsum("zkp,bp->bzk", jacobian, own.theta)
        frames_part = frames_part + self._offset.quantile(shared.deviate, f_numbers)
        draws = fitted + frames_part
        draws += shared.level[:, None, None]
        half_normal = ndtri((1 + ndtr(shared.deviate)) / 2)
        draws += half_normal[:, None, None] * depth
        return Curves(
            _falling_outwards(value, own.weight), _falling_outwards(draws, own.weight), frames_part
        )

    @property
    def curve(self) -> Floats:
        """(B, Z, K) ln MTF50 at the apertures used."""
        return self.at_thirds.draws[..., self.used]

    @cached_property
    def figures_at_thirds(self) -> tuple[Floats, Floats, Floats]:
        """Figures (Z, M), c/px, at all thirds, and the ends of their intervals."""
        value = np.exp(self.at_thirds.value)
        low, high = np.exp(np.quantile(self.at_thirds.draws, self.ends, axis=0))
        return value, np.minimum(low, value), np.maximum(high, value)

    @property
    def figures(self) -> tuple[Floats, Floats, Floats]:
        """Figures (Z, K), c/px, at the apertures used, and the ends of their intervals."""
        value, low, high = (part[:, self.used] for part in self.figures_at_thirds)
        return value, low, high

    @cached_property
    def from_frames(self) -> Floats:
        """(B, Z, K) draws without what more frames would not take away (errors that all frames share)."""
        return np.asarray(self.fit.curve + self.at_thirds.frames_part[..., self.used])

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
        """(Z, M) scale (ln MTF50) of how far the lens lies beyond frames that all suffer from depth."""
        at = np.log(f_numbers), np.log(self.fit.data.f_numbers)
        scale = np.stack([np.interp(*at, zone) for zone in self._drawn.shared.depth_scale])
        return scale * self._deficit(f_numbers, value)

    @property
    def typical_deficit(self) -> Floats:
        """(Z, K) by how much (ln MTF50) the frames nearest to the lens fall short of it, as a rule."""
        return self._deficit(self.fit.data.f_numbers, self.fit.curve)

    def _deficit(self, f_numbers: Floats, value: Floats) -> Floats:
        nearest = Excess.at(f_numbers).least_excess(self.fit.state.shares)
        return np.asarray(0.5 * nearest / (np.exp(-2 * value) + nearest))


def _draw_curves(fit: CurveFit, seed: int) -> _CurveDraws:
    """`DRAWS` plausible curves."""
    rng = np.random.default_rng(seed)
    jacobian = fit.model.optics.jacobian(fit.state.theta)
    covariance = np.linalg.inv(_information(fit, jacobian))
    zones, size = fit.curve.shape[0], len(fit.state.theta)
    theta = normal_deviates(rng, DRAWS, size) @ np.linalg.cholesky(covariance).T
    jacobian = jacobian.reshape(-1, size)
    spread = jacobian @ covariance @ jacobian.T
    weight = 1 / np.diag(spread).reshape(zones, -1).mean(1)
    own = np.random.default_rng([seed, 1])
    return _CurveDraws(theta, shared_errors(fit, DRAWS, own), spread, weight)


def _falling_outwards(curve: Floats, weight: Floats) -> Floats:
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


def _information(fit: CurveFit, jacobian: Floats) -> Floats:
    """Observed information of the optics with their prior; where a mixture is undecided the likelihood may
    be convex, and only the prior holds it."""
    weight = np.maximum(cell_sums(fit.data, fit.curvature), 0)
    information = np.einsum("zk,zkp,zkq->pq", weight, jacobian, jacobian)
    return np.asarray(information + np.diag(1 / fit.model.prior[1] ** 2))
