"""What frames look like, read when it is known which are compared: thumbnails, colour grids and signatures; and
whether two show one scene.

Brightness does not matter (gradients are compared, normalised), and shifts are found by phase correlation (Kuglin &
Hines, 1975); a turn by two degrees leaves enough in common.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final, TypeVar

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.lenses.scene_groups import SAME_SCENE
from auditor.record.pictures import PictureSource, fetch_pictures
from auditor.record.values import texts
from auditor.units import WHITE_16

__all__ = [
    "GRID_SHAPE",
    "SmallPictures",
    "correlation_at_scale",
    "middle_of",
    "read_grid",
    "read_thumb",
    "registered_correlation",
]

Floats = NDArray[np.float32]
Grid = TypeVar("Grid", NDArray[np.float32], NDArray[np.float64])

_MOST_SHIFT: Final = 0.25
"""Share of the long side by which two frames of one scene may be turned apart."""
_LEAST_SIDE_PX: Final = 16
"""A smaller thumbnail tells nothing."""
_LEAST_CORRELATION: Final = 0.45
"""Correlation of signatures below which thumbnails are not compared."""
_SAME_SCENE_THUMBNAIL: Final = 0.55
"""Correlation of the gradients of two registered thumbnails from which it is one scene."""
_SIGNATURE: Final = (8, 12)
"""Rows and columns of `FrameRecord.signature`."""
GRID_SHAPE: Final = (16, 24, 3)
"""Rows, columns, R G B of a colour grid."""


def read_thumb(data: bytes | None) -> NDArray[np.uint8] | None:
    """Decode a thumbnail.

    Parameters
    ----------
    data : bytes or None
        A small JPEG.

    Returns
    -------
    ndarray of uint8, shape (rows, columns), or None
        Grey; None where there is none, or it cannot be decoded or is smaller than `_LEAST_SIDE_PX`.
    """
    if not isinstance(data, (bytes, bytearray, memoryview)) or not len(data):
        return None
    picture = cv2.imdecode(np.frombuffer(bytes(data), np.uint8), cv2.IMREAD_GRAYSCALE)
    return (
        None if picture is None or min(picture.shape) < _LEAST_SIDE_PX else picture.astype(np.uint8)
    )


def read_grid(data: bytes | None) -> NDArray[np.float64] | None:
    """Decode a stored colour grid.

    Parameters
    ----------
    data : bytes or None
        Little-endian unsigned 16 bit, `GRID_SHAPE`.

    Returns
    -------
    ndarray of float64, shape GRID_SHAPE, or None
        Linear light, 1 = white; None where there is none or its size is wrong.
    """
    if not isinstance(data, (bytes, bytearray, memoryview)):
        return None
    raw = bytes(data)
    if len(raw) != 2 * int(np.prod(GRID_SHAPE)):
        return None
    return np.frombuffer(raw, "<u2").reshape(GRID_SHAPE).astype(float) / WHITE_16


def _gradient(picture: NDArray[np.uint8] | Floats) -> Floats:
    smooth = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 1.0)
    # Square root of the magnitude: strong edges of the sky line do not drown the rest.
    dx, dy = cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    return np.asarray(np.sqrt(cv2.magnitude(dx, dy)), np.float32)


def _correlation(a: Floats, b: Floats) -> float:
    """0 where either is even, or has no pixels."""
    if not a.size:
        return 0.0
    x, y = a - a.mean(), b - b.mean()
    size = float(np.sqrt((x * x).sum() * (y * y).sum()))
    return float((x * y).sum() / size) if size > 0 else 0.0


def registered_correlation(a: NDArray[np.uint8], b: NDArray[np.uint8], scale: float = 1.0) -> float:
    """Correlation of the gradients of two thumbnails after registration.

    Shift by phase correlation; the better of none and that one counts.

    Parameters
    ----------
    a, b : ndarray of uint8, shape (rows, columns)
        Grey thumbnails.
    scale : float
        How many times as large `a` shows the scene.

    Returns
    -------
    float
        Where both overlap: 1 the same, about 0 unrelated.

    References
    ----------
    C. D. Kuglin and D. C. Hines (1975), phase correlation.
    """
    if a.shape != b.shape:
        a = np.asarray(cv2.resize(a, (b.shape[1], b.shape[0]), interpolation=cv2.INTER_AREA))
    height, width = b.shape
    size = (width, height)
    ga, gb = middle_of(_gradient(a), 1 / scale), _gradient(b)
    # Only what `a` shows of it: its rim repeated says nothing.
    shown = np.zeros(b.shape, np.uint8)
    rim = [max(round(n * (1 - 1 / scale) / 2), 0) for n in b.shape]
    shown[rim[0] : height - rim[0], rim[1] : width - rim[1]] = 1
    shift, _ = cv2.phaseCorrelate(gb, ga, cv2.createHanningWindow(size, cv2.CV_32F))
    best = -1.0
    for across, down in ((0.0, 0.0), shift):
        if float(np.hypot(across, down)) > _MOST_SHIFT * max(size):
            continue
        transform = np.array([[1, 0, across], [0, 1, down]], np.float32)
        registered, where = (
            np.asarray(
                cv2.warpAffine(p, transform, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP),
                np.float32,
            )
            for p in (ga, shown)
        )
        best = max(best, _correlation(registered[where > 0], gb[where > 0]))
    return best


def middle_of(grid: Grid, scale: float) -> Grid:
    """The middle of a picture as one of its own: what a picture `scale` times as large shows.

    Parameters
    ----------
    grid : ndarray of float, shape (rows, columns, ...)
        Picture.
    scale : float
        Magnification.

    Returns
    -------
    ndarray
        Of the same shape and dtype, bilinear.
    """
    rows, columns = grid.shape[:2]
    middle = np.array([columns - 1, rows - 1]) / 2
    matrix = np.column_stack([np.eye(2) / scale, middle * (1 - 1 / scale)])
    enlarged = cv2.warpAffine(
        grid, matrix, (columns, rows), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    return enlarged.astype(grid.dtype)


def correlation_at_scale(a: Floats, b: Floats, scale: float) -> float:
    """Correlation of two signatures of which one shows the middle of the other, enlarged.

    Parameters
    ----------
    a, b : ndarray of float32, shape (96,)
        12 x 8 grey means each.
    scale : float
        How many times as large `a` shows the scene.

    Returns
    -------
    float
        0 where either is even.
    """
    return _correlation(a, middle_of(b.reshape(_SIGNATURE), scale).ravel())


_MOST: Final = 4000
"""So many pictures at most are fetched at a time, for the memory, and so many pairs of them laid over each other, for the
time."""


class SmallPictures:
    """Small pictures by position in the frame table. What is not there is None."""

    def __init__(self, frames: pd.DataFrame, source: PictureSource | None) -> None:
        self._ids = texts(frames, "file_id")
        self._source = source
        self._cache: dict[str, tuple[bytes | None, bytes | None]] = {}
        self._compared = 0

    def fetch(self, rows: Iterable[int]) -> None:
        """Have the pictures of these rows at hand; those fetched before are let go."""
        if self._source is None:
            return
        wanted = list(dict.fromkeys(rows))
        ids = [str(i) for i in dict.fromkeys(self._ids.iloc[wanted]) if i][:_MOST]
        self._cache = {k: self._cache[k] for k in ids if k in self._cache}
        missing = [k for k in ids if k not in self._cache]
        for key, found in fetch_pictures(self._source, missing, _MOST):
            self._cache[key] = found.get("thumb_jpeg"), found.get("colour_grid")

    def same_scene(self, row: int, other: int, similarity: float, scale: float = 1.0) -> bool:
        """Whether two frames show one scene: by their thumbnails where there are any, else by signatures.

        Parameters
        ----------
        row, other : int
            Positions of the frames.
        similarity : float
            Correlation of their signatures, NaN where one has none.
        scale : float
            How many times as large the first shows the scene.

        Returns
        -------
        bool
            False of signatures so unlike that thumbnails need not be compared.
        """
        if similarity < _LEAST_CORRELATION:
            return False
        if self._compared < _MOST:
            first, second = (read_thumb(self._pictures(k)[0]) for k in (row, other))
            if first is not None and second is not None:
                self._compared += 1
                return registered_correlation(first, second, scale) >= _SAME_SCENE_THUMBNAIL
        return similarity >= SAME_SCENE

    def _pictures(self, row: int) -> tuple[bytes | None, bytes | None]:
        """Thumbnail and colour grid."""
        return self._cache.get(str(self._ids.iloc[row]), (None, None))

    def grid(self, row: int) -> NDArray[np.float64] | None:
        """Area means of one frame in linear light (see `read_grid`), None where they are not known."""
        return read_grid(self._pictures(row)[1])
