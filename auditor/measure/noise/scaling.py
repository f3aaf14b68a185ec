"""One output size for all bodies.

Frames with more pixels look cleaner at the same print size. So noise is also given as it would be
after area-averaging to `OUTPUT_MEGAPIXELS`. Each output pixel is the mean of the light on k x k pixels
whose borders fall anywhere on the frame's own; that multiplies the power spectrum along each axis by
sinc^2(k f) sinc^2(f), summed over the aliases of f. White noise falls by sqrt(k - 1/3) / k along an
axis, coarse grain by less. Smaller frames are not enlarged: their figure stays as it is.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.noise.blocks import BLOCK
from auditor.record import OUTPUT_MEGAPIXELS

__all__ = ["averaging_factor", "grain", "output_ratio"]

_ALIASES: Final = np.arange(-4, 5)
"""Multiples of the sampling frequency, in c/px, whose aliases are summed: others add next to nothing."""


def output_ratio(height: int, width: int) -> float:
    """Side of a pixel of the common output size, in pixels of the frame.

    Parameters
    ----------
    height, width : int
        Size of the frame in pixels.

    Returns
    -------
    float
        At least 1: smaller frames are not enlarged.
    """
    return max(1.0, float(np.sqrt(height * width / (OUTPUT_MEGAPIXELS * 1e6))))


def averaging_factor(mean_power: NDArray[np.floating], ratio: float) -> float:
    """Factor on the standard deviation of noise when areas of pixels are averaged.

    The power spectrum is multiplied by sinc^2(k f) sinc^2(f) along each axis and summed over aliases.

    Parameters
    ----------
    mean_power : (BLOCK, BLOCK) ndarray
        Mean squared cosine coefficients of the noise, low frequencies filled in.
    ratio : float
        Pixels of the frame, along one side, in a pixel of the output.

    Returns
    -------
    float
        Dimensionless; 1 where nothing is averaged.
    """
    if ratio <= 1:
        return 1.0
    aliases = np.arange(BLOCK) / (2 * BLOCK) + _ALIASES[:, None]
    along = (np.sinc(ratio * aliases) ** 2 * np.sinc(aliases) ** 2).sum(0)
    # Coefficient u stands for the frequencies around u / (2 BLOCK); the first for half as many,
    # the last for all that are left.
    share = np.ones(BLOCK)
    share[0] -= 0.5
    share[-1] += 0.5
    weighted = mean_power * np.outer(share, share)
    total = float(weighted.sum())
    return float(np.sqrt((weighted * np.outer(along, along)).sum() / total)) if total > 0 else 1.0


def grain(plateau: float, variance: float) -> float:
    """Correlation length of noise: k x k averages have a deviation of sigma * grain / k for large k.

    Blocks of 16 px cut long correlations short: a length of 2 px reads a tenth too low.

    Parameters
    ----------
    plateau : float
        Power per coefficient at low frequency; for white noise it is the variance.
    variance : float
        Variance of a pixel, in the same unit.

    Returns
    -------
    float
        Length in pixels: 1 for white noise.
    """
    return float(np.sqrt(plateau / variance)) if variance > 0 and plateau > 0 else 1.0
