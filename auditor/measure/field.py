"""How much of the field that the embedded thumbnail shows is in the picture itself.

Programs that cut a part out of a frame often leave the camera's thumbnail as it was. Then the picture is
found again in a part of it, by normalised correlation at every size; a reduced picture fills all of it.
"""

from __future__ import annotations

from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor.measure.picture import Picture
from auditor.measure.reduce import area_means

__all__ = ["thumbnail_share"]

_LEAST_PX: Final = 40
"""Shorter side below which a thumbnail has nothing to be recognised by."""
_SIDE_PX: Final = 112
"""Longer side to which thumbnails are reduced: more costs time and tells no more."""
_SHARES: Final = np.geomspace(0.2, 1.0, 49)
_ALIKE: Final = 0.9
"""Correlation from which picture and thumbnail show the same (common practice, no source)."""
_BETTER: Final = 0.012
"""By how much a part must fit better than the whole to be believed."""
_FLAT: Final = 6.0
"""Standard deviation in 8-bit code values below which there is nothing to be recognised by."""
_BAR: Final = 24
"""8-bit code value below which all of a bar beside the picture in a thumbnail lies."""


def thumbnail_share(picture: Picture, thumbnail: bytes) -> float | None:
    """Share of the thumbnail's longer side that the picture's takes up, 0.2 to 1; None where the two
    can't be compared or do not show the same."""
    if picture.code is None:
        return None
    small = cv2.imdecode(
        np.frombuffer(thumbnail, np.uint8), cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION
    )
    if small is None:
        return None
    small = _without_bars(small)
    over = max(small.shape) / _SIDE_PX
    if over > 1:
        size = round(small.shape[1] / over), round(small.shape[0] / over)
        small = cv2.resize(small, size, interpolation=cv2.INTER_AREA)
    if min(small.shape) < _LEAST_PX or small.std() < _FLAT:
        return None
    grey = _reduced(picture, 2 * _SIDE_PX)
    best: tuple[float, float] | None = None
    turned = (grey.shape[0] > grey.shape[1]) != (small.shape[0] > small.shape[1])
    turns = [grey, np.rot90(grey), np.rot90(grey, 3)] if turned else [grey]
    for view in turns:
        found = _fit(np.ascontiguousarray(view), small)
        if found is not None and (best is None or found[1] > best[1]):
            best = found
    return None if best is None else round(best[0], 3)


def _fit(grey: NDArray[Any], small: NDArray[Any]) -> tuple[float, float] | None:
    """Share of the thumbnail's longer side and the correlation there."""
    scores = []
    high, wide = small.shape
    whole = min(wide / grey.shape[1], high / grey.shape[0])
    # Sides against the thumbnail's, so that the picture fits into it.
    for share in _SHARES:
        size = round(grey.shape[1] * whole * share), round(grey.shape[0] * whole * share)
        size = (min(size[0], wide), min(size[1], high))
        if min(size) < 20:
            continue
        part = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
        if part.std() < _FLAT:
            continue
        score = float(cv2.matchTemplate(small, part, cv2.TM_CCOEFF_NORMED).max())
        scores.append((score, max(size[0] / wide, size[1] / high)))
    if not scores:
        return None
    top, share = max(scores)
    if top < _ALIKE:
        return None
    for score, side in reversed(scores):
        if side > 0.97 and score > top - _BETTER:
            return 1.0, score
    return share, top


def _reduced(picture: Picture, side: int) -> NDArray[Any]:
    code = picture.code
    assert code is not None
    while max(code.shape[:2]) >= 2 * side and min(code.shape[:2]) >= 2:
        code = area_means(code, 2)
    if code.dtype != np.uint8:
        top = 255 / max(float(code.max()), 1e-6)
        code = (code.astype(np.float32) * top).astype(np.uint8)
    return code if code.ndim == 2 else cv2.cvtColor(code, cv2.COLOR_BGR2GRAY)


def _without_bars(small: NDArray[Any]) -> NDArray[Any]:
    """Without the black bars that fill up a thumbnail of another shape than the picture."""
    rows, columns = (small > _BAR).mean(1) > 0.02, (small > _BAR).mean(0) > 0.02
    if not rows.any() or not columns.any():
        return small
    top, bottom = int(rows.argmax()), int(rows[::-1].argmax())
    left, right = int(columns.argmax()), int(columns[::-1].argmax())
    # Bars lie on both sides alike; a dark edge of the scene does not.
    rim = min(top, bottom) if abs(top - bottom) <= 2 else 0
    side = min(left, right) if abs(left - right) <= 2 else 0
    return small[rim : small.shape[0] - rim, side : small.shape[1] - side]
