"""One readable name per camera body, and a key that ignores how it was spelled."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any, Final

from auditor.settings.tags import clean_text

_LEGAL: Final = frozenset(
    [
        "ag",
        "co",
        "company",
        "corp",
        "corporation",
        "gmbh",
        "inc",
        "kk",
        "limited",
        "llc",
        "ltd",
        "sa",
    ]
)
"""Legal forms that some firmware appends to the maker's name."""

_TRADE: Final = frozenset(["camera", "cameras", "computer", "electronics", "imaging", "optical"])
"""Words of a maker's name that come and go between models; ignored in the key only."""

_FIRMWARE: Final = re.compile(
    r"[\s,;(]+(?:(?:firmware|fw|version|ver\.?)\s*[\d.]+[a-z]?|v\d+\.[\d.]+[a-z]?)\)?$",
    re.IGNORECASE,
)
"""'V20' alone may be the model's own name and stays."""


def _tokens(text: str) -> list[str]:
    return [t for t in re.split(r"[^0-9a-z*+]+", text.casefold()) if t]


def body_name(make: str | None, model: str | None) -> str | None:
    """'Make Model', without legal forms, firmware versions or a maker named twice.

    >>> body_name("NIKON CORPORATION", "NIKON D40")
    'NIKON D40'
    >>> body_name("Northlight Ltd.", "NL-7")
    'Northlight NL-7'
    """
    if model:
        model = _FIRMWARE.sub("", model).strip() or model
    if make:
        kept = [w for w in re.split(r"[\s,]+", make) if w.strip(".").casefold() not in _LEGAL]
        kept = [w for w in kept if not re.fullmatch(r"(?i)co\.?,?ltd\.?", w)]
        make = " ".join(kept).strip(" .,") or make
    if not model or not make:
        return model or make
    make_words, model_words = _tokens(make), _tokens(model)
    if model_words and make_words and model_words[0] in make_words:
        return model
    joined = "".join(make_words)
    if joined and "".join(model_words).startswith(joined):
        return model
    return f"{make} {model}"


def body_key(name: str) -> str:
    """The same for every spelling of one body: case, blanks, punctuation and legal forms drop out."""
    words = [w for w in _tokens(_FIRMWARE.sub("", name)) if w not in _LEGAL and w not in _TRADE]
    return "".join(words) or name.casefold()


_SERIAL_KEYS: Final = (
    "Exif.Photo.BodySerialNumber",
    "Exif.Image.CameraSerialNumber",
    "Exif.Canon.SerialNumber",
    "Exif.Nikon3.SerialNumber",
    "Exif.Nikon3.SerialNO",
    "Exif.OlympusEq.SerialNumber",
    "Exif.Fujifilm.SerialNumber",
    "Exif.Pentax.SerialNumber",
    "Exif.PentaxDng.SerialNumber",
    "Exif.Sony2.SerialNumber",
    "Exif.Samsung2.SerialNumber",
    "Xmp.exifEX.BodySerialNumber",
    "Xmp.aux.SerialNumber",
)


def body_serial(exif: Mapping[str, Any], xmp: Mapping[str, Any]) -> str | None:
    """Serial number of the body, where any tag carries one."""
    return first_serial(exif, xmp, _SERIAL_KEYS)


def first_serial(
    exif: Mapping[str, Any], xmp: Mapping[str, Any], keys: Iterable[str]
) -> str | None:
    """Serial number in the first of some tags that carries one."""
    for key in keys:
        text = clean_text(exif.get(key, xmp.get(key))) or ""
        text = re.sub(r"^no\s*[=.:]\s*", "", text, flags=re.IGNORECASE)
        if text and not is_no_serial(text):
            return text
    return None


def is_no_serial(text: str) -> bool:
    """Zeros, dashes, 'none': what firmware writes when there is no number."""
    plain = re.sub(r"[^0-9a-z]", "", text.casefold())
    return plain.strip("0f") == "" or plain in ("none", "na", "unknown", "null")
