"""Blocks laid from the middle of a frame outwards, so that its mirror image is cut the same way."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from auditor.measure.reduce import area_means

__all__ = ["block_starts", "centred_means"]


def _halves(length: int, block: int) -> tuple[slice, ...]:
    """Whole blocks to either side of the middle: one run of them, or two about an odd middle row."""
    middle, reach = length // 2, length // 2 // block * block
    if length % 2 == 0:
        return (slice(middle - reach, middle + reach),)
    return slice(middle - reach, middle), slice(middle + 1, middle + 1 + reach)


def block_starts(length: int, block: int) -> NDArray[np.int_]:
    """First row (or column) of every block of `block` rows; an even number of blocks."""
    return np.concatenate([np.arange(s.start, s.stop, block) for s in _halves(length, block)])


def centred_means(plane: NDArray[Any], factor: int) -> NDArray[Any]:
    """As `area_means`, of the blocks that begin at `block_starts` of either axis."""
    h, w = plane.shape
    return np.concatenate(
        [
            np.concatenate(
                [area_means(plane[rows, cols], factor) for cols in _halves(w, factor)], 1
            )
            for rows in _halves(h, factor)
        ]
    )
