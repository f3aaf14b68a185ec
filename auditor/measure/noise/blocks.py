"""Where a frame is flat: square blocks ranked by how little a smoothed copy changes inside them.

The ranking looks only at frequencies below those from which the noise is read (see `spectrum`), so
choosing flat blocks does not prefer those with less noise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor.measure.cosine import JPEG_BLOCK
from auditor.measure.reduce import area_means

__all__ = ["BLOCK", "BlockMap", "cut_blocks", "map_blocks", "subsample", "variances"]

BLOCK: Final = 2 * JPEG_BLOCK
"""Side of a block in pixels: two JPEG blocks, so that their seams count as they show."""

_REDUCE: Final = 4
"""Pixels along each side that become one of the reduced copy."""
_SMOOTH: Final = 1.0
"""Gaussian on the reduced copy; with the 4 x 4 means it amounts to 4 px on the frame."""


@dataclass(frozen=True)
class BlockMap:
    """One value for each whole block of the frame.

    Attributes
    ----------
    level : (rows, columns) ndarray of float32
        Mean code value on the 0..255 scale.
    smooth_variance : (rows, columns) ndarray of float32
        Variance of the smoothed copy inside the block, code values squared.
    """

    level: NDArray[np.float32]
    smooth_variance: NDArray[np.float32]


def map_blocks(half: NDArray[Any], scale: float) -> BlockMap:
    """Mean level of every block, and how much a smoothed copy varies inside it.

    Parameters
    ----------
    half : (H // 2, W // 2) ndarray
        Means of 2 x 2 pixels of a plane.
    scale : float
        Factor that takes code values to 0..255.

    Returns
    -------
    BlockMap
        Blocks of `BLOCK` x `BLOCK` full-size pixels; what fills no whole block is left out.
    """
    rows, columns = (2 * n // BLOCK for n in half.shape)
    inside = half[: rows * BLOCK // 2, : columns * BLOCK // 2]
    per_side = BLOCK // _REDUCE
    small = area_means(inside, _REDUCE // 2)
    small = np.multiply(small, np.float32(scale), dtype=np.float32)
    smooth = cv2.GaussianBlur(small, (0, 0), _SMOOTH, borderType=cv2.BORDER_REFLECT)
    mean = area_means(smooth, per_side)
    smooth_variance = area_means(cv2.multiply(smooth, smooth), per_side) - mean**2
    return BlockMap(level=area_means(small, per_side), smooth_variance=smooth_variance)


def subsample(indices: NDArray[np.intp], limit: int) -> NDArray[np.intp]:
    """Evenly spaced sample of indices, so that all parts of the frame are represented.

    Parameters
    ----------
    indices : (n,) ndarray of intp
        Indices in their order.
    limit : int
        Length of the sample at most.

    Returns
    -------
    (k,) ndarray of intp
        All of them where they are no more than `limit`.
    """
    if len(indices) <= limit:
        return indices
    picks = np.linspace(0, len(indices) - 1, limit).round().astype(np.intp)
    return indices[picks]


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
