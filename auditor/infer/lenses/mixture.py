"""How a frame's figures arise from a lens's curve: sound frames at it, failed frames below it.

Frames that failed say nothing about the curve itself: how far below it they lie depends on how they
failed. They only must not be taken for sound ones.

Each frame is in one of these states: sound, or blurred over the whole frame by a Gaussian of d px
(missed focus, shake) on top of the lens: 1/MTF50^2 then grows by (d / 0.187)^2. Apart from that a
single zone may show nothing at the plane of focus and read softer (one-sided exponential), or be a
wild figure. Sound figures scatter around the curve, in part all zones of a frame together. Shake is told from missed focus by exposure
time x focal length and by blur that differs between x and y.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import erfcx, expit

__all__ = [
    "CurveData",
    "Expectation",
    "MixtureState",
    "expectation",
    "expected_scatter",
    "update_mixture",
]

Floats = NDArray[np.float64]

KAPPA: Final = float(np.sqrt(np.log(2) / 2) / np.pi)
"""MTF50 of a Gaussian of 1 px."""
EXTRA_PX: Final = np.geomspace(0.22, 6.0, 10)
"""Extra blur of failed frames that stands for its neighbourhood on a log scale."""
_LOG_STEP: Final = float(np.log(EXTRA_PX[1] / EXTRA_PX[0]))
_NODES: Final = np.sqrt(3.0) * np.array([-1.0, 0.0, 1.0])
"""Gauss-Hermite nodes for a sound frame's common shift, in standard deviations."""
_NODE_WEIGHTS: Final = np.array([1.0, 4.0, 1.0]) / 6.0
SOUND: Final = len(_NODES)
"""States of a sound frame; those of failed ones follow."""
_ZONE_LOSS: Final = 0.25
"""Mean loss (log) of a zone that shows nothing in focus."""
_WILD: Final = 0.01
_WILD_SPREAD: Final = 0.5
_TINY: Final = 1e-300
_UNDERSTATED: Final = 1.7
"""Sound figures scatter by so many times the error that they state: edges of a scene err together."""
_SCATTER_WEIGHT: Final = 20.0
_MISSED: Final = 0.28
_MISSED_WEIGHT: Final = 30.0
"""Share of failed frames that archives have, and the frames' worth of trust in it. Where scenes
are soft themselves, sound but scattered and sharp but mostly failed look nearly alike."""


@dataclass(frozen=True, slots=True)
class CurveData:
    """The frames of one curve. n frames, Z zones, K apertures."""

    log_mtf50: Floats
    """n x Z, NaN where a zone was not measured."""
    relative_variance: Floats
    """n x Z, variance of a figure against the typical one, from its standard error."""
    typical: Floats
    """Z, the relative standard error that the zone's figures state in the median."""
    aperture: NDArray[np.int64]
    """n, index into `f_numbers`."""
    f_numbers: Floats
    """K, ascending."""
    pitch_um: float
    source: str
    shake_stops: Floats
    """n, log2(exposure time x focal length): 0 at the rule of thumb; NaN when unknown."""
    direction: Floats
    """n, log of MTF50 along x over along y; NaN when unknown."""
    outing: NDArray[np.int64]
    scene: NDArray[np.int64]
    row: NDArray[np.int64]
    """n, position in the frame table."""


@dataclass(slots=True)
class MixtureState:
    """What is learnt of an archive's failures and scatter."""

    scatter: Floats
    """Z, standard deviation of log MTF50 of sound figures."""
    soft_zone: Floats
    """Z, share of zones that read softer by themselves."""
    common: float = 0.012
    """Standard deviation of what the zones of a sound frame share."""
    missed: float = 0.3
    missed_log_px: float = 0.3
    shake: Floats = field(default_factory=lambda: np.array([-1.5, 0.6]))
    """Intercept and slope (per stop of time x focal length) of the log odds of shake."""
    shake_log_px: float = 0.2
    direction_sound: float = 0.06
    direction_shaken: float = 0.40


@dataclass(frozen=True, slots=True)
class Expectation:
    """One look at all frames, given a curve and a mixture state."""

    gradient: Floats
    """n x Z, derivative of the log likelihood by the curve (log MTF50)."""
    curvature: Floats
    """n x Z, complete-data information."""
    sound: Floats
    """n, probability that nothing failed over the whole frame."""
    shaken: Floats
    in_core: Floats
    """n x Z, probability that the zone's figure scatters around the curve (frame sound)."""
    core_square: Floats
    """n x Z, expected squared core residual over all states, in units of relative variance."""
    common_square: Floats
    """n, expected squared common shift of a sound frame, times the probability of sound."""
    core_any: Floats
    soft: Floats
    extra_weight: Floats
    """n x D, probability of each extra blur."""
    log_likelihood: float


def _lognormal_weights(log_px: float, spread: float = 0.7) -> Floats:
    density = np.exp(-0.5 * ((np.log(EXTRA_PX) - log_px) / spread) ** 2)
    return np.asarray(density / density.sum())


def state_weights(data: CurveData, state: MixtureState) -> tuple[Floats, Floats, Floats]:
    """Prior weights of sound (n,), missed focus (n x D) and shake (n x D), direction included."""
    stops = np.where(np.isnan(data.shake_stops), -2.0, data.shake_stops)
    odds = np.clip(state.shake[0] + state.shake[1] * stops, -8, 8)
    shake = expit(odds)
    ratio = np.ones(len(stops))
    known = ~np.isnan(data.direction)
    square = np.where(known, data.direction, 0.0) ** 2
    a, b = state.direction_sound, state.direction_shaken
    exponent = np.minimum(0.5 * square[known] * (1 / a**2 - 1 / b**2), 20.0)
    ratio[known] = a / b * np.exp(exponent)
    ratio = np.clip(ratio, 0.1, 1e4)
    sound = (1 - shake) * (1 - state.missed)
    missed = ((1 - shake) * state.missed)[:, None] * _lognormal_weights(state.missed_log_px)
    shaken = (shake * ratio)[:, None] * _lognormal_weights(state.shake_log_px)
    return sound, missed, shaken


def expectation(
    data: CurveData, curve: Floats, state: MixtureState, offset: Floats, extra_variance: Floats
) -> Expectation:
    """E step. `curve` is Z x K, log MTF50; `offset` (n x Z) the known shift of a frame's scene.

    `extra_variance` (n x 1) adds to the scatter of frames whose scene's shift is unknown.
    """
    y = data.log_mtf50 - offset
    known = ~np.isnan(y)
    eta = curve.T[data.aperture]  # n x Z
    sound, missed, shaken = state_weights(data, state)
    extra = np.concatenate([np.zeros(SOUND), EXTRA_PX])
    shift = np.concatenate([state.common * _NODES, np.zeros(len(EXTRA_PX))])
    # Shapes below: n x Z x (SOUND + D). share: what of a change of the lens still shows.
    share = 1 / (1 + np.exp(2 * eta)[:, :, None] * (extra / KAPPA) ** 2)
    mean = eta[:, :, None] + 0.5 * np.log(share) + shift
    variance = (state.scatter**2)[None, :, None] * data.relative_variance[:, :, None]
    variance = variance + extra_variance[:, :, None]
    # Share of a squared residual that the frame's own scatter, not its scene, accounts for.
    own = 1 - extra_variance / variance[:, :, 0]
    variance = variance + ((1 - share) * _LOG_STEP) ** 2 / 12 * (extra > 0)
    sd = np.sqrt(variance)
    r = np.where(known, y, 0.0)[:, :, None] - mean
    bell = np.exp(-0.5 * (r / sd) ** 2)
    core = (1 - state.soft_zone[None, :, None] - _WILD) / np.sqrt(2 * np.pi) * bell / sd
    u = -(r / sd) - sd / _ZONE_LOSS
    # Exponential convolved with a Gaussian: exp(r/l + v/(2 l^2)) Phi(u) / l. Phi comes from the
    # scaled erfc, which also gives the inverse Mills ratio phi(u) / Phi(u), stable in both tails.
    scaled = erfcx(-np.minimum(u, 25.0) / np.sqrt(2))
    far = np.exp(np.minimum(r / _ZONE_LOSS + variance / (2 * _ZONE_LOSS**2), 0.0))
    low = state.soft_zone[None, :, None] / _ZONE_LOSS * np.where(u < 25, 0.5 * bell * scaled, far)
    wild = _WILD * np.exp(-0.5 * (r / _WILD_SPREAD) ** 2) / (_WILD_SPREAD * np.sqrt(2 * np.pi))
    total = core + low + wild + _TINY
    p_core, p_low = core / total, low / total
    hazard = np.sqrt(2 / np.pi) / np.maximum(scaled, _TINY)
    grad = p_core * r / variance + p_low * (hazard / sd - 1 / _ZONE_LOSS)
    curv = p_core / variance + p_low * np.clip(hazard * (hazard + u), 0, None) / variance
    zone_log = np.where(known[:, :, None], np.log(total), 0.0).sum(1)  # n x (SOUND + D)
    prior = np.concatenate([sound[:, None] * _NODE_WEIGHTS, missed + shaken], axis=1)
    joint = zone_log + np.log(np.maximum(prior, _TINY))
    top = joint.max(1, keepdims=True)
    posterior = np.exp(joint - top)
    norm = posterior.sum(1, keepdims=True)
    posterior /= norm
    q = posterior[:, None, :] * known[:, :, None]
    blurred = posterior[:, SOUND:]
    at = q[:, :, :SOUND]
    in_core = at * p_core[:, :, :SOUND]
    square = own[:, :, None] ** 2 * r[:, :, :SOUND] ** 2 + (own * extra_variance)[:, :, None]
    return Expectation(
        gradient=(at * grad[:, :, :SOUND]).sum(2),
        curvature=(at * curv[:, :, :SOUND]).sum(2),
        sound=posterior[:, :SOUND].sum(1),
        shaken=(blurred * shaken / np.maximum(missed + shaken, _TINY)).sum(1),
        in_core=in_core.sum(2),
        core_square=(in_core * square).sum(2) / data.relative_variance,
        common_square=posterior[:, :SOUND] @ (state.common * _NODES) ** 2,
        core_any=(q * p_core).sum(2),
        soft=(q * p_low).sum(2),
        extra_weight=blurred,
        log_likelihood=float((top + np.log(norm)).sum()),
    )


def expected_scatter(data: CurveData) -> Floats:
    """Z, scatter of sound figures to be expected from the errors that they state."""
    return np.asarray(np.clip(_UNDERSTATED * data.typical, 0.02, 0.2))


def update_mixture(data: CurveData, look: Expectation, state: MixtureState) -> MixtureState:
    """M step of everything but the curve, each with a mild prior so that few frames suffice."""
    known = ~np.isnan(data.log_mtf50)
    cells = look.in_core.sum(0)
    spread2 = look.core_square.sum(0) + _SCATTER_WEIGHT * expected_scatter(data) ** 2
    scatter2 = spread2 / (np.maximum(cells - _spent(data), 0) + _SCATTER_WEIGHT)
    common2 = (look.common_square.sum() + 8 * 0.012**2) / (look.sound.sum() + 8)
    soft = (look.soft.sum(0) + 1.0) / (known.sum(0) + 12.0)
    shaken = look.shaken
    blurred = look.extra_weight.sum(1)
    missed_only = np.clip(blurred - shaken, 0, 1)
    missed = missed_only.sum() + _MISSED_WEIGHT * _MISSED
    missed /= (1 - shaken).sum() + _MISSED_WEIGHT
    log_px = np.log(EXTRA_PX)
    total = np.maximum(blurred, _TINY)
    by_blur = look.extra_weight / total[:, None]
    missed_log = (missed_only[:, None] * by_blur * log_px).sum() + 4 * 0.3
    shake_log = (shaken[:, None] * by_blur * log_px).sum() + 4 * 0.2
    sound = look.sound
    seen = ~np.isnan(data.direction)
    d2 = np.where(seen, data.direction, 0.0) ** 2
    direction = np.sqrt(((sound * d2)[seen].sum() + 4 * 0.06**2) / (sound[seen].sum() + 4))
    return MixtureState(
        scatter=np.sqrt(np.clip(scatter2, 0.006**2, 0.25**2)),
        soft_zone=np.clip(soft, 0.005, 0.4),
        common=float(np.sqrt(np.clip(common2, 0.004**2, 0.08**2))),
        missed=float(np.clip(missed, 0.02, 0.85)),
        missed_log_px=float(np.clip(missed_log / (missed_only.sum() + 4), -0.3, 1.2)),
        shake=_shake_odds(data, shaken, state.shake),
        shake_log_px=float(np.clip(shake_log / (shaken.sum() + 4), -0.4, 1.2)),
        direction_sound=float(np.clip(direction, 0.02, 0.2)),
        direction_shaken=max(0.4, 3 * float(direction)),
    )


def _spent(data: CurveData) -> float:
    """Degrees of freedom that a zone's curve takes from its scatter."""
    return 0.6 * len(data.f_numbers)


def _shake_odds(data: CurveData, shaken: Floats, now: Floats) -> Floats:
    """One penalised Newton step of a logistic regression of shake on time x focal length."""
    stops = np.where(np.isnan(data.shake_stops), -2.0, data.shake_stops)
    design = np.stack([np.ones_like(stops), stops], axis=1)
    chance = expit(np.clip(design @ now, -8, 8))
    centre, precision = np.array([-1.5, 0.6]), np.array([1 / 0.7**2, 1 / 0.4**2])
    gradient = design.T @ (shaken - chance) - precision * (now - centre)
    information = (design * (chance * (1 - chance))[:, None]).T @ design
    step = np.linalg.solve(information + np.diag(precision), gradient)
    new = now + np.clip(step, -1.0, 1.0)
    return np.array([np.clip(new[0], -6, 3), np.clip(new[1], 0.0, 2.5)])
