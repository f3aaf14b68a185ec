"""The frontier of a zone's edges: what the lens can do, not what the softest objects did.

Most edges of a picture are softer than the lens. A plain upper quantile of noisy values picks up
their noise; here the noise of each edge is part of the model instead. An edge's 1 / MTF50^2 is the
lens's own, plus a softness of the edge (blurs add by their squares) that is nothing with probability
p and otherwise exponential, plus its measured noise; a few are outliers. The posterior of the lens's
value over p and the scale of the softness gives the value and its error. One scale tried is that of a background
far out of focus, whose edges may be many more than the subject's.
"""

from __future__ import annotations

from functools import cache
from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from auditor.robust import SHEPPARD

__all__ = ["frontier"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

_SCATTER: Final = 0.03
"""Scatter of valid edges beyond their noise (ln MTF50)."""
_SHARED: Final = 0.01
"""Error that the edges of a zone share (coding takes more of weak and slanted ones, neighbours are one
object's): measured on rendered scenes."""
_OUTLIERS: Final = 0.01
"""Share of edges that are off by anything. With 0.02 a subject of a fifth of the edges passes for outliers before one
background in thirty."""
_SHARES: Final = np.array([0.15, 0.45, 0.75, 0.95])
"""Shares of the edges as sharp as the lens that are tried."""
_ODDS: Final = np.array([0.1, 0.2, 0.3, 0.4])
"""How likely each share is beforehand. Few edges as sharp as the lens among many a little softer look
much like one noisy cluster; even odds let a grain of noise decide between the two."""
_SCALES_PX2: Final = np.array([5.0, 30.0])
"""Softness of objects and of what lies a little out of focus: the same at every aperture, so that it
hardly shows beside diffraction at f/22 and rules the picture at f/2.8."""
_FAR_PX2: Final = 180.0
"""Softness of a background far out of focus; 100 to 250 do as well."""
_FAR_SHARE: Final = 0.9
"""Share of the softer edges that lie in it where there is one. With 0.5 half of the small subjects before it
are missed; where there always is one, drawn landscapes come out 1.8% low instead of 1.0."""
_NOISES: Final = np.geomspace(0.02, 0.6, 24)
"""Noises of an edge (ln MTF50) for which there is a table, 16% apart."""
_SPREADS: Final = np.geomspace(0.004, 16.0, 40)
"""Scales of softness, over the lens's 1 / MTF50^2, for which there is a table, 24% apart."""
_FINE: Final = 0.01
"""Steps of ln MTF50 in the tables."""
_STEP: Final = 0.015
"""Steps of ln MTF50 between the lens values tried: no zone states an error below 0.02."""
_HALF_RANGE: Final = 2.5
"""ln MTF50 to either side of the lens's to which the tables reach."""
_Z: Final = np.arange(-_HALF_RANGE, _HALF_RANGE + _FINE / 2, _FINE)
"""Differences of ln MTF50 in the tables."""
_PARTS: Final = 400
"""Parts of equal probability into which a distribution of softness is divided."""
_MARGIN: Final = 0.1
"""How far beyond the edges (ln MTF50) the lens's value is looked for."""
_SOFTEST: Final = 5
"""Below the softest of so many edges, a fifth, the lens's value is not looked for."""


@cache
def _tables() -> tuple[Singles, Singles]:
    """Densities of value minus the lens's on `_Z`: (noises, z) of edges without softness, and
    (noises, spreads, z) of edges whose softness, over the lens's 1 / MTF50^2, is exponential."""
    s = _NOISES[:, None]
    spike = np.exp(-0.5 * (_Z / s) ** 2) / (s * np.sqrt(2 * np.pi))
    # Softness u is 0.5 ln(1 + u) lower in ln MTF50; equal steps of the distribution, then noise.
    chance = (np.arange(_PARTS) + 0.5) / _PARTS
    lower = 0.5 * np.log1p(-_SPREADS[:, None] * np.log1p(-chance))
    place = np.clip(np.round((_HALF_RANGE - lower) / _FINE).astype(int), 0, len(_Z) - 1)
    softness = np.zeros((len(_SPREADS), len(_Z)))
    np.add.at(softness, (np.arange(len(_SPREADS))[:, None], place), 1 / chance.size)
    # A matrix of differences holds each of them many times.
    difference = np.arange(1 - len(_Z), len(_Z)) * _FINE
    tail = []
    for s in _NOISES:
        kernel = np.exp(-0.5 * (difference / s) ** 2) / (s * np.sqrt(2 * np.pi))
        tail.append(softness @ sliding_window_view(kernel, len(_Z))[::-1])
    # Single precision is enough for the logarithms of some hundred edges, and much quicker.
    return spike.astype(np.float32), np.array(tail, np.float32)


def frontier(value: Floats, stderr: Floats) -> tuple[float, float]:
    """The lens's value behind edges of which most are softer than the lens.

    Each edge's 1 / MTF50^2 is the lens's plus an excess that is nothing or exponential, its ln MTF50 has normal
    noise, and a few are outliers: a mixture whose likelihood is tabulated over a grid of lens values, and whose
    posterior is averaged over share and scale of the excess. Of stochastic frontier analysis this is the
    normal-exponential case with a spike at no excess (terms from memory).

    Parameters
    ----------
    value, stderr : (n,) ndarray of float64
        ln MTF50 (c/px) of the edges and their standard errors, at least one.

    Returns
    -------
    log_mtf50, stderr : float
        Posterior mean and standard deviation of the lens's ln MTF50.
    """
    noise = np.hypot(stderr, _SCATTER)
    row = np.clip(np.searchsorted(_NOISES, noise), 0, len(_NOISES) - 1)
    top = float(np.max(value)) + _MARGIN
    fifth = len(value) // _SOFTEST
    low = float(np.partition(value, fifth)[fifth]) - _MARGIN
    grid = np.arange(low, top, _STEP)
    index = np.round((value[:, None] - grid[None, :] + _HALF_RANGE) / _FINE).astype(int)
    index = np.clip(index, 0, len(_Z) - 1)
    spike_table, tail_table = _tables()
    spike = spike_table.take(index + (row * len(_Z))[:, None])

    def tail(scale_px2: float) -> Singles:
        spread = np.searchsorted(_SPREADS, scale_px2 * np.exp(2 * grid))
        spread = np.clip(spread, 0, len(_SPREADS) - 1)
        return tail_table.take((row[:, None] * len(_SPREADS) + spread) * len(_Z) + index)

    tails = [tail(scale) for scale in _SCALES_PX2]
    tails.append((1 - _FAR_SHARE) * tails[0] + _FAR_SHARE * tail(_FAR_PX2))
    log_likelihood = np.empty((len(_SHARES), len(tails), len(grid)))
    for j, softer in enumerate(tails):
        for i, share in enumerate(_SHARES):
            density = np.multiply(spike, np.float32((1 - _OUTLIERS) * share))
            density += np.float32((1 - _OUTLIERS) * (1 - share)) * softer
            density += np.float32(_OUTLIERS / 3.0)
            log_likelihood[i, j] = np.log(density, out=density).sum(0, dtype=float) + np.log(
                _ODDS[i]
            )
    log_likelihood -= log_likelihood.max()
    posterior = np.exp(log_likelihood).sum((0, 1))
    posterior /= posterior.sum()
    mean = float(posterior @ grid)
    deviation = float(np.sqrt(max(posterior @ (grid - mean) ** 2, 0) + _STEP**2 / SHEPPARD))
    return mean, float(np.hypot(deviation, _SHARED))
