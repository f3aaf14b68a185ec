"""Small pictures for the page, as the store has them: looked at, kept within a budget of bytes."""

from __future__ import annotations

import base64
import io
from collections.abc import Iterable
from typing import Any, Final

import numpy as np
from PIL import Image, ImageFilter

from auditor.record.pictures import PictureSource, fetch_pictures

__all__ = ["picture_uri", "shows_detail", "thumbs_within"]

_START: Final = b"\xff\xd8"
"""Marker with which a JPEG begins (SOI, ITU-T T.81) ..."""
_END: Final = b"\xff\xd9"
"""... and with which it ends (EOI): without it a part is missing."""
_PLAIN: Final = 1.2
"""8-bit steps per pixel that a tenth of a crop must exceed, noise smoothed away: sky and cloud of
drawn frames stay under 1.0, crops with an edge across them begin at 1.6."""
_SMOOTH_PX: Final = 2.0
"""Standard deviation of the smoothing that takes the noise away."""
_A_TENTH: Final = 90
"""Percentile."""
_BROKEN: Final = (OSError, ValueError, SyntaxError, TypeError, Image.DecompressionBombError)
"""What Pillow raises for bytes that are no picture or a damaged one, and Python for what is no bytes."""


def picture_uri(data: Any) -> str | None:
    """A data URI of a picture of the store, or None when it is none or not whole."""
    if not isinstance(data, bytes) or not (data.startswith(_START) and data.endswith(_END)):
        return None
    return "data:image/jpeg;base64," + base64.b64encode(data).decode("ascii")


def shows_detail(data: Any) -> bool:
    """Whether a picture holds more than plain sky."""
    try:
        grey = Image.open(io.BytesIO(data)).convert("L")
    except _BROKEN:
        return False
    if min(grey.size) < 2:
        return False
    smooth = grey.filter(ImageFilter.GaussianBlur(_SMOOTH_PX))
    down, along = np.gradient(np.asarray(smooth, dtype=float))
    return bool(np.percentile(np.hypot(down, along), _A_TENTH) > _PLAIN)


def thumbs_within(
    pictures: PictureSource | None, file_ids: Iterable[str], budget: int
) -> dict[str, str]:
    """File id -> data URI, in the order asked, until `budget` bytes of page are used."""
    out: dict[str, str] = {}
    for file_id, row in fetch_pictures(pictures, file_ids):
        uri = picture_uri(row.get("thumb_jpeg"))
        if uri is None:
            continue
        budget -= len(uri)
        if budget < 0:
            break
        out[file_id] = uri
    return out
