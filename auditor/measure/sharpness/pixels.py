"""The pixels of patches by their distance from a line: which count, their sums, their bins.

A third of a patch counts as a rule. Its pixels are picked out once and worked on in one row; masks over
whole patches took twice as long.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.sharpness.family import BIN_PX, HALF_PX, OFFSETS
from auditor.measure.sharpness.lines import PATCH_PX

__all__ = ["BINS", "Pixels", "binned", "bins_of", "near_line"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

BINS: Final = len(OFFSETS)
"""Bins of an edge's profile."""


@dataclass(frozen=True)
class Pixels:
    """The pixels of a batch of patches that count, patch by patch.

    Attributes
    ----------
    at : (k,) ndarray of intp
        Places in the flattened patches, ascending.
    count : (n,) ndarray of intp
        How many each patch has.
    """

    at: NDArray[np.intp]
    count: NDArray[np.intp]

    @classmethod
    def of(cls, mask: NDArray[np.bool_]) -> Pixels:
        """Pixels of a mask.

        Parameters
        ----------
        mask : (n, PATCH_PX, PATCH_PX) ndarray of bool
            Pixels that count.

        Returns
        -------
        Pixels
            Those of the mask.
        """
        at = np.flatnonzero(mask)
        first = np.arange(len(mask) + 1) * PATCH_PX**2
        return cls(at, np.diff(np.searchsorted(at, first)))

    def per_pixel(self, values: NDArray[Any]) -> NDArray[Any]:
        """A value for each patch as one for each pixel.

        Parameters
        ----------
        values : (n,) ndarray
            One for each patch.

        Returns
        -------
        (k,) ndarray
            One for each pixel.
        """
        return values.repeat(self.count)

    def sums(self, values: Singles) -> Floats:
        """Sums over the pixels of each patch.

        Parameters
        ----------
        values : (..., k) ndarray of float32
            One for each pixel.

        Returns
        -------
        (..., n) ndarray of float64
            One for each patch; 0 where it has no pixels.
        """
        out = np.zeros((*values.shape[:-1], len(self.count)))
        filled = self.count > 0
        if filled.any():
            first = (self.count.cumsum() - self.count)[filled]
            out[..., filled] = np.add.reduceat(values, first, axis=-1)
        return out


def near_line(u: Singles, half: Floats | float) -> NDArray[np.bool_]:
    """Pixels within a distance of the line.

    Parameters
    ----------
    u : (n, PATCH_PX, PATCH_PX) ndarray of float32
        Distances from the line, px.
    half : (n,) ndarray of float64, or float
        Distance to either side, px.

    Returns
    -------
    (n, PATCH_PX, PATCH_PX) ndarray of bool
        Mask.
    """
    limit = np.atleast_1d(np.asarray(half, np.float32))
    return np.asarray(np.abs(u) <= limit[:, None, None])


def bins_of(u: Singles) -> NDArray[np.intp]:
    """The bin in which each distance lies, none beyond `HALF_PX`."""
    return np.asarray(((u + np.float32(HALF_PX)) * np.float32(1 / BIN_PX)).astype(np.intp))


def binned(patch: Singles, u: Singles, use: NDArray[np.bool_]) -> tuple[Floats, Floats, Floats]:
    """Edge-spread functions: pixels binned by their distance from the line.

    Parameters
    ----------
    patch, u : (n, PATCH_PX, PATCH_PX) ndarray of float32
        Light, and distances from the line, px.
    use : (n, PATCH_PX, PATCH_PX) ndarray of bool
        Pixels that count, all within `HALF_PX` of the lines.

    Returns
    -------
    mean : (n, bins) ndarray of float64
        Mean light; 0 in empty bins.
    squares : (n, bins) ndarray of float64
        Sum of squares about the mean.
    count : (n, bins) ndarray of float64
        Pixels.
    """
    n = len(patch)
    pixels = Pixels.of(use)
    flat = bins_of(u.take(pixels.at)) + pixels.per_pixel(np.arange(n) * BINS)
    value = patch.take(pixels.at).astype(float)
    count = np.bincount(flat, minlength=n * BINS).astype(float)
    total = np.bincount(flat, weights=value, minlength=n * BINS)
    mean = total / np.maximum(count, 1)
    squares = np.bincount(flat, weights=value * value, minlength=n * BINS) - total * mean
    shape = (n, BINS)
    return mean.reshape(shape), np.maximum(squares, 0).reshape(shape), count.reshape(shape)
