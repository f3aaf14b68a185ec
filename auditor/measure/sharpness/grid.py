"""Blocks laid from the middle of a frame outwards, so that its mirror image is cut the same way."""

from __future__ import annotations

from functools import reduce
from typing import Any

import numpy as np
from numpy.typing import NDArray

from auditor.measure.reduce import area_means

__all__ = ["block_starts", "centred_maxima", "centred_means"]


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
