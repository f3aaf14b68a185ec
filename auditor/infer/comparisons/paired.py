"""How much sharper or softer, from pairs of which some missed focus.

Model: the log ratio of MTF50 within pair i in zone z is d_z + m_i + noise. m_i is 0 where both frames are in
focus, below 0 where the labelled one missed or was shaken, above 0 where the control was: a miss only ever
makes softer, in all zones at once. The zones share most of an accessory's effect: d_z scatters little around
a common d. Sampled by Gibbs steps (Gelman et al., Bayesian Data Analysis, ch. 11), many short chains side by
side that start apart, each weighed by how likely it is, so that none stays with a wrong guess.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["SCATTER", "Difference", "paired_difference"]

Floats = NDArray[np.float64]

_CHAINS: Final = 40
"""Chains side by side; each starts from one of the pairs."""
_STEPS: Final = 130
"""Gibbs steps of each chain, those of warming up included."""
_BURN_IN: Final = 60
"""Steps that are thrown away: chains forget where they started."""

_ZONE_SD: Final = 0.03
"""How far zones differ in an accessory's effect, in log MTF50."""
SCATTER: Final = 0.05
"""Scatter of a pair's log ratio in a zone beyond its stated error, in log MTF50, and the error of a figure that
comes without a usable one ..."""
_SCATTER_DOF: Final = 6.0
"""... and the figures that this counts for (degrees of freedom of a scaled inverse chi squared)."""
_MISS_ODDS: Final = (2.0, 8.0)
"""Beta prior of the share of misses: one frame in five, worth ten frames (common practice, no source)."""
_MISS_ZONE_SD: Final = 0.15
"""How unequally a missed focus hits the zones."""
_LOSSES: Final = np.linspace(0.05, 2.25, 23)
"""Losses of a miss in log MTF50, from hardly more than chance to nine tenths of the sharpness ..."""
_LOSS_PRIOR: Final = np.exp(-_LOSSES / 0.6) / np.exp(-_LOSSES / 0.6).sum()
"""... and how likely each is: in the mean some half of the sharpness is lost (exponential prior)."""
_OFFSETS: Final = np.concatenate([-_LOSSES, [0.0], _LOSSES])
"""Offset of a pair's ratio, in log MTF50: the labelled frame missed, neither, the control."""


@dataclass(frozen=True, slots=True)
class Difference:
    """Posterior of the log ratios, labelled over control.

    Attributes
    ----------
    draws : ndarray of float64, shape (N, Z)
        Samples of the effect in each zone, ln MTF50.
    in_focus : ndarray of float64, shape (I,)
        Probability that both frames of a pair were in focus.
    """

    draws: Floats
    in_focus: Floats


def paired_difference(ratio: Floats, stderr: Floats, risk: Floats, seed: int) -> Difference:
    """Posterior of the log MTF50 ratio between the two sides of pairs, some of which missed focus.

    Mixture model: the log ratio of pair i in zone z is d_z + m_i + noise, with zone effects d_z that scatter
    by `_ZONE_SD` about a common one, and an offset m_i that is 0 where both frames are in focus and drawn
    from `_OFFSETS` where one missed (outlier component). Shares of misses have a Beta prior, the squared
    scatter a scaled inverse chi squared one. Gibbs sampling in `_CHAINS` chains; chains are weighted by their
    mean likelihood after burn-in.

    Parameters
    ----------
    ratio : ndarray of float64, shape (I, Z)
        ln MTF50 of the labelled frames over the controls, brought to one aperture, NaN where a zone was not
        measured.
    stderr : ndarray of float64, shape (I, Z)
        Their stated standard errors.
    risk : ndarray of float64, shape (I, 2)
        Factor on the odds that the labelled and the control frame missed, 1 as usual.
    seed : int
        Seed of the sampler.

    Returns
    -------
    Difference
        Samples of the weighted chains.

    References
    ----------
    A. Gelman et al., Bayesian Data Analysis, ch. 11.
    """
    rng = np.random.default_rng(seed)
    pairs, zones = ratio.shape
    measured = np.isfinite(ratio)
    stated2 = np.where(measured, stderr, 0.0) ** 2
    starts = rng.choice(np.nanmedian(ratio, axis=1), _CHAINS)
    effect = starts[:, None].repeat(zones, 1)
    ratio = np.where(measured, ratio, 0.0)
    common, scatter2 = effect.mean(1), np.full(_CHAINS, SCATTER**2)
    share = rng.beta(*_MISS_ODDS, (_CHAINS, 2))
    samples: list[tuple[Floats, Floats, Floats]] = []
    for _ in range(_STEPS):
        variance = scatter2[:, None, None] + stated2
        offset, evidence = _draw_offsets(
            ratio - effect[:, None], measured, variance, _log_prior(share, risk), rng
        )
        variance = variance + (offset != 0)[..., None] * _MISS_ZONE_SD**2
        focused = ratio - offset[..., None]
        precision = (measured / variance).sum(1) + 1 / _ZONE_SD**2
        mean = (focused * measured / variance).sum(1) + common[:, None] / _ZONE_SD**2
        effect = mean / precision + rng.standard_normal(mean.shape) / np.sqrt(precision)
        common = effect.mean(1) + rng.standard_normal(_CHAINS) * _ZONE_SD / np.sqrt(zones)
        in_focus = (offset == 0)[..., None] & measured
        squares = (((focused - effect[:, None]) ** 2 - stated2) * in_focus).sum((1, 2)).clip(0)
        # The effects were fitted to the same figures.
        count = (in_focus.sum((1, 2)) - zones).clip(0) + _SCATTER_DOF
        scatter2 = (squares + _SCATTER_DOF * SCATTER**2) / rng.chisquare(count)
        missed = np.stack([(offset < 0).sum(1), (offset > 0).sum(1)], axis=1)
        share = rng.beta(_MISS_ODDS[0] + missed, _MISS_ODDS[1] + pairs - missed)
        samples.append((effect, offset == 0, evidence))
    samples = samples[_BURN_IN:]
    # A chain stuck in an unlikely mode counts by its likelihood.
    log_evidence = np.mean([k[2] for k in samples], axis=0)
    weight = np.exp(log_evidence - log_evidence.max())
    chains = rng.choice(_CHAINS, 3 * _CHAINS, p=weight / weight.sum())
    in_focus_probability = np.mean([k[1][chains].mean(0) for k in samples], axis=0)
    return Difference(np.concatenate([k[0][chains] for k in samples]), in_focus_probability)


def _log_prior(share: Floats, risk: Floats) -> Floats:
    """Log prior of each of `_OFFSETS` by chain and pair, for shares of labelled and control frames that miss."""
    missed = share[:, None] * risk / (1 - share[:, None] + share[:, None] * risk)
    labelled, control = np.moveaxis(missed, -1, 0)[..., None]
    # Where both missed, either may have done so by more.
    parts = [labelled * (1 - control / 2) * _LOSS_PRIOR, (1 - labelled) * (1 - control)]
    return np.log(np.concatenate([*parts, control * (1 - labelled / 2) * _LOSS_PRIOR], axis=2))


def _draw_offsets(
    residual: Floats,
    measured: NDArray[np.bool_],
    variance: Floats,
    prior: Floats,
    rng: np.random.Generator,
) -> tuple[Floats, Floats]:
    """Offset of each pair through a miss, (chains, pairs), drawn from its full conditional; and each chain's log
    likelihood with the offsets summed out.
    """
    log_p = prior
    for missed in (False, True):
        v = variance + missed * _MISS_ZONE_SD**2
        sizes = np.flatnonzero((_OFFSETS != 0) == missed)
        weight = measured / v
        squares, linear, total = ((weight * residual**k).sum(2)[..., None] for k in (2, 1, 0))
        m = _OFFSETS[sizes]
        log_p[..., sizes] -= 0.5 * (squares - 2 * m * linear + m**2 * total)
        log_p[..., sizes] -= 0.5 * (np.log(v) * measured).sum(2)[..., None]
    largest = log_p.max(2, keepdims=True)
    probability = np.exp(log_p - largest)
    total = probability.sum(2, keepdims=True)
    cumulative = np.cumsum(probability, axis=2) / total
    choice = (rng.random(total.shape) > cumulative).sum(2).clip(0, len(_OFFSETS) - 1)
    return _OFFSETS[choice], (largest + np.log(total)).sum((1, 2))
