"""Where a frame is flat, and what varies in its flattest blocks at one brightness.

Square blocks are ranked by how little a smoothed copy changes inside them, and the median of their variances
is taken: robust against the few that hold a piece of the scene. The ranking looks only at frequencies below
those from which the noise is read (see `spectrum`), so choosing flat blocks does not prefer those with less
noise. Whether the rest hold noise or a texture that covers everything is judged in `noise_texture`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor.measure.noise import spectrum
from auditor.measure.noise.spectrum import BLOCK
from auditor.measure.picture import Picture
from auditor.measure.reduce import area_means

__all__ = [
    "BRIGHTEST",
    "DARKEST",
    "FEWEST",
    "SHARES",
    "Flats",
    "cut_blocks",
    "flattest",
    "luma_blocks",
    "map_blocks",
    "read_flats",
    "subsample",
    "variances",
]

_REDUCE: Final = 4
"""Pixels along each side that become one of the reduced copy."""
_SMOOTH: Final = 1.0
"""Gaussian on the reduced copy; with the 4 x 4 means it amounts to 4 px on the frame."""

SHARES: Final = (0.2, 0.05)
"""Shares of the blocks near a brightness, flattest first, that are tried in turn: a fifth as a rule
(of real pairs of one exposure and the mean of many it came closest), fewer where a fifth still holds
texture."""

FEWEST: Final = 20
"""Blocks, or places of a mosaic, that are read at least: the median of as many variances of noise is good to 5%,
and their tenth percentile tells photographed textures from noise, which of sixteen it did not."""

_MOST: Final = 150
"""Blocks read at most, evenly over the frame; a median of so many is good to 1.5%."""

DARKEST, BRIGHTEST = 1.5, 253.5
"""Code values (0..255) outside which a pixel may be clipped, and its noise cut off."""

_HOT_PEAK: Final = 5.5
"""Standard deviations of a block above its mean from which a pixel is hot: white noise reaches them in one
block of 200,000."""

_LOWEST: Final = 0.1
"""Share of the blocks whose variances lie below the one that is held against the median."""
_TENTH: Final = 1.28
"""Standard deviations from the median to the tenth percentile."""
_MOST_SPREAD: Final = 0.33
"""Relative spread of block variances that noise has at most: white noise has 0.09, coarse noise of real camera
files up to 0.28."""


def map_blocks(half: NDArray[Any], scale: float) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Mean level of every block, and how much a smoothed copy varies inside it.

    Parameters
    ----------
    half : (H // 2, W // 2) ndarray
        Means of 2 x 2 pixels of a plane.
    scale : float
        Factor that takes code values to 0..255.

    Returns
    -------
    level : (rows, columns) ndarray of float32
        Mean code value on the 0..255 scale, of blocks of `BLOCK` x `BLOCK` full-size pixels; what fills no
        whole block is left out.
    smooth_variance : (rows, columns) ndarray of float32
        Variance of the smoothed copy inside the block, code values squared.
    """
    rows, columns = (2 * n // BLOCK for n in half.shape)
    inside = half[: rows * BLOCK // 2, : columns * BLOCK // 2]
    per_side = BLOCK // _REDUCE
    small = area_means(inside, _REDUCE // 2)
    small = np.multiply(small, np.float32(scale), dtype=np.float32)
    smooth = cv2.GaussianBlur(small, (0, 0), _SMOOTH, borderType=cv2.BORDER_REFLECT)
    mean = area_means(smooth, per_side)
    smooth_variance = area_means(cv2.multiply(smooth, smooth), per_side) - mean**2
    return area_means(small, per_side), smooth_variance


def subsample(indices: NDArray[np.intp]) -> NDArray[np.intp]:
    """Evenly spaced sample of at most `_MOST` indices, so that all parts of the frame are represented.

    Parameters
    ----------
    indices : (n,) ndarray of intp
        Indices in their order.

    Returns
    -------
    (k,) ndarray of intp
        All of them where they are no more.
    """
    if len(indices) <= _MOST:
        return indices
    return indices[np.linspace(0, len(indices) - 1, _MOST).round().astype(np.intp)]


def flattest(smooth_variance: NDArray[np.float32], count: int) -> NDArray[np.intp]:
    """Places of the lowest values, ascending; of equal ones the first.

    Parameters
    ----------
    smooth_variance : (n,) ndarray of float32
        Values.
    count : int
        How many places.

    Returns
    -------
    (count,) ndarray of intp
        Indices.
    """
    limit = np.partition(smooth_variance, count - 1)[count - 1]
    below = smooth_variance < limit
    ties = np.flatnonzero(smooth_variance == limit)[: count - np.count_nonzero(below)]
    below[ties] = True
    return np.flatnonzero(below)


def cut_blocks(plane: NDArray[Any], columns: int, indices: NDArray[np.intp]) -> NDArray[np.float32]:
    """Cut blocks out of a plane.

    Parameters
    ----------
    plane : (H, W) or (H, W, channels) ndarray
        Full-size plane.
    columns : int
        Blocks side by side in the map.
    indices : (n,) ndarray of intp
        Flat indices in the map.

    Returns
    -------
    (n, BLOCK, BLOCK[, channels]) ndarray of float32
        Code values.
    """
    rows = plane.shape[0] // BLOCK
    inside = plane[: rows * BLOCK, : columns * BLOCK]
    tail = plane.shape[2:]
    view = inside.reshape(rows, BLOCK, columns, BLOCK, *tail)
    y, x = np.divmod(indices, columns)
    return view[y, :, x].astype(np.float32)


def variances(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Population variance of each block.

    Parameters
    ----------
    values : (n, BLOCK, BLOCK) ndarray of float32
        Blocks.

    Returns
    -------
    (n,) ndarray of float32
        Variances, in the square of the values' unit.
    """
    flat = values.reshape(-1, BLOCK * BLOCK)
    deviation = flat - flat.mean(1, keepdims=True)
    return np.asarray(np.einsum("ij,ij->i", deviation, deviation) / np.float32(flat.shape[1]))


@dataclass(frozen=True)
class Flats:
    """The flattest blocks near one brightness.

    Attributes
    ----------
    values : (n, BLOCK, BLOCK) ndarray of float32
        Luma on the 0..255 scale.
    squares : (n, BLOCK, BLOCK) ndarray of float32
        Squared cosine coefficients, planes taken off.
    level : float
        Median of the blocks' mean code values.
    """

    values: NDArray[np.float32]
    squares: NDArray[np.float32]
    level: float

    def __len__(self) -> int:
        return len(self.values)

    @cached_property
    def _powers(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Sorted variances of the blocks, and their median power in each band."""
        variance, bands = spectrum.band_power(self.squares)
        return np.sort(variance), np.median(bands, axis=0)

    @cached_property
    def median_variance(self) -> float:
        """Variance of the median block, code values squared."""
        ranked = self._powers[0]
        return float(ranked[(len(ranked) - 1) // 2] + ranked[len(ranked) // 2]) / 2

    @cached_property
    def expected_spread(self) -> float:
        """Standard deviation over mean that the variances of blocks of noise with their mean spectrum
        have."""
        return spectrum.relative_spread(self.squares.mean(0))

    @cached_property
    def sigma(self) -> float:
        """Standard deviation, code values: the median block's, brought to the mean.

        The variances of blocks have a chi-squared spread; with k degrees of freedom their median lies
        below their mean by the factor 1 - 2 / (3 k).
        """
        return float(np.sqrt(self.median_variance / (1 - self.expected_spread**2 / 3)))

    @cached_property
    def unevenness(self) -> float:
        """Median variance of the blocks over their tenth percentile, over what that is for noise of their
        spectrum: its variances spread about their mean as the sum of squares of Gaussian coefficients does."""
        ranked = self._powers[0]
        low, middle = (float(ranked[int(q * (len(ranked) - 1))]) for q in (_LOWEST, 0.5))
        expected = 1 / (1 - _TENTH * min(self.expected_spread, _MOST_SPREAD))
        return middle / max(low, 1e-6) / expected

    @property
    def fine_ratio(self) -> float:
        """Power at 0.18-0.25 c/px over that at 0.08-0.125 c/px."""
        coarse, _, fine = self._powers[1]
        return float(fine / max(coarse, 1e-6))


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
    return cut_blocks(picture.luma, columns, indices) * np.float32(255 / picture.peak)


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
        Flat indices in the map, ascending.
    banding : bool
        Leave offsets of whole rows and columns out of the blocks' power.

    Returns
    -------
    Flats
        The blocks with their spectra.
    """
    values = luma_blocks(picture, columns, subsample(places))
    flat = values.reshape(-1, BLOCK**2)
    lowest, highest, level = flat.min(1), flat.max(1), flat.mean(1)
    unclipped = (lowest > DARKEST) & (highest < BRIGHTEST)
    hot = highest - level > _HOT_PEAK * np.sqrt(variances(values))
    without_hot = unclipped & ~hot
    # Where every block holds one (strong grain, specks) they are what is to be measured.
    keep = without_hot if without_hot.sum() >= FEWEST else unclipped
    squares = spectrum.squared_coefficients(values[keep])
    if banding:
        squares = spectrum.without_lines(squares)
    middle = float(np.median(level[keep])) if keep.any() else 0.0
    return Flats(values[keep], squares, middle)
