"""The photographer's own words on a frame: stars and keywords."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from auditor.settings.tag_values import STARS, first_number
from auditor.settings.tags import clean_text

MAX_LABELS: Final = 100
"""Keywords kept of one file; more are a catalogue's dump."""
_PERCENT_A_STAR: Final = 24
"""1, 25, 50, 75 and 99 percent stand for one to five stars (MicrosoftPhoto:Rating; from memory)."""


def rating(exif: Mapping[str, Any], xmp: Mapping[str, Any]) -> int | None:
    """Stars from 0 to 5, -1 for rejected (XMP specification, xmp:Rating); None when not written."""
    value = first_number({**exif, **xmp}, ("Xmp.xmp.Rating", "Exif.Image.Rating"), STARS)
    if value is not None:
        return round(value)
    percent = first_number(xmp, ("Xmp.MicrosoftPhoto.Rating",), (0, 100))
    if percent is None:
        return None
    return min(STARS[1], int(percent // _PERCENT_A_STAR) + 1) if percent >= 1 else 0


def labels(
    xmp: Mapping[str, Any], iptc: Mapping[str, Any], exif: Mapping[str, Any]
) -> tuple[str, ...]:
    """Keywords, each once, in their order: from XMP, else IPTC, else the Exif tag that some file
    managers write (XPKeywords: UTF-16, parted by semicolons)."""
    found: dict[str, None] = {}
    places = [
        xmp.get("Xmp.dc.subject"),
        _leaves(xmp.get("Xmp.lr.hierarchicalSubject")),
        iptc.get("Iptc.Application2.Keywords"),
        _file_managers(exif.get("Exif.Image.XPKeywords")),
    ]
    place = next((p for p in places if p), None)
    words = place if isinstance(place, list) else [] if place is None else [place]
    for word in words[:MAX_LABELS]:
        text = clean_text(word)
        if text:
            found.setdefault(text)
    return tuple(found)[:MAX_LABELS]


def _leaves(value: Any) -> list[str]:
    """The last part of keywords written as a path ('gear|filter|polariser')."""
    words = value if isinstance(value, list) else [] if value is None else [value]
    return [str(w).rsplit("|", 1)[-1] for w in words]


def _file_managers(value: Any) -> list[str]:
    """Bytes written as numbers; what is no UTF-16 is passed over."""
    values = str(value or "").split()
    if not values or not all(v.isdigit() and int(v) < 256 for v in values):
        return []
    text = bytes(int(v) for v in values).decode("utf-16-le", "ignore")
    return text.split("\x00", 1)[0].split(";")
