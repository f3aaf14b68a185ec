"""Capture time out of the tags."""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from typing import Final

from auditor.settings.tags import Tags
from auditor.units import MINUTE_S

__all__ = ["capture_time"]

_STAMP: Final = re.compile(
    r"\s*(\d{4})[:\-/. ](\d{1,2})[:\-/. ](\d{1,2})"
    r"(?:[T :]+(?:[^\W\d]+\s*)?(\d{1,2}):(\d{1,2})(?::(\d{1,2}))?)?"
    r"(?:[.,](\d{1,9}))?\s*(Z|[+-]\d{2}:?\d{2})?"
)
_MOST_OFFSET_H: Final = 15
"""Hours; clocks stand at most 14 before universal time (IANA time zone database)."""
_OFFSET: Final = re.compile(r"\s*(Z|[+-]\d{2}:?\d{2})")

_PLACES: Final = (
    ("Exif.Photo.DateTimeOriginal", "Original"),
    ("Exif.Photo.DateTimeDigitized", "Digitized"),
    ("Xmp.exif.DateTimeOriginal", None),
    ("Xmp.photoshop.DateCreated", None),
    ("Xmp.xmp.CreateDate", None),
    ("Exif.Image.DateTime", ""),
)
"""Where the time may stand, the best first, and how the tags of its fraction and offset end. Exif's DateTime is of the last change (Exif 2.32, tag 306), so that
programs set it anew; XMP's CreateDate is of the picture's making."""


def capture_time(tags: Tags, notes: list[str]) -> str | None:
    """ISO 8601 local time of capture, '2024-05-01T06:00:00.25+02:00', with what the file has.

    A clock at the start of its time (1970, 1980) or ahead of now is kept, as it still tells the
    order of frames.
    """
    unset = False
    for key, ending in _PLACES:
        value = tags.get(key)
        if value is None:
            continue
        text = value[0] if isinstance(value, list) and value else str(value)
        match = _STAMP.match(text[:64])
        stamp = _stamp(match) if match else None
        if match is None or stamp is None:
            unset = unset or bool(text.strip(" :0\x00"))
            continue
        fraction, offset = match[7] or "", match[8] or ""
        if ending is not None:
            digits = str(tags.get(f"Exif.Photo.SubSecTime{ending}", "")).strip(" \x00")
            fraction = fraction or (digits[:9] if digits.isascii() and digits.isdigit() else "")
            found = _OFFSET.match(str(tags.get(f"Exif.Photo.OffsetTime{ending}", "")))
            offset = offset or (found[1] if found else "")
        iso_text = stamp.isoformat(timespec="seconds")
        return iso_text + (f".{fraction}" if fraction else "") + _tidy_offset(offset)
    if unset:
        notes.append("the capture time is not a date")
    return None


def _tidy_offset(offset: str) -> str:
    """'+02:00' of '+0200' or 'Z'; '' of what is no offset."""
    try:
        zone = datetime.strptime(offset, "%z")
    except ValueError:
        return ""
    ahead = abs(zone.utcoffset() or timedelta())
    return zone.isoformat()[-len("+00:00") :] if ahead <= timedelta(hours=_MOST_OFFSET_H) else ""


def _stamp(match: re.Match[str]) -> datetime | None:
    year, month, day = (int(match[i]) for i in (1, 2, 3))
    hour, minute, second = (int(part or 0) for part in match.groups()[3:6])
    try:
        # Second 60 is a leap second in some clocks and a fault in others.
        return datetime(year, month, day, hour, minute, min(second, MINUTE_S - 1))
    except ValueError:
        return None
