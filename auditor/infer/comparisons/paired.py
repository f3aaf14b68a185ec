"""How much sharper or softer, from pairs of which some missed focus.

Model: the log ratio of MTF50 within pair i in zone z is d_z + m_i + noise. m_i is 0 where both frames are in
focus, below 0 where the labelled one missed or was shaken, above 0 where the bare one was: a miss only ever
makes softer, in all zones at once. The zones share most of an accessory's effect: d_z scatters little around
a common d. Sampled by Gibbs steps (Gelman et al., Bayesian Data Analysis, ch. 11), many short chains side by
side that start apart, each weighed by how likely it is, so that none stays with a wrong guess.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_CHAINS: Final = 40
"""Chains side by side; each starts from one of the pairs."""
_STEPS: Final = 130
"""Gibbs steps of each chain, those of warming up included."""
_WARM: Final = 60
"""Steps that are thrown away: chains forget where they started."""

_ZONE_SD: Final = 0.03
"""How far zones differ in an accessory's effect, in log MTF50."""
_SCATTER: Final = 0.05
"""Scatter of a pair's log ratio in a zone beyond its stated error, in log MTF50 ..."""
_WORTH: Final = 6.0
"""... and the figures that this counts for (degrees of freedom of a scaled inverse chi squared)."""
_MISS_ODDS: Final = (2.0, 8.0)
"""Beta prior of the share of misses: one frame in five, worth ten frames (common practice, no source)."""
_MISS_ZONE_SD: Final = 0.15
"""How unequally a missed focus hits the zones."""
_SIZES: Final = np.linspace(0.05, 2.25, 23)
"""Losses of a miss in log MTF50, from hardly more than chance to nine tenths of the sharpness ..."""
_CHANCES: Final = np.exp(-_SIZES / 0.6) / np.exp(-_SIZES / 0.6).sum()
"""... and how likely each is: in the mean some half of the sharpness is lost (exponential prior)."""
_MISSES: Final = np.concatenate([-_SIZES, [0.0], _SIZES])
"""What a pair's ratio is off by, in log MTF50: the labelled frame missed, neither, the bare one."""


@dataclass(frozen=True, slots=True)
class Difference:
    """Posterior of the log ratios, labelled over bare.

    `draws`: (N, Z); `sound`: (I,) probability that both frames of a pair were in focus.
    """

    draws: Floats
    sound: Floats


def paired_difference(ratio: Floats, stderr: Floats, risk: Floats, seed: int) -> Difference:
    """Posterior of the log MTF50 ratios between the two sides of pairs.

    Args:
        ratio: (I, Z) log MTF50 of the labelled frames over the bare ones, brought to one aperture, NaN
            where a zone was not measured.
        stderr: their stated standard errors (I, Z).
        risk: (I, 2) factor on the odds that the labelled and the bare frame missed, 1 as usual.
    """
    rng = np.random.default_rng(seed)
    pairs, zones = ratio.shape
    seen = np.isfinite(ratio)
    own = np.where(seen, stderr, 0.0) ** 2
    starts = rng.choice(np.nanmedian(ratio, axis=1), _CHAINS)
    effect = starts[:, None].repeat(zones, 1)
    ratio = np.where(seen, ratio, 0.0)
    common, scatter2 = effect.mean(1), np.full(_CHAINS, _SCATTER**2)
    share = rng.beta(*_MISS_ODDS, (_CHAINS, 2))
    kept: list[tuple[Floats, Floats, Floats]] = []
    for _ in range(_STEPS):
        variance = scatter2[:, None, None] + own
        miss, evidence = _draw_misses(
            ratio - effect[:, None], seen, variance, _log_prior(share, risk), rng
        )
        variance = variance + (miss != 0)[..., None] * _MISS_ZONE_SD**2
        rest = ratio - miss[..., None]
        precision = (seen / variance).sum(1) + 1 / _ZONE_SD**2
        mean = (rest * seen / variance).sum(1) + common[:, None] / _ZONE_SD**2
        effect = mean / precision + rng.standard_normal(mean.shape) / np.sqrt(precision)
        common = effect.mean(1) + rng.standard_normal(_CHAINS) * _ZONE_SD / np.sqrt(zones)
        sound = (miss == 0)[..., None] & seen
        squares = (((rest - effect[:, None]) ** 2 - own) * sound).sum((1, 2)).clip(0)
        # The effects were fitted to the same figures.
        count = (sound.sum((1, 2)) - zones).clip(0) + _WORTH
        scatter2 = (squares + _WORTH * _SCATTER**2) / rng.chisquare(count)
        missed = np.stack([(miss < 0).sum(1), (miss > 0).sum(1)], axis=1)
        share = rng.beta(_MISS_ODDS[0] + missed, _MISS_ODDS[1] + pairs - missed)
        kept.append((effect, miss == 0, evidence))
    kept = kept[_WARM:]
    # A chain that froze in an unlikely guess counts for as much as that guess is likely.
    likely = np.mean([k[2] for k in kept], axis=0)
    weight = np.exp(likely - likely.max())
    picked = rng.choice(_CHAINS, 3 * _CHAINS, p=weight / weight.sum())
    sound_share = np.mean([k[1][picked].mean(0) for k in kept], axis=0)
    return Difference(np.concatenate([k[0][picked] for k in kept]), sound_share)


def _log_prior(share: Floats, risk: Floats) -> Floats:
    """Log chance of each of `_MISSES` by chain and pair, for shares of labelled and bare frames that miss."""
    missed = share[:, None] * risk / (1 - share[:, None] + share[:, None] * risk)
    labelled, bare = np.moveaxis(missed, -1, 0)[..., None]
    # Where both missed, either may have done so by more.
    parts = [labelled * (1 - bare / 2) * _CHANCES, (1 - labelled) * (1 - bare)]
    return np.log(np.concatenate([*parts, bare * (1 - labelled / 2) * _CHANCES], axis=2))


def _draw_misses(
    off: Floats, seen: NDArray[np.bool_], variance: Floats, prior: Floats, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """What each pair's ratio is off by through a miss, (chains, pairs), and each chain's log likelihood with
    the misses summed over."""
    log_p = prior
    for missed in (False, True):
        v = variance + missed * _MISS_ZONE_SD**2
        sizes = np.flatnonzero((_MISSES != 0) == missed)
        weight = seen / v
        squares, pull, total = ((weight * off**k).sum(2)[..., None] for k in (2, 1, 0))
        m = _MISSES[sizes]
        log_p[..., sizes] -= 0.5 * (squares - 2 * m * pull + m**2 * total)
        log_p[..., sizes] -= 0.5 * (np.log(v) * seen).sum(2)[..., None]
    most = log_p.max(2, keepdims=True)
    chance = np.exp(log_p - most)
    total = chance.sum(2, keepdims=True)
    reached = np.cumsum(chance, axis=2) / total
    pick = (rng.random(total.shape) > reached).sum(2).clip(0, len(_MISSES) - 1)
    return _MISSES[pick], (most + np.log(total)).sum((1, 2))
