"""Where a frame is flat: square blocks ranked by how little a smoothed copy changes inside them.

The ranking looks only at frequencies below those from which the noise is read (see `spectrum`), so
choosing flat blocks does not prefer quiet ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor.measure.cosine import JPEG_BLOCK
from auditor.measure.reduce import area_means

__all__ = ["BLOCK", "BlockMap", "cut", "map_blocks", "spread", "variances"]

BLOCK: Final = 2 * JPEG_BLOCK
"""Side of a block in pixels: two JPEG blocks, so that their seams count as they show."""

_REDUCE: Final = 4
"""Pixels along each side that become one of the reduced copy."""
_SMOOTH: Final = 1.0
"""Gaussian on the reduced copy; with the 4 x 4 means it amounts to 4 px on the frame."""


@dataclass(frozen=True)
class BlockMap:
    """One value for each whole block of the frame, (rows, columns).

    Attributes:
        level: mean code value on the 0..255 scale.
        relief: variance of the smoothed copy inside the block, code values squared.
    """

    level: NDArray[np.float32]
    relief: NDArray[np.float32]


def map_blocks(half: NDArray[Any], scale: float) -> BlockMap:
    """Level and relief of every block of a plane, from its means of 2 x 2 pixels, (H // 2, W // 2).

    `scale` takes code values to 0..255.
    """
    rows, columns = (2 * n // BLOCK for n in half.shape)
    inside = half[: rows * BLOCK // 2, : columns * BLOCK // 2]
    per_side = BLOCK // _REDUCE
    small = area_means(inside, _REDUCE // 2)
    small = np.multiply(small, np.float32(scale), dtype=np.float32)
    smooth = cv2.GaussianBlur(small, (0, 0), _SMOOTH, borderType=cv2.BORDER_REFLECT)
    mean = area_means(smooth, per_side)
    relief = area_means(cv2.multiply(smooth, smooth), per_side) - mean**2
    return BlockMap(level=area_means(small, per_side), relief=relief)


def spread(indices: NDArray[np.intp], most: int) -> NDArray[np.intp]:
    """At most `most` of `indices`, evenly spaced in their order, so that all parts are heard."""
    if len(indices) <= most:
        return indices
    picks = np.linspace(0, len(indices) - 1, most).round().astype(np.intp)
    return indices[picks]


def cut(plane: NDArray[Any], columns: int, indices: NDArray[np.intp]) -> NDArray[np.float32]:
    """Blocks (n, BLOCK, BLOCK[, channels]) at flat `indices` of a map with `columns` columns."""
    rows = plane.shape[0] // BLOCK
    inside = plane[: rows * BLOCK, : columns * BLOCK]
    tail = plane.shape[2:]
    view = inside.reshape(rows, BLOCK, columns, BLOCK, *tail)
    y, x = np.divmod(indices, columns)
    return view[y, :, x].astype(np.float32)


def variances(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Variance of each of some blocks, (n,)."""
    flat = values.reshape(len(values), -1)
    apart = flat - flat.mean(1, keepdims=True)
    return np.asarray(np.einsum("ij,ij->i", apart, apart) / np.float32(flat.shape[1]))
