"""How much sharper or softer, from pairs of which some missed focus.

Model: log MTF50 of a frame of pair i in zone z is base_z + scene_i (+ d_z with the label) + noise,
less a miss, in all zones at once, where the frame missed focus or was shaken: a miss only ever makes
softer. The zones share most of an accessory's effect: d_z scatters little around a common d. What a
scene shares cancels in the pair, but it tells which of two frames is the odd one.
Sampled by Gibbs steps (Gelman et al., Bayesian Data Analysis, ch. 11), many short chains side by
side that start apart, each weighed by how likely it is, so that none stays with a wrong guess.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

__all__ = ["Difference", "paired_difference"]

Floats = NDArray[np.float64]

_CHAINS: Final = 40
"""Chains side by side; each starts from a few pairs of its own."""
_STEPS: Final = 130
"""Gibbs steps of each chain, those of warming up included."""
_WARM: Final = 60
"""Steps that are thrown away: chains forget where they started."""

ZONE_SD: Final = 0.03
"""How far zones differ in an accessory's effect, in log MTF50."""
_SCATTER: Final = 0.035
"""Scatter of a frame's log MTF50 in a zone beyond its stated error; worth so many figures."""
_SCENE_SD: Final = 0.08
"""Scatter of what the frames of a scene share."""
_WORTH: Final = 6.0
"""Figures that a prior scatter counts for (degrees of freedom of a scaled inverse chi squared)."""
_MISS_MEAN: Final = 0.6
"""Mean loss of a miss in log MTF50 (exponential prior): to some half of the sharpness."""
_MISS_ODDS: Final = (2.0, 8.0)
"""Beta prior of the share of misses: one frame in five, worth ten frames (common practice, no source)."""
_MISS_ZONE_SD: Final = 0.15
"""How unequally a missed focus hits the zones."""
_FREEDOM: Final = 5.0
"""Degrees of freedom of the noise: heavy tails."""
_LEVEL_PRECISION: Final = 1e-3
"""Prior precision of the bare frames' level: next to none."""
_STATES: Final = np.array([[0, 0], [1, 0], [0, 1], [1, 1]])
"""Which of the two frames of a pair missed."""


@dataclass(frozen=True, slots=True)
class Difference:
    """Posterior of the log ratios, labelled over bare.

    `draws`: (N, Z); `base`: (N, Z) log MTF50 of
    the bare frames in focus; `sound`: (I,) probability that both frames of a pair were in focus.
    """

    draws: Floats
    base: Floats
    sound: Floats


class _State:
    """Arrays of all chains; last axes pair, side (0 labelled, 1 bare), zone."""

    def __init__(self, y: Floats, rng: np.random.Generator) -> None:
        c, (n, _, zones) = _CHAINS, y.shape
        self.delta = np.empty((c, zones))
        self.base = np.empty((c, zones))
        ratios = y[:, 0] - y[:, 1]
        for k in range(c):
            # Each chain starts from a few pairs of its own.
            some = rng.choice(n, min(n, 3), replace=False)
            self.delta[k] = _median(ratios[some])
            self.base[k] = _median(y[some, 1])
        spread = np.nanmedian(self.delta) if np.isfinite(self.delta).any() else 0.0
        self.delta = np.where(np.isfinite(self.delta), self.delta, spread)
        middle = float(np.nanmedian(y))
        self.base = np.where(np.isfinite(self.base), self.base, middle)
        self.common = self.delta.mean(1)
        self.scatter2 = np.full(c, _SCATTER**2)
        self.scene2 = np.full(c, _SCENE_SD**2)
        self.share = rng.beta(*_MISS_ODDS, c)
        self.size = np.full((c, n, 2), 0.5)
        self.fault = np.zeros((c, n, 2), bool)
        self.trust = np.ones((c, *y.shape))


def _median(values: Floats) -> Floats:
    out = np.full(values.shape[1], np.nan)
    for z in range(values.shape[1]):
        known = values[:, z][np.isfinite(values[:, z])]
        if len(known):
            out[z] = np.median(known)
    return out


def paired_difference(
    labelled: Floats,
    bare: Floats,
    stderr: tuple[Floats, Floats],
    risk: Floats,
    seed: int,
) -> Difference:
    """Posterior of the log MTF50 ratios between the two sides of pairs.

    Args:
        labelled, bare: (I, Z) log MTF50 brought to one aperture, NaN where a zone was not measured.
        stderr: their stated standard errors (log).
        risk: (I, 2) factor on the odds that the labelled and the bare frame is at fault, 1 as usual.
    """
    rng = np.random.default_rng(seed)
    y = np.stack([labelled, bare], axis=1)
    seen = np.isfinite(y)
    errors = np.stack(stderr, axis=1)
    own = np.where(seen, errors, 0.0) ** 2
    zones = y.shape[2]
    state = _State(y, rng)
    y = np.where(seen, y, 0.0)
    kept: list[tuple[Floats, Floats, NDArray[np.bool_]]] = []
    likely: list[Floats] = []
    for step in range(_STEPS):
        variance = (state.scatter2[:, None, None, None] + own) / state.trust
        evidence = _draw_faults(state, y, seen, variance, risk, rng)
        variance = variance + state.fault[..., None] * _MISS_ZONE_SD**2
        precision = seen / variance
        scene = _draw_scenes(state, y, precision, rng)
        _draw_sizes(state, y, precision, scene, rng)
        _draw_levels(state, y, precision, scene, zones, rng)
        _draw_spreads(state, y, seen, own, scene, rng)
        _draw_trust(state, y, seen, own, scene, rng)
        if step >= _WARM:
            sound = np.asarray(~state.fault.any(2))
            kept.append((state.delta.copy(), state.base.copy(), sound))
            likely.append(evidence)
    # A chain that froze in an unlikely guess counts for as much as that guess is likely.
    level = np.mean(likely, axis=0)
    weight = np.exp(level - level.max())
    picked = rng.choice(_CHAINS, 3 * _CHAINS, p=weight / weight.sum())
    delta, base = (np.concatenate([k[i][picked] for k in kept]) for i in range(2))
    return Difference(delta, base, np.mean([k[2][picked].mean(0) for k in kept], axis=0))


def _mean(state: _State) -> Floats:
    """Expected log MTF50 of frames in focus, less scene: chain, 1, side, zone."""
    return np.stack([state.base + state.delta, state.base], axis=1)[:, None]


def _draw_faults(
    state: _State, y: Floats, seen: NDArray[np.bool_], variance: Floats, odds: Floats,
    rng: np.random.Generator,
) -> Floats:  # fmt: skip
    """Which frames are at fault, the scene's share integrated out; sizes of misses just entered.

    Returns each chain's log likelihood with the faults summed over.
    """
    fresh = rng.exponential(_MISS_MEAN, state.size.shape)
    state.size = np.where(state.fault, state.size, fresh)
    share = state.share[:, None, None]
    prior = share * odds / (1 - share + share * odds)
    log_p = np.empty((*state.size.shape[:2], 4))
    for k, faulty in enumerate(_STATES):
        rest = y - _mean(state) + (faulty * state.size)[..., None]
        v = variance + (faulty * _MISS_ZONE_SD**2)[None, None, :, None]
        w = seen / v
        held = w.sum((2, 3))
        pull = (w * rest).sum((2, 3)) ** 2 / (1 / state.scene2[:, None] + held)
        log_p[..., k] = -0.5 * (
            (w * rest**2).sum((2, 3)) - pull
            + (np.log(v) * seen).sum((2, 3)) + np.log1p(state.scene2[:, None] * held)
        )  # fmt: skip
        log_p[..., k] += np.log(np.where(faulty, prior, 1 - prior)).sum(2)
    most = log_p.max(2, keepdims=True)
    chance = np.exp(log_p - most)
    total = chance.sum(2, keepdims=True)
    chance /= total
    pick = (rng.random((*chance.shape[:2], 1)) > np.cumsum(chance, axis=2)).sum(2).clip(0, 3)
    state.fault = _STATES[pick].astype(bool)
    return np.asarray((most + np.log(total)).sum((1, 2)))


def _draw_scenes(state: _State, y: Floats, w: Floats, rng: np.random.Generator) -> Floats:
    rest = y - _mean(state) + (state.fault * state.size)[..., None]
    precision = w.sum((2, 3)) + 1 / state.scene2[:, None]
    mean = (w * rest).sum((2, 3)) / precision
    return np.asarray(mean + rng.standard_normal(mean.shape) / np.sqrt(precision))


def _draw_sizes(
    state: _State, y: Floats, w: Floats, scene: Floats, rng: np.random.Generator
) -> None:
    """Sizes of the misses: exponential prior, normal data; none is below 0."""
    rest = _mean(state) + scene[..., None, None] - y
    precision = np.maximum(w.sum(3), 1e-6)
    mean = ((w * rest).sum(3) - 1 / _MISS_MEAN) / precision
    sd = 1 / np.sqrt(precision)
    below = ndtr(-mean / sd)
    u = np.clip(below + (1 - below) * rng.random(mean.shape), 1e-12, 1 - 1e-12)
    drawn = np.maximum(mean + sd * ndtri(u), 0.0)
    state.size = np.where(state.fault, drawn, state.size)


def _draw_levels(
    state: _State, y: Floats, w: Floats, scene: Floats, zones: int, rng: np.random.Generator
) -> None:
    """Base per zone, effect per zone, and the effect that the zones share."""
    rest = y + (state.fault * state.size)[..., None] - scene[..., None, None]
    labelled, wl = rest[:, :, 0] - state.base[:, None], w[:, :, 0]
    precision = wl.sum(1) + 1 / ZONE_SD**2
    mean = ((wl * labelled).sum(1) + state.common[:, None] / ZONE_SD**2) / precision
    state.delta = mean + rng.standard_normal(mean.shape) / np.sqrt(precision)
    rest[:, :, 0] -= state.delta[:, None]
    precision = w.sum((1, 2)) + _LEVEL_PRECISION
    state.base = (w * rest).sum((1, 2)) / precision
    state.base += rng.standard_normal(state.base.shape) / np.sqrt(precision)
    state.common = state.delta.mean(1)
    state.common += rng.standard_normal(len(state.common)) * ZONE_SD / np.sqrt(zones)


def _draw_spreads(
    state: _State, y: Floats, seen: NDArray[np.bool_], own: Floats, scene: Floats,
    rng: np.random.Generator,
) -> None:  # fmt: skip
    """Scatter of frames in focus, spread of scenes, share of frames at fault."""
    rest = y - _mean(state) - scene[..., None, None]
    sound = (~state.fault)[..., None] & seen
    squares = ((rest**2 * state.trust - own) * sound).sum((1, 2, 3)).clip(0)
    # Base, effect and scene were fitted to the same figures.
    count = (sound.sum((1, 2, 3)) - scene.shape[1] - 2 * y.shape[2]).clip(0) + _WORTH
    state.scatter2 = (squares + _WORTH * _SCATTER**2) / rng.chisquare(count)
    state.scene2 = ((scene**2).sum(1) + _WORTH * _SCENE_SD**2) / rng.chisquare(
        scene.shape[1] + _WORTH, len(scene)
    )
    faults, frames = state.fault.sum((1, 2)), state.fault.shape[1] * 2
    state.share = rng.beta(_MISS_ODDS[0] + faults, _MISS_ODDS[1] + frames - faults)


def _draw_trust(
    state: _State, y: Floats, seen: NDArray[np.bool_], own: Floats, scene: Floats,
    rng: np.random.Generator,
) -> None:  # fmt: skip
    """Weights that make the noise Student's t: single zones where nothing lay in focus."""
    rest = y - _mean(state) - scene[..., None, None] + (state.fault * state.size)[..., None]
    variance = state.scatter2[:, None, None, None] + own + state.fault[..., None] * _MISS_ZONE_SD**2
    rate = (_FREEDOM + rest**2 / variance) / 2
    state.trust = np.where(seen, rng.standard_gamma((_FREEDOM + 1) / 2, rest.shape) / rate, 1.0)
