"""One readable name per body and per lens, keys that ignore how they were spelled, the ranges in a lens's name, and
the converter behind it."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final
from unicodedata import normalize

from auditor.settings.tags import (
    F_LIMITS,
    FOCAL_LIMITS_MM,
    NOTE_STEPS,
    Tags,
    Value,
    clean_text,
    numbers,
    within,
)

__all__ = [
    "BUILT_IN",
    "LensRange",
    "body_key",
    "body_name",
    "body_serial",
    "built_in_lens",
    "converter_from_range",
    "first_serial",
    "is_no_serial",
    "lens_key",
    "lens_name",
    "lens_range",
    "lens_serial",
    "range_from_name",
    "split_converter",
]

_NOTE_UNITS: Final = (1, 10_000)
"""Units per mm that one maker's notes may count in; others are damage."""
_NOTE_F: Final = (1, 10 * NOTE_STEPS)
"""Apertures of one maker's notes in `NOTE_STEPS` of a stop: to f/32, which no lens has at its widest."""
_FACTOR_LIMITS: Final = (0.4, 4)
"""Factors of converters and focal reducers (common practice, no source); 1 changes nothing."""
_FOCAL_TOLERANCE: Final = 1.06
"""A focal length, or aperture, is outside a lens's range, its own or that with a converter, from this factor on."""


@dataclass(frozen=True, slots=True)
class LensRange:
    """Focal lengths in mm, and the widest f-number at each end (None: not known)."""

    short_mm: float
    long_mm: float
    f_short: float | None = None
    f_long: float | None = None

    def name(self) -> str:
        """'24 mm f/2.8', '18-55 mm f/3.5-5.6'."""
        text = f"{round(self.short_mm, 1):g}"
        if round(self.long_mm, 1) > round(self.short_mm, 1):
            text += f"-{round(self.long_mm, 1):g}"
        text += " mm"
        if self.f_short is not None:
            text += f" f/{round(self.f_short, 1):g}"
            if self.f_long is not None and round(self.f_long, 1) > round(self.f_short, 1):
                text += f"-{round(self.f_long, 1):g}"
        return text


_NO_NAME: Final = re.compile(
    r"(?i)^[\s\-_.?*0/]*$|^(?:none|n/?a|null|unknown|undefined|no lens|not attached|lens|manual lens|"
    r"unknown lens|unknown \(.*\)|-+.*mm f/-+.*|65535|\d{1,5})$"
)
_NOTHING: Final = re.compile(r"(?i)(?<![\d.,-])0+(?:[.,]0+)?\s*mm\b")
"""A focal length of 0 mm, as bodies write it that were told nothing by the lens."""

BUILT_IN: Final = "built-in lens"


def built_in_lens(body: str) -> str:
    """Name of the lens of a camera that can't change it and does not name it."""
    return f"{BUILT_IN} of {body}"


def _name(value: Value | None) -> str | None:
    text = clean_text(value)
    if text is None or _NO_NAME.match(text) or _NOTHING.search(text):
        return None
    ranges = range_from_name(text) if _ONLY_RANGES.fullmatch(text) else None
    return ranges.name() if ranges is not None else text


_NAME_KEYS: Final = (
    "Exif.Photo.LensModel",
    "Exif.Image.LensModel",
    "Xmp.exifEX.LensModel",
    "Xmp.aux.Lens",
    "Exif.Canon.LensModel",
    "Exif.OlympusEq.LensModel",
    "Exif.Panasonic.LensType",
)


_NUMBER_KEYS: Final = (
    "Exif.Pentax.LensType",
    "Exif.PentaxDng.LensType",
    "Exif.Sony2.LensID",
    "Exif.Minolta.LensID",
)
_NO_LENS_NUMBER: Final = re.compile(r"(?:\d+ )?0+(?: .*)?|65535|4294967295")
"""Lens numbers of no lens, of one that tells nothing, and of whole series (common practice, no source)."""


def _numbered(tags: Tags) -> str | None:
    """A lens that makers' notes tell by a number alone: 'lens number 4 24'."""
    for key in _NUMBER_KEYS:
        number = clean_text(tags.get(key))
        if number and not _NO_LENS_NUMBER.fullmatch(number):
            return f"lens number {number}"
    return None


def lens_name(tags: Tags) -> str | None:
    """The lens by Exif's LensModel, else XMP, else a maker's name for it, else its ranges, else its number in
    makers' notes, else None."""
    for key in _NAME_KEYS:
        text = _name(tags.get(key))
        if text is not None:
            return text
    ranges = lens_range(tags)
    return ranges.name() if ranges is not None else _numbered(tags)


def lens_range(tags: Tags) -> LensRange | None:
    """Ranges from Exif's LensSpecification (four rationals; 0/0 is unknown) or makers' notes."""
    for value in (
        tags.get("Exif.Photo.LensSpecification"),
        tags.get("Exif.Image.LensInfo"),
        tags.get("Xmp.exifEX.LensSpecification"),
        tags.get("Xmp.aux.LensInfo"),
        tags.get("Exif.Nikon3.Lens"),
    ):
        found = _range(numbers(value))
        if found is not None:
            return found
    # Long end, short end, and units per mm.
    canon = numbers(tags.get("Exif.CanonCs.Lens"))
    unit = within(canon, *_NOTE_UNITS, 2)
    if unit and canon[0] and canon[1]:
        fastest = within(numbers(tags.get("Exif.CanonCs.MaxAperture")), *_NOTE_F)
        # It is the widest at the focal length in use, so that only a lens of one focal length may
        # be named by it.
        f_short = 2 ** (fastest / (2 * NOTE_STEPS)) if fastest and canon[0] == canon[1] else None
        return _range([canon[1] / unit, canon[0] / unit, f_short, f_short])
    return None


def _range(values: list[float | None]) -> LensRange | None:
    short = within(values, *FOCAL_LIMITS_MM)
    long = within(values, *FOCAL_LIMITS_MM, 1)
    short, long = short or long, long or short
    if short is None or long is None:
        return None
    f_short, f_long = within(values, *F_LIMITS, 2), within(values, *F_LIMITS, 3)
    return LensRange(min(short, long), max(short, long), f_short, f_long or f_short)


def lens_serial(tags: Tags) -> str | None:
    """Serial number of the lens, where any tag carries one."""
    places = (
        "Exif.Photo",
        "Exif.OlympusEq",
        "Exif.Panasonic",
        "Exif.Canon",
        "Xmp.exifEX",
        "Xmp.aux",
    )
    return first_serial(tags, (f"{place}.LensSerialNumber" for place in places))


_FOCAL_IN_NAME: Final = re.compile(
    r"(?<!\d)(?<!\d\.)(\d{1,4}(?:\.\d{1,3})?)(?:\s*(?:mm)?\s*[-–~]\s*(\d{1,4}(?:\.\d{1,3})?))?\s*mm\b",
    re.I,
)
_F_IN_NAME: Final = re.compile(
    r"(?:\bf\s*/?\s*|\b1\s*:\s*|(?<=\d)/)(\d{1,2}(?:\.\d{1,2})?)"
    r"(?:\s*[-–~]\s*(\d{1,2}(?:\.\d{1,2})?))?(?![\d.]*\s*mm)",
    re.I,
)


_ONLY_RANGES: Final = re.compile(
    r"[\d.,\s]+(?:-[\d.,\s]+)?mm(?:[\s,]+(?:f\s*/?\s*|1\s*:\s*)[\d.]+(?:\s*-\s*[\d.]+)?)?", re.I
)
"""A name that is nothing but the lens's ranges: written in one way, it is one lens."""


def range_from_name(name: str) -> LensRange | None:
    """Ranges that a lens's name states ('70-200mm F2.8').

    Parameters
    ----------
    name : str
        Name of a lens.

    Returns
    -------
    LensRange or None
        Focal lengths and widest f-numbers; None where the name states no focal length.
    """
    focal = _FOCAL_IN_NAME.search(name)
    if focal is None:
        return None
    stop = _F_IN_NAME.search(name)
    ends = [float(stop[1]), float(stop[2] or stop[1])] if stop else [None, None]
    return _range([float(focal[1]), float(focal[2] or focal[1]), *ends])


def lens_key(name: str) -> str:
    """The same for every spelling of one lens: case, blanks, '.0' and 'f/' against 'F' drop out.

    Letters of every script stay: names in Cyrillic or Chinese differ in nothing else.
    """
    text = normalize("NFC", name).casefold().replace("–", "-")
    text = re.sub(r"(?<![\d.])(\d+)\.0+(?!\d)", r"\1", text)
    text = re.sub(r"\b(?:f\s*/?\s*|1\s*:\s*)(?=\d)", "f", text)
    return re.sub(r"[^\w.+\-*]|_", "", text)


_FACTOR: Final = r"(?<![\d.])(\d(?:[.,]\d{1,2})?)\s*[x×]|(?<![\w.])[x×]\s*(\d(?:[.,]\d{1,2})?)"
_CONVERTER: Final = re.compile(
    rf"\s*(?:\+|&|\bwith\b|\band\b)\s*[^+&]*?(?:{_FACTOR})(?![\w]).*$", re.I
)


def split_converter(name: str) -> tuple[str, str | None]:
    """A lens's text parted into lens and converter: 'Tele 300 mm f/4 + 1.4x' gives ('Tele 300 mm
    f/4', '1.4x'). The lens alone when the text names none."""
    match = _CONVERTER.search(name)
    if match is None or match.start() == 0:
        return name, None
    factor = float((match[1] or match[2]).replace(",", "."))
    if not _FACTOR_LIMITS[0] <= factor <= _FACTOR_LIMITS[1] or factor == 1:
        return name, None
    return name[: match.start()].rstrip(" ,;("), f"{factor:.2g}x"


_COMPACT_CROP: Final = 2.2
"""35 mm equivalent over focal length beyond which a sensor is smaller than four thirds of an inch, with twice
the focal length, which is the smallest for which lenses are named by real focal lengths and reducers made
(common practice, no source)."""
_FACTORS: Final = (1.4, 1.7, 2.0, 0.71)
"""Converters that are made, and the usual focal reducer (common practice, no source)."""


def converter_from_range(
    lens: LensRange,
    focal_mm: float | None,
    f_number: float | None,
    equivalent_mm: float | None = None,
) -> str | None:
    """The converter that explains a focal length outside the lens's own range, None when none does.

    With a converter of factor k a focal length is k times one of the lens's own, and no aperture is
    wider than k times its widest. Compacts name their lens by its 35 mm equivalents, so that a range which
    holds the `equivalent_mm` of a small sensor tells nothing.
    """
    if focal_mm is None:
        return None
    told = [focal_mm]
    if equivalent_mm is not None and equivalent_mm > _COMPACT_CROP * focal_mm:
        told.append(equivalent_mm)
    low, high = lens.short_mm / _FOCAL_TOLERANCE, lens.long_mm * _FOCAL_TOLERANCE
    if any(low <= value <= high for value in told):
        return None
    for factor in _FACTORS:
        own = focal_mm / factor
        if not lens.short_mm / _FOCAL_TOLERANCE <= own <= lens.long_mm * _FOCAL_TOLERANCE:
            continue
        widest = None if lens.f_short is None else lens.f_short * factor / _FOCAL_TOLERANCE
        if f_number is None or widest is None or f_number >= widest:
            return f"{factor:g}x"
    return None


_LEGAL: Final = frozenset([
    "ag", "co", "company", "corp", "corporation", "gmbh", "inc", "kk", "limited", "llc", "ltd", "sa",
])  # fmt: skip
"""Legal forms that some firmware appends to the maker's name."""

_TRADE: Final = frozenset(["camera", "cameras", "computer", "electronics", "imaging", "optical"])
"""Words of a maker's name that come and go between models; ignored in the key only."""

_FIRMWARE: Final = re.compile(
    r"[\s,;(]+(?:(?:firmware|fw|version|ver\.?)\s*[\d.]+[a-z]?|v\d+\.[\d.]+[a-z]?)\)?$",
    re.IGNORECASE,
)
"""'V20' alone may be the model's own name and stays."""


def _tokens(text: str) -> list[str]:
    return [t for t in re.split(r"(?:[^\w*+]|_)+", normalize("NFC", text).casefold()) if t]


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
        make = " ".join(kept).strip(" .,") or make
    if not model or not make:
        return model or make
    make_words, model_words = _tokens(make), _tokens(model)
    if model_words and make_words and model_words[0] in make_words:
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


def body_serial(tags: Tags) -> str | None:
    """Serial number of the body, where any tag carries one."""
    return first_serial(tags, _SERIAL_KEYS)


def first_serial(tags: Tags, keys: Iterable[str]) -> str | None:
    """Serial number in the first of some tags that carries one."""
    for key in keys:
        text = clean_text(tags.get(key)) or ""
        text = re.sub(r"^no\s*[=.:]\s*", "", text, flags=re.IGNORECASE)
        if text and not is_no_serial(text):
            return text
    return None


def is_no_serial(text: str) -> bool:
    """Zeros, dashes, 'none': what firmware writes when there is no number."""
    stripped = re.sub(r"[^0-9a-z]", "", text.casefold())
    return stripped.strip("0f") == "" or stripped in ("none", "na", "unknown", "null")
