"""What other readers of Exif tell of a file: exifread, and Pillow."""

from __future__ import annotations

import io
import math
import re
import warnings
from collections.abc import Callable
from typing import Any

import exifread
from PIL import Image

Reader = Callable[[bytes], dict[str, Any]]


def by_exifread(data: bytes) -> dict[str, Any]:
    try:
        tags = exifread.process_file(io.BytesIO(data), details=False)
    except Exception:
        return {}
    names = {
        "make": "Image Make", "model": "Image Model", "f_number": "EXIF FNumber",
        "exposure_time_s": "EXIF ExposureTime", "focal_length_mm": "EXIF FocalLength",
        "iso": "EXIF ISOSpeedRatings", "original": "EXIF DateTimeOriginal",
        "digitized": "EXIF DateTimeDigitized", "changed": "Image DateTime",
        "widest_apex": "EXIF MaxApertureValue",
    }  # fmt: skip
    return {key: tags[tag].values for key, tag in names.items() if tag in tags}


def by_pillow(data: bytes) -> dict[str, Any]:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            opened = Image.open(io.BytesIO(data))
            exif = opened.getexif()
            inner = exif.get_ifd(0x8769)
    except Exception:
        return {}
    found = {
        "make": exif.get(271), "model": exif.get(272), "f_number": inner.get(33437),
        "exposure_time_s": inner.get(33434), "focal_length_mm": inner.get(37386), "iso": inner.get(34855),
        "original": inner.get(36867), "digitized": inner.get(36868), "changed": exif.get(306),
        "size": opened.size, "widest_apex": inner.get(37381),
    }  # fmt: skip
    return {key: value for key, value in found.items() if value is not None}


READERS: dict[str, Reader] = {"exifread": by_exifread, "Pillow": by_pillow}


def number(value: Any) -> float | None:
    """The first number of a tag; None where it holds none."""
    if isinstance(value, tuple | list):
        value = value[0] if value else None
    try:
        found = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return found if math.isfinite(found) else None


def created(data: bytes) -> dict[str, Any]:
    """XMP's CreateDate as the text of a file holds it, written as Exif writes dates."""
    found = re.search(rb"xmp:CreateDate(?:=[\"']|>)(\d{4})-(\d\d)-(\d\d)T([\d:]{8})", data)
    if found is None:
        return {}
    year, month, day, clock = (part.decode() for part in found.groups())
    return {"created": f"{year}:{month}:{day} {clock}"}


def is_placeholder(key: str, theirs: dict[str, Any]) -> bool:
    """Whether a file speaks of f/1.0 and of a lens that does not open so wide (Exif 2.32, annex C: an APEX
    aperture of 0 is f/1.0, one of 1 f/1.4)."""
    widest = number(theirs.get("widest_apex")) or 0.0
    return key == "f_number" and number(theirs.get(key)) == 1 and widest >= 1
