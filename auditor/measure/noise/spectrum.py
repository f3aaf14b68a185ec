"""Noise of blocks by frequency.

Noise of a developed frame is white up to some frequency and then falls (demosaicing, noise
reduction, compression); scenes rise steeply towards low frequencies. So a block's variance is summed
from the frequencies above `LOW_CPP`, and the part below is filled in at the level of the plateau just
above it. This takes the place of removing a local surface and loses nothing of coarse noise.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.noise.blocks import BLOCK

__all__ = [
    "FREQUENCY_CPP",
    "LOW_CPP",
    "LOW_SHARE",
    "PLATEAU_CPP",
    "bands",
    "block_variance",
    "filled",
    "low_excess",
    "low_rise",
    "peakedness",
    "power",
    "relative_spread",
]

LOW_CPP: Final = 0.08
PLATEAU_CPP: Final = 0.15
"""The plateau reaches from LOW_CPP to here."""

_N: Final = np.arange(BLOCK)
_COSINES: Final = (
    np.cos(np.pi * (2 * _N[None] + 1) * _N[:, None] / (2 * BLOCK)) * np.sqrt(2 / BLOCK)
).astype(np.float32)
_COSINES[0] /= np.float32(np.sqrt(2))

FREQUENCY_CPP: Final = np.hypot(_N[:, None] / (2 * BLOCK), _N[None] / (2 * BLOCK))
"""(BLOCK, BLOCK) radial frequency of each cosine coefficient, c/px."""

_LOW: Final = FREQUENCY_CPP < LOW_CPP
_PLATEAU: Final = (FREQUENCY_CPP >= LOW_CPP) & (FREQUENCY_CPP < PLATEAU_CPP)
_WEIGHTS: Final = (
    np.where(_LOW, 0.0, 1.0) + np.where(_PLATEAU, _LOW.sum() / _PLATEAU.sum(), 0.0)
).astype(np.float32) / BLOCK**2
"""Weights that turn the squared coefficients of a block into its variance."""


def power(blocks: NDArray[np.float32]) -> NDArray[np.float32]:
    """Squared orthonormal cosine coefficients (n, BLOCK, BLOCK) of blocks, means taken off."""
    centred = blocks - blocks.mean((1, 2), keepdims=True)
    coefficients = _COSINES @ centred @ _COSINES.T
    return coefficients * coefficients


def block_variance(squares: NDArray[np.float32]) -> NDArray[np.float64]:
    """Variance of each block (n,), low frequencies filled in from the plateau."""
    return np.einsum("nij,ij->n", squares, _WEIGHTS).astype(np.float64)


def low_excess(squares: NDArray[np.float32]) -> float:
    """Power just below the plateau over power on it; about 1 for noise, large for a scene."""
    shoulder = _LOW & (FREQUENCY_CPP > 0.05)
    plateau = float(np.median(squares[:, _PLATEAU].mean(1)))
    return float(np.median(squares[:, shoulder].mean(1))) / max(plateau, 1e-6)


def relative_spread(mean_power: NDArray[np.floating]) -> float:
    """Standard deviation over mean that `block_variance` has for stationary noise.

    `mean_power` is (BLOCK, BLOCK). Each squared coefficient of Gaussian noise has twice its squared
    mean as variance.
    """
    weighted = _WEIGHTS * mean_power
    total = float(weighted.sum())
    return float(np.sqrt(2 * (weighted**2).sum())) / total if total > 0 else 0.0


def filled(squares: NDArray[np.float32], rise: float = 1.0) -> NDArray[np.float64]:
    """Mean (BLOCK, BLOCK) power over blocks, low frequencies filled in at `rise` x the plateau."""
    mean = squares.mean(0).astype(np.float64)
    mean[_LOW] = rise * mean[_PLATEAU].mean()
    return mean


def low_rise(squares: NDArray[np.float32]) -> float:
    """Power below the plateau over that on it, as coarse coding makes it.

    Coding's steps widen with frequency, so what it takes from noise below 0.08 c/px is less than
    above; the fall from 0.1 to 0.15 c/px is carried on. At most 1.5: more would be the scene's.
    """
    first, second, _ = bands(squares)
    return float(np.clip(first / second, 1.0, 1.5)) if second > 0 else 1.0


LOW_SHARE: Final = float(_LOW.sum()) / BLOCK**2
"""Share of a block's coefficients that are filled in."""


_BANDS: Final = [
    (low <= FREQUENCY_CPP) & (high > FREQUENCY_CPP)
    for low, high in ((0.08, 0.125), (0.125, 0.18), (0.18, 0.25))
]


def bands(squares: NDArray[np.float32]) -> tuple[float, float, float]:
    """Median power of blocks at 0.08-0.125, 0.125-0.18 and 0.18-0.25 c/px."""
    first, second, third = (float(np.median(squares[:, b].mean(1))) for b in _BANDS)
    return first, second, third


_MIDDLE: Final = _BANDS[0] | _BANDS[1]


def peakedness(squares: NDArray[np.float32]) -> float:
    """How far a few coefficients hold a block's power: about 1 for Gaussian noise, more for edges.

    For n independent Gaussian coefficients the sum of fourth powers over the squared sum of squares
    is 3 / (n + 2) in the mean; the median over blocks of that ratio's excess is given.
    """
    middle = squares[:, _MIDDLE].astype(np.float64)
    total = middle.sum(1)
    alive = total > 0
    if not alive.any():
        return 1.0
    share = (middle[alive] ** 2).sum(1) / total[alive] ** 2
    return float(np.median(share)) * (middle.shape[1] + 2) / 3
