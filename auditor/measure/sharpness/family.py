"""Edge profiles of every plausible system: diffraction, pixel, a Gaussian remainder, and sharpening.

An edge is judged against this family instead of differentiating its profile and transforming a
window of it (ISO 12233): a window cuts the long tails of a blurred edge off and reads it too sharp,
a model with the plateaus fitted beside it does not.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor import optics

__all__ = [
    "BIN_PX",
    "HALF_PX",
    "MIDDLE",
    "OFFSETS",
    "SHAPES",
    "EdgeFamily",
    "edge_family",
    "family_mtf",
    "half_width",
]

Floats = NDArray[np.float64]

BIN_PX: Final = 0.25
"""Width of an edge profile's bins, as ISO 12233 has it."""

HALF_PX: Final = 12.0
"""Profiles reach so far to either side of the edge."""

OFFSETS: Final = np.arange(-HALF_PX + BIN_PX / 2, HALF_PX, BIN_PX)
"""Centres of the bins, px."""

_MTF50: Final = np.geomspace(0.04, 0.75, 117)
"""Levels of MTF50 (c/px), 2.5% apart: from blurred beyond use to sharpened."""
SHAPES: Final = ((0.5, 0.4), (0.0, 0.0), (0.25, 0.0), (0.5, 0.0), (0.75, 0.0), (1.0, 0.0))
"""Shapes of members at one MTF50, from flat-topped MTFs to long-tailed ones: part of the loss at MTF50 that
diffraction causes (the rest is Gaussian), and the amount of an unsharp mask. Without the sharpened one, sharpened
files read 2 to 3% too sharp (amounts of 0.4 and 0.8, blurs of 1 and 0.8 px); a second one changes nothing."""
MIDDLE: Final = SHAPES.index((0.5, 0.0))
"""Place in `SHAPES` of the commonest one."""
_POINTS: Final = 4001
"""Points from nothing to diffraction's cut-off at which its MTF is tabulated."""
_STEP_CPP: Final = 0.01
"""Steps of frequency (c/px) by which an MTF is summed to a profile: it repeats beyond 50 px."""
_END_CPP: Final = 5.0
"""Frequency (c/px) at which that ends: a pixel and a bin leave next to nothing beyond."""
_WINDOW: Final = (1.5, 1.15)
"""Half width of a window (px): so much, and so many times the period of MTF50."""


@cache
def _diffraction() -> tuple[Floats, Floats]:
    """Frequencies up to the cut-off (1), and a perfect lens's MTF at them."""
    x = np.linspace(0, 1, _POINTS)
    return x, optics.diffraction_mtf(x, 1.0, optics.GREEN_UM)


def family_mtf(
    freq_cpp: NDArray[np.float64], mtf50_cpp: float, share: float, amount: float = 0.0
) -> Floats:
    """MTF of the member whose MTF falls to one half at a frequency, signed beyond the pixel's zero.

    The loss -ln MTF at `mtf50_cpp` that the pixel does not explain, and what sharpening gives there, is divided
    between diffraction (`share`) and a Gaussian. Above 0.603 c/px a pixel alone is already softer; there the
    Gaussian is negative (slight sharpening), cut off where the pixel's response ends.

    Parameters
    ----------
    freq_cpp : ndarray of float64
        Spatial frequencies in cycles per pixel.
    mtf50_cpp : float
        MTF50 of the member, cycles per pixel.
    share : float
        Part of the loss that diffraction causes, 0 to 1.
    amount : float
        Of an unsharp mask: how much of the difference from a blurred copy is added.

    Returns
    -------
    ndarray of float64
        MTF of the same shape.
    """
    freq = np.abs(freq_cpp)
    loss = np.log(2 * np.sinc(mtf50_cpp) * optics.unsharp_mtf(mtf50_cpp, amount))
    if loss < 0:
        share = 0.0
    gauss = np.exp(-(1 - share) * loss * np.minimum(freq / mtf50_cpp, 1.0 / mtf50_cpp) ** 2)
    diffraction = np.ones_like(freq)
    if share > 0:
        x, curve = _diffraction()
        at = float(np.interp(-np.exp(-share * loss), -curve, x))
        diffraction = np.interp(freq / mtf50_cpp * at, x, curve)
    return np.asarray(np.sinc(freq) * gauss * diffraction * optics.unsharp_mtf(freq, amount))


@dataclass(frozen=True)
class EdgeFamily:
    """Edge- and line-spread functions of the family's members on `OFFSETS`.

    Attributes
    ----------
    mtf50_cpp : (levels,) ndarray of float64
        Blur levels in cycles per pixel; flattened, members are ordered level by level.
    edge : (levels, shapes, bins) ndarray of float64
        Edge-spread function from 0 to 1, averaged over each bin.
    line : (levels, shapes, bins) ndarray of float64
        Line-spread function, its derivative per px.
    """

    mtf50_cpp: Floats
    edge: Floats
    line: Floats


@cache
def edge_family() -> EdgeFamily:
    """The family, computed once per process (about 10 ms).

    Returns
    -------
    EdgeFamily
        All levels and shapes, by a Fourier sum of `family_mtf`.
    """
    step = _STEP_CPP
    freq = np.arange(step / 2, _END_CPP, step)
    mtf = np.array([[family_mtf(freq, m, *shape) for shape in SHAPES] for m in _MTF50])
    mtf *= np.sinc(freq * BIN_PX)
    phase = 2 * np.pi * np.outer(freq, OFFSETS)
    line = 2 * step * mtf @ np.cos(phase)
    edge = 0.5 + 2 * step * (mtf / (2 * np.pi * freq)) @ np.sin(phase)
    return EdgeFamily(_MTF50, edge, line)


def half_width(log_mtf50: Floats) -> Floats:
    """Half width of the window in which a profile is fitted.

    Parameters
    ----------
    log_mtf50 : ndarray of float64
        Blur, ln MTF50 (c/px).

    Returns
    -------
    ndarray of float64
        Pixels to either side that hold the tail of the profile and little around it.
    """
    return np.clip(_WINDOW[0] + _WINDOW[1] / np.exp(log_mtf50), 4.0, HALF_PX - 1.0)
