"""Planes made smaller by area means, by the quickest way there is; and blocks laid from the
middle of a frame outwards, so that its mirror image is cut the same way."""

from __future__ import annotations

from functools import reduce
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["area_means", "block_starts", "centred_maxima", "centred_means"]


def area_means(plane: NDArray[Any], factor: int) -> NDArray[Any]:
    """Means of `factor` x `factor` pixels.

    Rows and columns that fill no whole block are left out. Halving twice is ten times faster in
    OpenCV than quartering once; whole-number code values are rounded at each halving.

    Parameters
    ----------
    plane : (H, W) or (H, W, channels) ndarray
        Any type that OpenCV resizes.
    factor : int
        Side of a block.

    Returns
    -------
    (H // factor, W // factor[, channels]) ndarray
        Of the same type.
    """
    remaining = factor
    while remaining % 2 == 0 and min(plane.shape[:2]) >= 2:
        plane = _means(plane, 2)
        remaining //= 2
    return _means(plane, remaining) if remaining > 1 else plane


def _means(plane: NDArray[Any], factor: int) -> NDArray[Any]:
    h, w = plane.shape[:2]
    size = (max(w // factor, 1), max(h // factor, 1))
    if factor == 3 and plane.dtype == np.uint8 and min(plane.shape[:2]) >= factor:
        # The same values; OpenCV has no quick way for thirds.
        about = cv2.blur(plane, (factor, factor))[1::factor, 1::factor]
        return np.ascontiguousarray(about[: size[1], : size[0]])
    # Only a whole number of blocks goes the quick way.
    whole = plane[: size[1] * factor, : size[0] * factor]
    return cv2.resize(whole, size, interpolation=cv2.INTER_AREA)


def _halves(length: int, block: int) -> tuple[slice, ...]:
    """Whole blocks to either side of the middle: one run of them, or two about an odd middle row."""
    middle, half = length // 2, length // 2 // block * block
    if length % 2 == 0:
        return (slice(middle - half, middle + half),)
    return slice(middle - half, middle), slice(middle + 1, middle + 1 + half)


def block_starts(length: int, block: int) -> NDArray[np.int_]:
    """First row (or column) of every block, laid from the middle outwards.

    Parameters
    ----------
    length : int
        Rows of the plane.
    block : int
        Rows of a block.

    Returns
    -------
    (n,) ndarray of int
        An even number of blocks.
    """
    return np.concatenate([np.arange(s.start, s.stop, block) for s in _halves(length, block)])


def centred_means(plane: NDArray[Any], factor: int) -> NDArray[Any]:
    """As `area_means`, of the blocks that begin at `block_starts` of either axis.

    Parameters
    ----------
    plane : (H, W) ndarray
        Any type.
    factor : int
        Side of a block.

    Returns
    -------
    (rows, columns) ndarray
        Means, of the same type.
    """
    h, w = plane.shape
    return np.concatenate(
        [
            np.concatenate(
                [area_means(plane[rows, cols], factor) for cols in _halves(w, factor)], 1
            )
            for rows in _halves(h, factor)
        ]
    )


def centred_maxima(plane: NDArray[Any], block: int) -> NDArray[Any]:
    """The largest value of every block that begins at `block_starts` of either axis.

    Parameters
    ----------
    plane : (H, W) ndarray
        Any type.
    block : int
        Side of a block.

    Returns
    -------
    (rows, columns) ndarray
        Maxima, of the same type.
    """
    h, w = plane.shape
    out = []
    for rows in _halves(h, block):
        # Rows first: whole rows are compared at once.
        part = plane[rows]
        tall = part.reshape(len(part) // block, block, w).max(1)
        across = [
            reduce(np.maximum, (tall[:, c.start + i : c.stop : block] for i in range(block)))
            for c in _halves(w, block)
        ]
        out.append(np.concatenate(across, 1))
    return np.concatenate(out)
