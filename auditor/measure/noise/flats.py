"""Noise at one brightness: the blocks that are flattest there, and what varies in them.

Blocks are ranked by how little a smoothed copy changes inside them, and the median of their variances
is taken: robust against the few that hold a piece of the scene. Whether the rest hold noise or a texture
that covers everything is judged in `texture`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.noise import blocks, spectrum
from auditor.measure.picture import Picture

__all__ = [
    "BRIGHTEST",
    "DARKEST",
    "FEWEST",
    "MOST",
    "SHARES",
    "Flats",
    "luma_blocks",
    "read_flats",
    "shares_tried",
]

SHARES: Final = (0.2, 0.05, 0.015)
"""Shares of the blocks near a brightness, flattest first, that are tried in turn: a fifth as a rule
(of real pairs of one exposure and the mean of many it came closest), fewer where a fifth still holds
texture."""

FEWEST: Final = 20
"""Blocks, or places of a mosaic, that are read at least: the median of as many variances of noise is good to 5%,
and their tenth percentile tells photographed textures from noise, which of sixteen it did not."""

MOST: Final = 300
"""Blocks read at most, evenly over the frame; a median of so many is good to 1%."""

DARKEST, BRIGHTEST = 1.5, 253.5
"""Code values (0..255) outside which a pixel may be clipped, and its noise cut off."""

_HOT_PEAK: Final = 5.5
"""Standard deviations of a block above its mean from which a pixel is hot: white noise reaches them in one
block of 200,000."""


@dataclass(frozen=True)
class Flats:
    """The flattest blocks near one brightness.

    Attributes
    ----------
    indices : (n,) ndarray of intp
        Flat indices in the block map.
    values : (n, BLOCK, BLOCK) ndarray of float32
        Luma on the 0..255 scale.
    squares : (n, BLOCK, BLOCK) ndarray of float32
        Squared cosine coefficients, planes taken off.
    band_power : spectrum.BandPower
        Variance (code values squared) and bands of each block.
    level : (n,) ndarray of float64
        Mean code value.
    """

    indices: NDArray[np.intp]
    values: NDArray[np.float32]
    squares: NDArray[np.float32]
    band_power: spectrum.BandPower
    level: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.indices)

    @cached_property
    def expected_spread(self) -> float:
        """Standard deviation over mean that the variances of blocks of noise with their mean spectrum
        have."""
        return spectrum.relative_spread(self.squares.mean(0))

    @property
    def sigma(self) -> float:
        """Standard deviation, code values: the median block's, brought to the mean.

        The variances of blocks have a chi-squared spread; with k degrees of freedom their median lies
        below their mean by the factor 1 - 2 / (3 k).
        """
        median_over_mean = 1 - self.expected_spread**2 / 3
        return float(np.sqrt(np.median(self.band_power.variance) / median_over_mean))


def shares_tried(count: int) -> list[int]:
    """Numbers of blocks that are read in turn.

    Parameters
    ----------
    count : int
        Blocks near a brightness.

    Returns
    -------
    list of int
        One number for each of `SHARES` that differs, the largest first.
    """
    sizes = [min(max(round(share * count), FEWEST), count) for share in SHARES]
    return list(dict.fromkeys(sizes))


def luma_blocks(picture: Picture, columns: int, indices: NDArray[np.intp]) -> NDArray[np.float32]:
    """Luma of some blocks.

    Parameters
    ----------
    picture : Picture
        A developed frame.
    columns : int
        Blocks side by side in the map.
    indices : (n,) ndarray of intp
        Flat indices in the map.

    Returns
    -------
    (n, BLOCK, BLOCK) ndarray of float32
        Luma on the 0..255 scale.
    """
    return blocks.cut_blocks(picture.luma, columns, indices) * np.float32(255 / picture.peak)


def read_flats(
    picture: Picture, columns: int, places: NDArray[np.intp], *, banding: bool = False
) -> Flats:
    """Read some blocks, a sample of them where they are many.

    Blocks with pixels that may be clipped, or that hold a hot pixel, are left out.

    Parameters
    ----------
    picture : Picture
        A developed frame.
    columns : int
        Blocks side by side in the map.
    places : (n,) ndarray of intp
        Flat indices in the map.
    banding : bool
        Leave offsets of whole rows and columns out of the blocks' power.

    Returns
    -------
    Flats
        The blocks with their spectra.
    """
    indices = blocks.subsample(np.sort(places), MOST)
    values = luma_blocks(picture, columns, indices)
    flat = values.reshape(-1, blocks.BLOCK**2)
    lowest, highest, level = flat.min(1), flat.max(1), flat.mean(1)
    unclipped = (lowest > DARKEST) & (highest < BRIGHTEST)
    hot = highest - level > _HOT_PEAK * np.sqrt(blocks.variances(values))
    without_hot = unclipped & ~hot
    # Where every block holds one (strong grain, specks) they are what is to be measured.
    keep = without_hot if without_hot.sum() >= FEWEST else unclipped
    squares = spectrum.squared_coefficients(values[keep])
    if banding:
        squares = spectrum.without_lines(squares)
    return Flats(
        indices[keep],
        values[keep],
        squares,
        spectrum.band_power(squares),
        level[keep].astype(float),
    )
