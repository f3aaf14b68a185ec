"""Noise of blocks by frequency.

Noise of a developed frame is white up to some frequency and then falls (demosaicing, noise
reduction, compression); scenes rise steeply towards low frequencies. So a block's variance is summed
from the frequencies above `LOW_CPP`, and the part below is filled in at the level of the plateau just
above it. This takes the place of removing a local surface and loses nothing of coarse noise.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.cosine import SIXTEEN
from auditor.measure.noise.blocks import BLOCK

__all__ = [
    "BandPower",
    "band_power",
    "filled",
    "low_rise",
    "relative_spread",
    "squared_coefficients",
    "without_lines",
]

LOW_CPP: Final = 0.08
"""Below it (c/px) the power is filled in: there the scene is stronger than noise."""
PLATEAU_CPP: Final = 0.15
"""The plateau reaches from LOW_CPP to here."""
_BANDS_CPP: Final = (LOW_CPP, 0.125, 0.18, 0.25)
"""Edges in c/px of the three bands by which noise is told from texture."""
_FREQUENCY: Final = SIXTEEN.frequency
_LOW: Final = _FREQUENCY < LOW_CPP
_PLATEAU: Final = ~_LOW & (_FREQUENCY < PLATEAU_CPP)
_WEIGHTS: Final = (
    np.where(_LOW, 0.0, 1.0) + np.where(_PLATEAU, _LOW.sum() / _PLATEAU.sum(), 0.0)
).astype(np.float32) / BLOCK**2
"""Weights that turn the squared coefficients of a block into its variance."""


def _mean_over(low: float, high: float) -> NDArray[np.float32]:
    inside = (low <= _FREQUENCY) & (high > _FREQUENCY)
    return (inside / inside.sum()).astype(np.float32)


_SUMS: Final = np.stack(
    [_WEIGHTS.ravel(), *(_mean_over(*ends).ravel() for ends in pairwise(_BANDS_CPP))], axis=1
)
"""(BLOCK * BLOCK, 4) what turns squared coefficients into variance and the bands of `BandPower`."""


def squared_coefficients(blocks: NDArray[np.float32]) -> NDArray[np.float32]:
    """Squared orthonormal cosine coefficients (DCT-II) of blocks, least-squares planes taken off.

    Parameters
    ----------
    blocks : (n, BLOCK, BLOCK) ndarray of float32
        Code values.

    Returns
    -------
    (n, BLOCK, BLOCK) ndarray of float32
        Power by frequency down and across, code values squared.
    """
    coefficients = SIXTEEN.without_plane(blocks)
    return coefficients * coefficients


def without_lines(squares: NDArray[np.float32]) -> NDArray[np.float32]:
    """Squared coefficients of blocks whose rows or columns carry offsets, those offsets left out.

    Line offsets lie in the first row and column of coefficients alone; their neighbours take their
    place.

    Parameters
    ----------
    squares : (n, BLOCK, BLOCK) ndarray of float32
        From `squared_coefficients`.

    Returns
    -------
    (n, BLOCK, BLOCK) ndarray of float32
        A copy.
    """
    out = squares.copy()
    out[:, 0, :] = out[:, 1, :]
    out[:, :, 0] = out[:, :, 1]
    return out


@dataclass(frozen=True)
class BandPower:
    """Power of blocks over frequency, one row for each block.

    Attributes
    ----------
    variance : (n,) ndarray of float64
        Variance of each block, low frequencies filled in from the plateau.
    bands : (n, 3) ndarray of float64
        Mean power at 0.08-0.125, 0.125-0.18 and 0.18-0.25 c/px.
    """

    variance: NDArray[np.float64]
    bands: NDArray[np.float64]


def band_power(squares: NDArray[np.float32]) -> BandPower:
    """Variance and bands of blocks.

    Parameters
    ----------
    squares : (n, BLOCK, BLOCK) ndarray of float32
        From `squared_coefficients`.

    Returns
    -------
    BandPower
        In the same unit.
    """
    sums = (squares.reshape(-1, BLOCK * BLOCK) @ _SUMS).astype(np.float64)
    return BandPower(sums[:, 0], sums[:, 1:])


def relative_spread(mean_power: NDArray[np.floating]) -> float:
    """Standard deviation over mean that `BandPower.variance` has for stationary Gaussian noise.

    Each squared coefficient of Gaussian noise has twice its squared mean as variance.

    Parameters
    ----------
    mean_power : (BLOCK, BLOCK) ndarray
        Mean squared coefficients.

    Returns
    -------
    float
        Dimensionless; 0 without any power.
    """
    weighted = _WEIGHTS * mean_power
    total = float(weighted.sum())
    return float(np.sqrt(2 * (weighted**2).sum())) / total if total > 0 else 0.0


def filled(squares: NDArray[np.float32]) -> NDArray[np.float64]:
    """Mean power over blocks, low frequencies filled in.

    Parameters
    ----------
    squares : (n, BLOCK, BLOCK) ndarray of float32
        From `squared_coefficients`.

    Returns
    -------
    (BLOCK, BLOCK) ndarray of float64
        Mean squared coefficients.
    """
    mean = squares.mean(0).astype(np.float64)
    mean[_LOW] = mean[_PLATEAU].mean()
    return mean


def low_rise(bands: NDArray[np.float64]) -> float:
    """Power below the plateau over that on it: the fall from 0.1 to 0.15 c/px is carried on.

    Parameters
    ----------
    bands : (n, 3) ndarray of float64
        As `BandPower.bands`.

    Returns
    -------
    float
        1 or more.
    """
    first, second, _ = np.median(bands, axis=0)
    return float(max(first / second, 1.0)) if second > 0 else 1.0
