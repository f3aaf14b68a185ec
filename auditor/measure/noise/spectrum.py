"""Noise of blocks by frequency, and what averaging and rounding do to it.

Noise of a developed frame is white up to some frequency and then falls (demosaicing, noise
reduction, compression); scenes rise steeply towards low frequencies. So a block's variance is summed
from the frequencies above `LOW_CPP`, and the part below is filled in at the level of the plateau just
above it. This takes the place of removing a local surface and loses nothing of coarse noise.

Frames with more pixels look cleaner at the same print size. So noise is also given as it would be
after area-averaging to `OUTPUT_MEGAPIXELS`. Each output pixel is the mean of the light on k x k pixels
whose borders fall anywhere on the frame's own; that multiplies the power spectrum along each axis by
sinc^2(k f) sinc^2(f), summed over the aliases of f. White noise falls by sqrt(k - 1/3) / k along an
axis, coarse grain by less. Smaller frames are not enlarged: their figure stays as it is.

JPEG (ISO/IEC 10918-1) writes each 8 x 8 block's cosine coefficients as whole multiples of a step, which
stands in the file. Rounding to a step adds step^2 / 12 to noise that is wider than the step, and wipes out
noise that is much narrower. Fine coding does the first alone, and what it added can be taken off again,
frequency by frequency, for Gaussian noise. Coarse coding takes about as much as it adds: there noise is
left as it stands in the file.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.cosine import EIGHT, SIXTEEN
from auditor.record import OUTPUT_MEGAPIXELS
from auditor.robust import SHEPPARD

__all__ = [
    "BLOCK",
    "FINE_STEP",
    "added_variance",
    "averaging_factor",
    "band_power",
    "filled",
    "input_rounding",
    "lowest_step",
    "output_ratio",
    "relative_spread",
    "squared_coefficients",
    "without_lines",
]

BLOCK: Final = SIXTEEN.side
"""Side of a block in pixels: two JPEG blocks, so that their seams count as they show."""

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
"""(BLOCK * BLOCK, 4) what turns squared coefficients into variance and bands."""


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


def band_power(
    squares: NDArray[np.float32],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Variance and bands of blocks.

    Parameters
    ----------
    squares : (n, BLOCK, BLOCK) ndarray of float32
        From `squared_coefficients`.

    Returns
    -------
    variance : (n,) ndarray of float64
        Variance of each block, low frequencies filled in from the plateau.
    bands : (n, 3) ndarray of float64
        Mean power at 0.08-0.125, 0.125-0.18 and 0.18-0.25 c/px.
    """
    sums = (squares.reshape(-1, BLOCK * BLOCK) @ _SUMS).astype(np.float64)
    return sums[:, 0], sums[:, 1:]


def relative_spread(mean_power: NDArray[np.floating]) -> float:
    """Standard deviation over mean that blocks' variance has for stationary Gaussian noise.

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


FINE_STEP: Final = 2.0
"""Lowest step up to which coding counts as fine; the example tables of ISO/IEC 10918-1 have it from
quality 93 on, as cameras write at their best setting."""

_THREE_CHANNELS: Final = 1.447
"""How many times that luma has which is made of three rounded channels and rounded itself: 0.299^2 +
0.587^2 + 0.114^2 + 1, with the weights of ITU-R BT.601."""


_OUTWARD: Final = 0.1
"""The usual encoder's transform hands over eighths and rounds halves away from zero, which moves every coefficient
outwards by half an eighth: twice that times the mean of a normal value's size, 0.8 of its deviation. Seen with
libjpeg-turbo 3.1: flat fields of white noise."""


def lowest_step(steps: NDArray[np.float64]) -> float:
    """Widest quantisation step of the three lowest frequencies, in which noise shows longest.

    Parameters
    ----------
    steps : (8, 8) ndarray of float64
        Luma quantisation table, by frequency down and across.

    Returns
    -------
    float
        Step in code values.
    """
    return float(max(steps[0, 1], steps[1, 0], steps[1, 1]))


def input_rounding(colour: bool) -> float:
    """Variance of rounding in luma made of whole code values: its own, and that of three channels.

    Parameters
    ----------
    colour : bool
        Whether luma is made of three rounded channels.

    Returns
    -------
    float
        Variance in code values squared.
    """
    return (_THREE_CHANNELS if colour else 1.0) / SHEPPARD


def added_variance(blocks: NDArray[np.float32], steps: NDArray[np.float64]) -> float:
    """Variance that quantisation of cosine coefficients added to noise.

    Gaussian noise of half a step and more has step^2 / 12 more after rounding to steps, a third of step^2 in all;
    what is added falls with what is seen, until of step^2 / 12 nothing was added. (The straight line between these
    follows the Gaussian law to 0.01 step^2.) Whole code values add theirs in any case.

    Parameters
    ----------
    blocks : (n, 16, 16) ndarray of float32
        Luma of places without texture, on the coding's grid.
    steps : (8, 8) ndarray of float64
        Luma quantisation table.

    Returns
    -------
    float
        Variance of a pixel, code values squared.
    """
    n, side = len(blocks), EIGHT.side
    cells = blocks.reshape(n, 2, side, 2, side).swapaxes(2, 3).reshape(-1, side, side)
    power = (EIGHT.without_plane(cells) ** 2).mean(0)
    most = steps**2 / SHEPPARD
    outward = np.where(power > 4 * most, _OUTWARD * np.sqrt(power), 0.0)
    return float((np.clip((power - most) / 3, 0, most) + outward).mean()) + 1 / SHEPPARD
