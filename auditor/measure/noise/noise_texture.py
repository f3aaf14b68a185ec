"""Noise against texture: what a frame's noise cannot be.

Blocks that are flat in a smoothed copy may still hold a fine texture. Three things give it away. Noise
varies alike in all blocks of one brightness, textures are strong here and weak there. Noise as cameras
leave it is nearly as strong at 0.2 cycles per pixel as at 0.1, while what optics has drawn falls. And
one frame goes through one sensor and one development: at neighbouring brightnesses its noise has like
strength, in code values, and a like spectrum. Whatever differs is the scene.

The bounds are read off real pairs of one exposure and the mean of hundreds.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor.measure.noise.flats import Flats
from auditor.units import BYTE_BITS

__all__ = ["NoiseTexture", "disagreeing", "is_posterised", "noise_texture", "shows_noise"]

MOST_UNEVEN: Final = 1.35
"""Spread of the blocks' variances over that of noise with their spectrum. Noise of real camera files
reaches 1.3, textures 1.0 to 80."""

_LOWEST: Final = 0.1
"""Share of the blocks whose variances lie below the one that is held against the median."""

_TENTH: Final = 1.28
"""Standard deviations from the median to the tenth percentile."""

MOST_SPREAD: Final = 0.33
"""Relative spread of block variances that their mean spectrum lets expect: white noise has 0.09, coarse
noise of real camera files up to 0.28. More is power in few coefficients: edges, waves."""

_SIGMAS: Final = (1.0, 4.0)
"""Deviations of noise, code values, to which the next belong."""
_LEAST_FINE: Final = (0.12, 0.42)
"""Power at 0.18-0.25 c/px over that at 0.08-0.125 c/px that noise has at least, by its deviation in code
values: what noise reduction has smoothed it has made fainter too, and coding takes the fine part of
faint noise."""

_AS_FINE: Final = 0.5
"""Share of the frame's finest noise below which another brightness is not made of the same noise."""

_HIGHEST: Final = 30.0
"""Code values that no camera's noise exceeds: a full well of 30 electrons at a signal of 0.1 gives them."""
_HIGHEST_SMOOTHED: Final = 12.0
"""Code values that only noise exceeds which nothing has smoothed; the loudest of a set of real frames up
to ISO 12800 reads 3.7."""
_WHITE: Final = 0.8
"""Power at 0.18-0.25 c/px over that at 0.08-0.125 c/px from which on noise is level over frequency, so that
nothing has smoothed it."""

_USED: Final = 2e-5
"""Share of a frame's pixels from which on a code value counts as used: hot pixels and stars are fewer."""
_LEAST_USED: Final = 0.4
"""Share of the code values between the lowest and the highest of which fewer are used in a posterised frame."""


@dataclass(frozen=True, slots=True)
class NoiseTexture:
    """How the blocks of one brightness vary.

    Attributes
    ----------
    sigma : float
        Standard deviation, code values.
    unevenness : float
        Median variance of the blocks over their tenth percentile, over what that is for noise of their
        spectrum.
    expected_spread : float
        Relative standard deviation of block variances that noise of their spectrum has.
    fine_ratio : float
        Power at 0.18-0.25 c/px over that at 0.08-0.125 c/px.
    """

    sigma: float
    unevenness: float
    expected_spread: float
    fine_ratio: float


def noise_texture(flats: Flats) -> NoiseTexture:
    """How the blocks of one brightness vary.

    The variances of noise spread about their mean as the sum of squares of Gaussian coefficients does.

    Parameters
    ----------
    flats : Flats
        Blocks of one brightness.

    Returns
    -------
    NoiseTexture
        Figures by which noise is told from texture.
    """
    ranked = np.sort(flats.band_power.variance)
    low, middle = (float(ranked[int(q * (len(ranked) - 1))]) for q in (_LOWEST, 0.5))
    spread = flats.expected_spread
    expected = 1 / (1 - _TENTH * min(spread, MOST_SPREAD))
    middle_power, _, fine_power = np.median(flats.band_power.bands, axis=0)
    fine = float(fine_power / max(middle_power, 1e-6))
    return NoiseTexture(flats.sigma, middle / max(low, 1e-6) / expected, spread, fine)


def shows_noise(texture: NoiseTexture, coded: bool) -> bool:
    """Whether one brightness, judged by itself, holds noise rather than texture.

    Parameters
    ----------
    texture : NoiseTexture
        How its blocks vary.
    coded : bool
        Whole code values, so that faint noise has lost its fine part.

    Returns
    -------
    bool
        False for texture.
    """
    min_fine = _LEAST_FINE[-1]
    if coded:
        min_fine = float(np.interp(texture.sigma, _SIGMAS, _LEAST_FINE))
    highest = _HIGHEST if texture.fine_ratio >= _WHITE else _HIGHEST_SMOOTHED
    even = texture.unevenness <= MOST_UNEVEN and texture.expected_spread <= MOST_SPREAD
    return even and texture.sigma <= highest and texture.fine_ratio >= min_fine


def disagreeing(textures: Mapping[float, NoiseTexture]) -> set[float]:
    """Brightnesses whose noise cannot be that of the same frame as the others'.

    Parameters
    ----------
    textures : mapping
        Signal (linear, 1 = white) -> how its blocks vary, for brightnesses that show noise each by itself.

    Returns
    -------
    set of float
        Signals of the outliers.
    """
    finest = max((texture.fine_ratio for texture in textures.values()), default=0.0)
    return {
        signal for signal, texture in textures.items() if texture.fine_ratio < _AS_FINE * finest
    }


def is_posterised(luma: NDArray[Any], peak: float) -> bool:
    """Whether the frame uses so few code values that noise is drowned in the steps between them.

    Parameters
    ----------
    luma : (H, W) ndarray
        Code values.
    peak : float
        Code value of white.

    Returns
    -------
    bool
        True for a posterised frame.
    """
    sample = luma[:: max(1, min(luma.size // 300_000, luma.shape[0] // 64))]  # whole rows are quick
    if sample.dtype.kind == "u":
        codes: NDArray[Any] = (sample >> (BYTE_BITS * (sample.dtype.itemsize - 1))).ravel()
    else:
        codes = np.clip(sample / peak * 255, 0, 255).astype(np.uint8).ravel()
    count = cv2.calcHist([codes], [0], None, [256], [0, 256]).ravel()
    used = np.flatnonzero(count > max(1, _USED * codes.size))
    if len(used) < 3:
        return True
    span = int(used[-1] - used[0]) + 1
    return len(used) / span < _LEAST_USED
