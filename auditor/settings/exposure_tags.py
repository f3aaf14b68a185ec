"""Exposure, focus and moment out of the tags: aperture, time, sensitivity, distances, colour of the light, capture time."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Final

from auditor.exposure import aperture_from_apex, ev100, time_from_apex
from auditor.settings.names import lens_name, lens_range, range_from_name
from auditor.settings.tags import (
    F_LIMITS,
    FOCAL_LIMITS_MM,
    NOTE_STEPS,
    Tags,
    clean_text,
    first_number,
    numbers,
    within,
)
from auditor.units import MINUTE_S

__all__ = [
    "aperture",
    "brightness",
    "capture_time",
    "colour_temperature",
    "exposure_time",
    "flash_fired",
    "focal_length",
    "focal_length_35mm",
    "focus_distance",
    "sensitivity",
    "white_balance",
]

_AV_LIMITS: Final = (2 * math.log2(F_LIMITS[0]), 2 * math.log2(F_LIMITS[1]))
"""`F_LIMITS` as APEX aperture values."""
_REDUCED_TO_F1: Final = 1.5
"""Widest aperture of lenses that reach f/1.0 behind a focal reducer of 0.71 (common practice, no source)."""
TIME_LIMITS_S: Final = (1e-7, 864_000.0)
"""From a flash's shortest light to ten days; anything beyond is damage (common practice, no source)."""
_TV_LIMITS: Final = (-math.log2(TIME_LIMITS_S[1]), -math.log2(TIME_LIMITS_S[0]))
"""The same as APEX time values."""
ISO_LIMITS: Final = (1.0, 20_000_000.0)
"""Beyond what cameras offer to either side (common practice, no source)."""
_LEAST_NOTE_ISO: Final = 4
"""Smaller numbers in makers' notes are codes and no sensitivities (common practice, no source)."""
_NOTE_ISO: Final = (1, 1000)
"""One maker's notes keep the base ISO as a logarithm in `NOTE_STEPS` of a stop; what is beyond is damage."""
_NOTE_GAIN: Final = (-400, 400)
"""The same for the gain upon it."""
_NOTE_BASE: Final = 5
"""Stops that stand for ISO 100 there."""
_FOCUS_LIMITS_M: Final = (0.001, 600)
"""Focus distances; others are damage or infinity, which makers' notes have as 65,535 cm (common practice, no
source)."""
_MM: Final = 0.001
"""Metres of a millimetre."""
_CM: Final = 0.01
"""Metres of a centimetre."""
_LOG_FOCUS: Final = (1, 254)
"""One maker keeps the logarithm of the distance; 0 is unknown, 255 infinity (common practice, no source)."""
_LOG_FOCUS_START_M: Final = 0.01
"""The distance for which 0 would stand there."""
_LOG_FOCUS_STEPS: Final = 40
"""Steps for a factor of ten there."""

_PLACEHOLDER_ISO: Final = (65_535.0, 65_534.0)
"""What Exif's 16-bit field holds when the value does not fit."""


def _told(
    places: Iterable[float | None], raw: Sequence[float | None], notes: list[str], what: str
) -> float | None:
    """The first number that is there; a note where there is none though the tag `raw` is written."""
    value = next((n for n in places if n is not None), None)
    if value is None and raw:
        notes.append(f"the {what} is written as zero or as an absurd number")
    return value


def aperture(tags: Tags, notes: list[str]) -> float | None:
    """f-number: FNumber, else ApertureValue by APEX (N = 2 ** (Av / 2), Exif 2.32 annex C)."""
    raw = numbers(tags.get("Exif.Photo.FNumber"))
    apex = within(numbers(tags.get("Exif.Photo.ApertureValue")), *_AV_LIMITS)
    xmp = tags.get("Xmp.exif.FNumber")
    xmp = xmp.removeprefix("f/") if isinstance(xmp, str) else xmp
    told = [within(raw, *F_LIMITS), within(numbers(xmp), *F_LIMITS)]
    if not _opens_to_f1(tags):
        told = [None if n == 1 else n for n in told]
    # Av = 0 would be f/1.0; in files it is nearly always an unset field.
    if apex and not (raw and raw[0] and raw[0] != 1):
        told.insert(1, round(aperture_from_apex(apex), 2))
    value = next((n for n in told if n is not None), None)
    if value is None and raw:
        shown = "an absurd number" if raw[0] is None else f"f/{raw[0]:.4g}"
        notes.append(f"the aperture is written as {shown}: no electronic aperture, or damage")
    return value


def _opens_to_f1(tags: Tags) -> bool:
    """Whether the lens can have been at f/1.0, which bodies also write for lenses that tell them nothing: it takes
    one with a name, or known ranges, that allow it; one of f/1.4 gets there behind a reducer."""
    name = lens_name(tags)
    ranges = lens_range(tags) or (range_from_name(name) if name else None)
    if ranges is None:
        return name is not None
    return ranges.f_short is not None and ranges.f_short <= _REDUCED_TO_F1


def exposure_time(tags: Tags, notes: list[str]) -> float | None:
    """Seconds: ExposureTime, else ShutterSpeedValue by APEX (t = 2 ** -Tv)."""
    raw = numbers(tags.get("Exif.Photo.ExposureTime"))
    apex = within(numbers(tags.get("Exif.Photo.ShutterSpeedValue")), *_TV_LIMITS)
    places = (
        within(raw, *TIME_LIMITS_S),
        time_from_apex(apex) if apex is not None and (apex != 0 or not raw) else None,
        first_number(tags, ("Xmp.exif.ExposureTime",), TIME_LIMITS_S),
    )
    return _told(places, raw, notes, "exposure time")


def sensitivity(tags: Tags, notes: list[str]) -> float | None:
    """ISO from every place that Exif has for it.

    Exif 2.3: where the value exceeds 65,535 the 16-bit PhotographicSensitivity holds 65,535 and the
    true one is in the 32-bit tag of one of the three kinds of sensitivity.
    """
    raw = numbers(tags.get("Exif.Photo.ISOSpeedRatings"))
    names = (
        *("ISOSpeedRatings", "RecommendedExposureIndex", "StandardOutputSensitivity"),
        *("ISOSpeed", "ExposureIndex"),
    )
    keys = [f"Exif.Photo.{name}" for name in names]
    keys += ["Xmp.exifEX.PhotographicSensitivity", "Xmp.exif.ISOSpeedRatings"]
    found = [within(numbers(tags.get(key)), *ISO_LIMITS) for key in keys]
    places = [iso for iso in found if iso not in _PLACEHOLDER_ISO]
    # The placeholder itself says: at least so much.
    return _told([*places, _maker_sensitivity(tags), found[0]], raw, notes, "ISO")


def _maker_sensitivity(tags: Tags) -> float | None:
    """ISO from makers' private notes, by the metadata library's names for them."""
    for key, at in (
        ("Exif.Nikon3.ISOSpeed", 1),
        ("Exif.Nikon2.ISOSpeed", 1),
        ("Exif.Nikon1.ISOSpeed", 1),
        ("Exif.Casio2.ISO", 0),
        ("Exif.Panasonic.ProgramISO", 0),
        ("Exif.Sony1.ISO", 0),
    ):
        found = within(numbers(tags.get(key)), _LEAST_NOTE_ISO, ISO_LIMITS[1], at)
        if found is not None and found not in _PLACEHOLDER_ISO:
            return found
    base = within(numbers(tags.get("Exif.CanonSi.ISOSpeed")), *_NOTE_ISO)
    gain = within(numbers(tags.get("Exif.CanonSi.AutoISO")), *_NOTE_GAIN)
    if base is not None:
        return float(round(100 * 2 ** ((base + (gain or 0)) / NOTE_STEPS - _NOTE_BASE)))
    return None


def brightness(f_number: float | None, time: float | None, iso: float | None) -> float | None:
    """EV100 of the exposure, None when a part is missing."""
    if f_number is None or time is None or iso is None:
        return None
    return round(float(ev100(f_number, time, iso)), 3)


def focal_length(tags: Tags, notes: list[str]) -> float | None:
    """Focal length in mm; zero, as adapted lenses write it, is missing."""
    keys = ("Exif.Photo.FocalLength", "Xmp.exif.FocalLength")
    raw = numbers(tags.get(keys[0]))
    value = _told([first_number(tags, keys, FOCAL_LIMITS_MM)], raw, notes, "focal length")
    return None if value is None else round(value, 3)


def focal_length_35mm(tags: Tags) -> float | None:
    """Focal length of the same view on 24 x 36 mm, in mm."""
    return first_number(tags, ("Exif.Photo.FocalLengthIn35mmFilm",), FOCAL_LIMITS_MM)


def focus_distance(tags: Tags) -> float | None:
    """Focus distance in metres from any tag that carries it; infinity and 'unknown' are None."""
    low, high = _FOCUS_LIMITS_M
    for key, unit in (
        ("Exif.Photo.SubjectDistance", 1.0),
        ("Exif.OlympusFi.FocusDistance", _MM),
        ("Exif.MinoltaCsOld.FocusDistance", _MM),
        ("Exif.MinoltaCsNew.FocusDistance", _MM),
        ("Exif.CanonSi.SubjectDistance", _CM),
        ("Exif.CanonFi.FocusDistanceUpper", _CM),
        ("Exif.Nikon1.FocusDistance", 1.0),
    ):
        value = first_number(tags, (key,), (low / unit, high / unit))
        if value is not None:
            return round(value * unit, 4)
    keys = ("Exif.NikonLd2.FocusDistance", "Exif.NikonLd3.FocusDistance")
    value = first_number(tags, keys, _LOG_FOCUS)
    if value is not None:
        return round(_LOG_FOCUS_START_M * 10.0 ** (value / _LOG_FOCUS_STEPS), 3)
    value = first_number(tags, ("Xmp.aux.ApproximateFocusDistance",), _FOCUS_LIMITS_M)
    return round(value, 4) if value is not None else None


def flash_fired(tags: Tags) -> bool | None:
    """Bit 0 of Exif's Flash; None when it is not written."""
    value = within(numbers(tags.get("Exif.Photo.Flash")), 0, 0xFFFF)
    return None if value is None else bool(int(value) & 1)


_LIGHT: Final = {
    1: "daylight", 2: "fluorescent", 3: "tungsten", 4: "flash", 9: "fine weather",
    10: "cloudy", 11: "shade", 12: "daylight fluorescent", 13: "day white fluorescent",
    14: "cool white fluorescent", 15: "white fluorescent", 16: "warm white fluorescent",
    17: "standard light A", 18: "standard light B", 19: "standard light C",
    20: "D55", 21: "D65", 22: "D75", 23: "D50", 24: "studio tungsten",
}  # fmt: skip
"""LightSource of Exif 2.32, table 'light source'; 0 is unknown, 255 another light."""

_KELVIN: Final = (1000.0, 50_000.0)
"""Colour temperatures from a candle to the open blue sky; others are damage (common practice, no source)."""


def white_balance(tags: Tags) -> str | None:
    """'auto', the kind of light that was set, or 'manual'; None where nothing is written.

    A developer's own setting inside the file comes first, for it is what made the colours. Then
    Exif's WhiteBalance (0 automatic, 1 manual) with LightSource as the kind of light.
    """
    developed = clean_text(tags.get("Xmp.crs.WhiteBalance"))
    if developed and developed.casefold() != "as shot":
        return developed.casefold()
    mode = first_number(tags, ("Exif.Photo.WhiteBalance",), (0, 1))
    if mode == 0:
        return "auto"
    light = first_number(tags, ("Exif.Photo.LightSource",), (0, 255))
    kind = _LIGHT.get(int(light)) if light is not None else None
    return kind or ("manual" if mode == 1 else None)


def colour_temperature(tags: Tags) -> float | None:
    """Colour temperature in kelvin that was set or found, from any tag that carries it."""
    keys = (
        "Xmp.crs.ColorTemperature",
        "Xmp.crs.Temperature",
        "Exif.OlympusCs.WhiteBalanceTemperature",
        "Exif.CanonPr.ColorTemperature",
        "Exif.Fujifilm.ColorTemperature",
        "Exif.Sony1.ColorTemperature",
        "Exif.Sony2.ColorTemperature",
        "Exif.Minolta.ColorTemperature",
        "Exif.MinoltaCs5D.ColorTemperature",
        "Exif.MinoltaCs7D.ColorTemperature",
        "Exif.Samsung2.ColorTemperature",
        "Exif.PentaxDng.ColorTemperature",
        "Exif.Pentax.ColorTemperature",
    )
    return first_number(tags, keys, _KELVIN)


_STAMP: Final = re.compile(
    r"\s*(\d{4})[:\-/. ](\d{1,2})[:\-/. ](\d{1,2})"
    r"(?:[T :]+(?:[^\W\d]+\s*)?(\d{1,2}):(\d{1,2})(?::(\d{1,2}))?)?"
    r"(?:[.,](\d{1,9}))?\s*(Z|[+-]\d{2}:?\d{2})?"
)
_MORNING: Final = re.compile(r"(?<![^\W\d_])(?:am\b|a\.m\.)|上午|午前|오전", re.IGNORECASE)
_AFTERNOON: Final = re.compile(r"(?<![^\W\d_])(?:pm\b|p\.m\.)|下午|午後|오후", re.IGNORECASE)
"""How some telephones write halves of the day into a time for which Exif has 24 hours (common practice, no
source)."""
_NOON_H: Final = 12
"""Hours; with halves of the day the hour of noon and of midnight."""
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
        stamp = _stamp(match, text) if match else None
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


def _stamp(match: re.Match[str], text: str) -> datetime | None:
    year, month, day = (int(match[i]) for i in (1, 2, 3))
    hour, minute, second = (int(part or 0) for part in match.groups()[3:6])
    if _AFTERNOON.search(text) and hour < _NOON_H:
        hour += _NOON_H
    elif _MORNING.search(text) and hour == _NOON_H:
        hour = 0
    try:
        # Second 60 is a leap second in some clocks and a fault in others.
        return datetime(year, month, day, hour, minute, min(second, MINUTE_S - 1))
    except ValueError:
        return None
