"""Do two frames show one scene? Thumbnails laid over each other, or signatures where none are kept.

Brightness does not matter (gradients are compared, normalised), small shifts and rotations are found
by matching features (ORB; Rublee et al., ICCV 2011) with a robust similarity transform, and by phase
correlation (Kuglin & Hines, 1975) where features are few.
"""

from __future__ import annotations

from typing import Final, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["alike_at_scale", "middle_of", "overlay", "read_thumb"]

Floats = NDArray[np.float32]
Grid = TypeVar("Grid", NDArray[np.float32], NDArray[np.float64])

_FEATURES: Final = 300
"""Features looked for in a thumbnail at most."""
_FAST: Final = 7
"""Threshold of FAST corners in code values (OpenCV's default, 20, finds too few in small pictures)."""
_PATCH_PX: Final = 17
"""Patch that describes a feature, half of OpenCV's 31: thumbnails are small."""
_FEWEST: Final = 12
"""Features that must agree on how one thumbnail lies on the other."""
_MOST_SHIFT: Final = 0.25
"""Share of the long side by which two frames of one scene may be turned apart."""
_SCALES: Final = (0.85, 1.18)
"""Found magnification over the expected one: beyond this the two don't show one scene."""
_LEAST_SIDE_PX: Final = 16
"""A smaller thumbnail tells nothing."""
_SIGNATURE: Final = (8, 12)
"""Rows and columns of `FrameRecord.signature`."""


def read_thumb(data: bytes | None) -> NDArray[np.uint8] | None:
    """Grey thumbnail, or None where there is none or it cannot be decoded."""
    if not isinstance(data, (bytes, bytearray, memoryview)) or not len(data):
        return None
    picture = cv2.imdecode(np.frombuffer(bytes(data), np.uint8), cv2.IMREAD_GRAYSCALE)
    return (
        None if picture is None or min(picture.shape) < _LEAST_SIDE_PX else picture.astype(np.uint8)
    )


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


def _even(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Contrast brought to one level, so that exposure does not decide which features are found."""
    return np.asarray(cv2.createCLAHE(2.0, (4, 4)).apply(picture), np.uint8)


def _by_features(a: NDArray[np.uint8], b: NDArray[np.uint8]) -> Floats | None:
    finder = cv2.ORB.create(
        _FEATURES, fastThreshold=_FAST, edgeThreshold=_PATCH_PX // 2, patchSize=_PATCH_PX
    )
    ka, da = finder.detectAndCompute(_even(a), None)
    kb, db = finder.detectAndCompute(_even(b), None)
    if da is None or db is None or len(ka) < _FEWEST or len(kb) < _FEWEST:
        return None
    matches = cv2.BFMatcher(cv2.NORM_HAMMING, crossCheck=True).match(da, db)
    if len(matches) < _FEWEST:
        return None
    pa = np.array([ka[m.queryIdx].pt for m in matches], np.float32)
    pb = np.array([kb[m.trainIdx].pt for m in matches], np.float32)
    cv2.setRNGSeed(0)
    found, inside = cv2.estimateAffinePartial2D(pa, pb, ransacReprojThreshold=2.0)
    if found is None or int(inside.sum()) < _FEWEST:
        return None
    return np.asarray(found, np.float32)


def overlay(a: NDArray[np.uint8], b: NDArray[np.uint8], scale: float = 1.0) -> float:
    """Likeness of thumbnail `a`, which shows the scene so many times as large, laid over `b`: correlation of
    the gradients where both overlap (1 the same, about 0 unrelated); -1 where it lies nowhere on it."""
    if a.shape != b.shape:
        a = np.asarray(cv2.resize(a, (b.shape[1], b.shape[0]), interpolation=cv2.INTER_AREA))
    height, width = b.shape
    centre = np.array([width / 2, height / 2])
    ga, gb = _gradient(a), _gradient(b)
    start = np.array([[1 / scale, 0, 0], [0, 1 / scale, 0]], np.float32)
    start[:, 2] = centre * (1 - 1 / scale)
    features = _by_features(a, b)
    inside = np.ones((height, width), np.float32)
    placed = cv2.warpAffine(ga, start, (width, height))
    window = cv2.createHanningWindow((width, height), cv2.CV_32F)
    (dx, dy), _ = cv2.phaseCorrelate(placed, gb, window)
    moved = start.copy()
    moved[:, 2] += [dx, dy]
    best = -1.0
    for transform in (start, features, moved):
        if transform is None:
            continue
        found_scale = 1 / max(float(np.hypot(transform[0, 0], transform[1, 0])), 1e-6)
        offset = transform[:, :2] @ centre + transform[:, 2] - centre
        shift = float(np.hypot(*offset) / max(width, height))
        if shift > _MOST_SHIFT or not _SCALES[0] < found_scale / scale < _SCALES[1]:
            continue
        where = np.asarray(cv2.warpAffine(inside, transform, (width, height)) > 0.5)
        laid = np.asarray(cv2.warpAffine(ga, transform, (width, height)), np.float32)
        best = max(best, _correlation(laid[where], gb[where]))
    return best


def middle_of(grid: Grid, scale: float) -> Grid:
    """The middle of a picture, (rows, columns, ...), as one of its own: what a picture `scale` times as large
    shows."""
    rows, columns = grid.shape[:2]
    middle = np.array([columns - 1, rows - 1]) / 2
    matrix = np.column_stack([np.eye(2) / scale, middle * (1 - 1 / scale)])
    seen = cv2.warpAffine(
        grid, matrix, (columns, rows), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    return seen.astype(grid.dtype)


def alike_at_scale(a: Floats, b: Floats, scale: float) -> float:
    """Correlation of two 12 x 8 signatures of which `a` shows the middle of `b`, enlarged."""
    return _correlation(a, middle_of(b.reshape(_SIGNATURE), scale).ravel())
