"""The sharp end of a zone's edges: what the lens can do, not what the softest objects did.

Most edges of a picture are softer than the lens. A plain upper quantile of noisy values picks up
their noise; here the noise of each edge is part of the model instead. An edge's ln MTF50 is the
lens's value L, less a softness of its own that is zero with probability p and otherwise exponential
with scale lam, plus its measured noise; a few are wild. The posterior of L over p and lam gives
the value and its error. A background far out of focus follows no such law: its edges crowd about a
value of their own, and may be many more than the subject's. So half of the softer edges may instead
lie, well below L, wherever the others lie.
"""

from __future__ import annotations

from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import erfcx

__all__ = ["edge_noise", "sharp_end"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

_SCATTER: Final = 0.03
"""Scatter of sound edges beyond their noise (ln MTF50)."""
_UNDERSTATED: Final = 1.15
"""Real errors over stated ones, from edges of rendered landscapes on the sharp side of the truth."""
_SHARED: Final = 0.01
"""Error that the edges of a zone share (coding takes more of weak and slanted ones, neighbours are one
object's): measured on rendered scenes."""
_WILD: Final = 0.02
"""Share of edges that are off by anything."""
_APART: Final = 0.5
"""How much softer (ln MTF50) than L a distance out of focus is: nearer ones are the lens's own edges."""
_CROWD: Final = 6
_NEAR: Final = 1
_KERNEL: Final = 0.06
_SHARES: Final = np.array([0.15, 0.45, 0.75, 0.95])
_ODDS: Final = np.array([0.1, 0.2, 0.3, 0.4])
"""How likely each share is beforehand. Few edges as sharp as the lens among many a little softer look
much like one noisy crowd; even odds let a grain of noise decide between the two."""
_SCALES: Final = np.array([0.15, 0.3, 0.6])
_NOISES: Final = np.geomspace(0.02, 0.6, 24)
_STEP: Final = 0.01
_REACH: Final = 2.5
_Z: Final = np.arange(-_REACH, _REACH + _STEP / 2, _STEP)


@cache
def _tables() -> tuple[Singles, Singles]:
    """Densities of value minus L on `_Z`: spike (noises, z) and exponential (scales, noises, z)."""
    s = _NOISES[:, None]
    spike = np.exp(-0.5 * (_Z / s) ** 2) / (s * np.sqrt(2 * np.pi))
    s, lam, z = _NOISES[None, :, None], _SCALES[:, None, None], _Z[None, None, :]
    # Normal minus exponential: exp(-z^2 / 2 s^2) / (2 lam) erfcx((z + s^2 / lam) / (s sqrt 2))
    argument = (z + s * s / lam) / (s * np.sqrt(2))
    with np.errstate(over="ignore"):
        tail = np.where(
            argument > -5,
            np.exp(-0.5 * (z / s) ** 2) * erfcx(np.maximum(argument, -5)) / (2 * lam),
            np.exp(np.minimum(z / lam + s * s / (2 * lam * lam), 50)) / lam,
        )
    # Single precision is enough for the logarithms of some hundred edges, and much quicker.
    return spike.astype(np.float32), tail.astype(np.float32)


def edge_noise(stderr: Floats) -> Floats:
    """What edges of one blur really scatter by (ln MTF50), from the errors stated for them."""
    return np.hypot(_UNDERSTATED * stderr, _SCATTER)


def sharp_end(value: Floats, stderr: Floats) -> tuple[float, float]:
    """L and its standard error from ln MTF50 values and their errors, both (n,), n >= 1."""
    noise = edge_noise(stderr)
    row = np.clip(np.searchsorted(_NOISES, noise), 0, len(_NOISES) - 1)
    top = float(np.max(value)) + 0.1
    low = float(np.quantile(value, 0.2)) - 0.1
    grid = np.arange(low, top, _STEP)
    index = np.round((value[:, None] - grid[None, :] + _REACH) / _STEP).astype(int)
    index = np.clip(index, 0, len(_Z) - 1) + (row * len(_Z))[:, None]
    spike_table, tail_table = _tables()
    spike = spike_table.take(index)
    wild = np.float32(_WILD / 3.0)
    tails = [table.take(index) for table in tail_table]
    if len(value) >= _CROWD and float(np.min(value)) < top - _APART:
        crowd = _crowd(value, noise).astype(np.float32)[:, None]
        far = value[:, None] < grid[None, :] - _APART
        tails.append(np.where(far, 0.5 * (tails[_NEAR] + crowd), 0.5 * tails[_NEAR]))
    best = np.full((len(_SHARES), len(tails), len(grid)), -np.inf)
    for j, tail in enumerate(tails):
        for i, share in enumerate(_SHARES):
            density = np.multiply(spike, np.float32((1 - _WILD) * share))
            density += np.float32((1 - _WILD) * (1 - share)) * tail
            density += wild
            best[i, j] = np.log(density, out=density).sum(0, dtype=float) + np.log(_ODDS[i])
    best -= best.max()
    posterior = np.exp(best).sum((0, 1))
    posterior /= posterior.sum()
    mean = float(posterior @ grid)
    deviation = float(np.sqrt(max(posterior @ (grid - mean) ** 2, 0) + _STEP**2 / 12))
    return mean, float(np.hypot(deviation, _SHARED))


def _crowd(value: Floats, noise: Floats) -> Floats:
    """Density of the other edges about each one."""
    width = np.hypot(noise, _KERNEL)[:, None]
    near = np.exp(-0.5 * ((value[:, None] - value[None, :]) / width) ** 2)
    return np.asarray((near.sum(1) - 1) / (width[:, 0] * np.sqrt(2 * np.pi) * (len(value) - 1)))
