"""What rounding added to the noise: code values to whole numbers, coding's coefficients to whole steps.

JPEG (ISO/IEC 10918-1) writes each 8 x 8 block's cosine coefficients as whole multiples of a step, which
stands in the file. Rounding to a step adds step^2 / 12 to noise that is wider than the step, and wipes out
noise that is much narrower. Fine coding does the first alone, and what it added can be taken off again,
frequency by frequency, for Gaussian noise. Coarse coding takes about as much as it adds: there noise is
left as it stands in the file.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.cosine import EIGHT
from auditor.robust import SHEPPARD

__all__ = ["FINE_STEP", "added_variance", "input_rounding", "lowest_step"]

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
