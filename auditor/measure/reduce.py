"""Planes made smaller by area means, by the quickest way there is."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["area_means"]


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
