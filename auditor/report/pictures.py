"""Small pictures for the page: made smaller, kept within a budget of bytes."""

from __future__ import annotations

import base64
import io
from collections.abc import Callable, Iterable
from typing import Any, Final

import numpy as np
from PIL import Image, ImageFilter

from auditor.record.pictures import PictureSource, fetch_pictures

__all__ = ["crop_uri", "shows_detail", "thumb_uri", "thumbs_within"]

SMALL: Final = (200, 72)
"""Longer side in px and JPEG quality of the small picture of a frame behind a point."""
LARGE: Final = (320, 76)
"""The same of a frame that fell short."""
CROP: Final = (160, 82)
"""Side in px and JPEG quality of a cut-out at full size: blur is to be seen, coding is not."""
_PLAIN: Final = 1.2
"""8-bit steps per pixel that a tenth of a crop must exceed, noise smoothed away: sky and cloud of
drawn frames stay under 1.0, crops with an edge across them begin at 1.6."""
_SMOOTH_PX: Final = 2.0
"""Standard deviation of the smoothing that takes the noise away."""
_A_TENTH: Final = 90
"""Percentile."""
_BROKEN: Final = (OSError, ValueError, SyntaxError, TypeError, Image.DecompressionBombError)
"""What Pillow raises for bytes that are no picture or a damaged one, and Python for what is no bytes."""


def thumb_uri(data: Any, side: int = SMALL[0], quality: int = SMALL[1]) -> str | None:
    """A data URI of the picture with no side longer than `side` px, or None when it is none.

    Encoding afresh keeps whatever else the bytes may hold out of the page.
    """
    return _uri(data, lambda image: _within(image, side), quality)


def crop_uri(data: Any) -> str | None:
    """A data URI of the middle of the picture (`CROP`) at full size: scaling would hide the blur."""
    side, quality = CROP
    return _uri(data, lambda image: _middle(image, side), quality)


def shows_detail(data: Any) -> bool:
    """Whether the middle of a picture, as `crop_uri` shows it, holds more than plain sky."""
    try:
        image: Image.Image = _middle(Image.open(io.BytesIO(bytes(data))), CROP[0])
        grey = image.convert("L").filter(ImageFilter.GaussianBlur(_SMOOTH_PX))
    except _BROKEN:
        return False
    if min(grey.size) < 2:
        return False
    down, along = np.gradient(np.asarray(grey, dtype=float))
    return bool(np.percentile(np.hypot(down, along), _A_TENTH) > _PLAIN)


def _middle(image: Image.Image, side: int) -> Image.Image:
    left, top = max(image.width - side, 0) // 2, max(image.height - side, 0) // 2
    return image.crop((left, top, min(left + side, image.width), min(top + side, image.height)))


def _within(image: Image.Image, side: int) -> Image.Image:
    image.thumbnail((side, side))
    return image


def _uri(data: Any, cut: Callable[[Image.Image], Image.Image], quality: int) -> str | None:
    if not data:
        return None
    out = io.BytesIO()
    try:
        image = cut(Image.open(io.BytesIO(bytes(data))))
        image.convert("RGB").save(out, "JPEG", quality=quality)
    except _BROKEN:
        return None
    return "data:image/jpeg;base64," + base64.b64encode(out.getvalue()).decode("ascii")


def thumbs_within(
    pictures: PictureSource | None, file_ids: Iterable[str], budget: int
) -> dict[str, str]:
    """File id -> data URI, in the order asked, until `budget` bytes of page are used."""
    out: dict[str, str] = {}
    for file_id, row in fetch_pictures(pictures, file_ids):
        uri = thumb_uri(row.get("thumb_jpeg"))
        if uri is None:
            continue
        budget -= len(uri)
        if budget < 0:
            break
        out[file_id] = uri
    return out
