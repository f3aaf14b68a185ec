"""One file's tags to `Settings`."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from typing import Final, Literal

from auditor.crawl.suffixes import suffix_of
from auditor.record import LOWER_SIDE, Settings
from auditor.settings import exposure_tags
from auditor.settings.file_source import has_maker_note, kind_of_file, real_camera, written_size
from auditor.settings.kinds import settle
from auditor.settings.names import (
    body_name,
    body_serial,
    converter_from_range,
    lens_name,
    lens_range,
    lens_serial,
    range_from_name,
    split_converter,
)
from auditor.settings.sensors import native_size, sensor_diagonal, tagged_pitch
from auditor.settings.tags import (
    STARS,
    RawTags,
    Tags,
    clean_text,
    first_number,
    read_raw_tags,
    size_of,
    with_first_directory,
)

__all__ = [
    "MAX_LABELS",
    "FileTags",
    "image_unique_id",
    "labels",
    "rating",
    "read_settings",
    "read_tags",
]

_ADOBE_RGB_GAMMA: Final = 563 / 256
"""Exponent of the Adobe RGB (1998) colour image encoding."""
_FILE_NUMBERS: Final = 10_000
"""File numbers have four digits (DCF 2.0, CIPA DC-009); makers' notes put the folder's before them."""
_MOST_NUMBERED: Final = 99_999_999
"""Folder and file number of a maker's note together; more is damage."""


@dataclass(frozen=True, slots=True)
class FileTags:
    """What measuring needs of a file's tags."""

    settings: Settings
    icc: bytes | None = None
    fallback_transfer: Literal["srgb"] | float = "srgb"
    """The tone curve to assume when no profile is embedded."""
    thumbnail: bytes | None = None
    """The embedded thumbnail, where a program wrote the file: it may show what was cut off."""


def read_settings(data: bytes, name: str, sidecar: bytes | None = None) -> Settings:
    """Settings of one file from its content; see `read_tags`.

    Parameters
    ----------
    data : bytes
        The whole file, or its beginning.
    name : str
        Its name or path.
    sidecar : bytes or None
        Content of its XMP sidecar.

    Returns
    -------
    Settings
        What could be read.
    """
    return read_tags(data, name, sidecar).settings


def read_tags(data: bytes, name: str, sidecar: bytes | None = None) -> FileTags:
    """Settings, colour profile and tone curve of one file from its content.

    Bad metadata never raises: it is missing, and `settings.notes` says why. For worker processes only (see
    `tags.read_raw_tags`).

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        Its name or path; the ending tells the kind of raw file, the digits its number.
    sidecar : bytes or None
        Content of its XMP sidecar.

    Returns
    -------
    FileTags
        What could be read.
    """
    raw = read_raw_tags(data, sidecar)
    try:
        settings = _settings(raw, name)
    except (ValueError, TypeError, KeyError, IndexError, OverflowError, ArithmeticError) as error:
        note = f"the settings could not be understood: {clean_text(error) or type(error).__name__}"
        settings = Settings(file_number=file_number(name, {}), notes=(*raw.notes, note))
    edited = settings.file_source == "edited"
    return FileTags(settings, raw.icc, _transfer(raw.tags), raw.thumbnail if edited else None)


def _settings(raw: RawTags, name: str) -> Settings:
    tags = with_first_directory(raw.tags)
    words = {**tags, **raw.beside}
    notes = list(raw.notes)
    make = clean_text(tags.get("Exif.Image.Make", tags.get("Xmp.tiff.Make")))
    model = clean_text(tags.get("Exif.Image.Model", tags.get("Xmp.tiff.Model")))
    software = clean_text(tags.get("Exif.Image.Software", tags.get("Xmp.tiff.Software")))
    f_number = exposure_tags.aperture(tags, notes)
    time = exposure_tags.exposure_time(tags, notes)
    iso = exposure_tags.sensitivity(tags, notes)
    focal = exposure_tags.focal_length(tags, notes)
    source = kind_of_file(raw, suffix_of(os.path.basename(name)), make, model, software, notes)
    width, height = _size(raw, source)
    written = written_size(raw)
    size = written or ((width, height) if width and height else None)
    told_um, basis = tagged_pitch(tags, size, notes)
    native = native_size(tags)
    body = body_name(make, model)
    equivalent = exposure_tags.focal_length_35mm(tags)
    lens, converter = _lens(tags, focal, f_number, equivalent)
    found = Settings(
        body=body,
        body_serial=body_serial(tags),
        lens=lens,
        lens_serial=lens_serial(tags),
        converter=converter,
        focal_length_mm=focal,
        focal_35mm=equivalent,
        f_number=f_number,
        exposure_time_s=time,
        iso=iso,
        ev100=exposure_tags.brightness(f_number, time, iso),
        taken=exposure_tags.capture_time(tags, notes),
        focus_distance_m=exposure_tags.focus_distance(tags),
        width_px=width,
        height_px=height,
        orientation=int(first_number(tags, ("Exif.Image.Orientation",), (1, len(LOWER_SIDE))) or 1),
        source=source,
        software=software,
        file_number=file_number(name, tags),
        image_unique_id=image_unique_id(tags),
        flash=exposure_tags.flash_fired(tags),
        rating=rating(words),
        labels=labels(words),
        notes=tuple(notes),
        pitch_basis=basis,
        written_width_px=written[0] if written else None,
        written_height_px=written[1] if written else None,
        maker_note=has_maker_note(tags) if raw.has_exif else None,
        white_balance=exposure_tags.white_balance(tags),
        colour_temperature_k=exposure_tags.colour_temperature(tags),
        file_source=source,
        told_pitch_um=told_um,
        sensor_diagonal_mm=sensor_diagonal(body),
        native_width_px=native[0] if native else None,
        native_height_px=native[1] if native else None,
        recoded=raw.recoded if real_camera(tags, make, model) else None,
    )
    return settle(found)


def _size(raw: RawTags, source: str) -> tuple[int | None, int | None]:
    """Size as stored, in the sensor's own orientation."""
    if source == "raw" or not raw.width_px:
        sizes = [written_size(raw)]
        for group in ("SubImage1", "SubImage2", "SubImage3", "SubImage4", "Image"):
            sizes.append(size_of(raw.tags, f"Exif.{group}.ImageWidth", f"Exif.{group}.ImageLength"))
        if raw.width_px and raw.height_px:
            sizes.append((raw.width_px, raw.height_px))
        known = [s for s in sizes if s is not None]
        return max(known, key=lambda s: s[0] * s[1]) if known else (None, None)
    return raw.width_px or None, raw.height_px or None


def _lens(
    tags: Tags, focal: float | None, f_number: float | None, equivalent: float | None
) -> tuple[str | None, str | None]:
    """Lens without converter, and the converter."""
    name = lens_name(tags)
    converter = None
    if name is not None:
        name, converter = split_converter(name)
    for key in (
        "Exif.OlympusEq.ConversionLens",
        "Exif.OlympusEq.ExtenderModel",
        "Exif.Nikon1.AuxiliaryLens",
        "Exif.Nikon2.AuxiliaryLens",
    ):
        text = clean_text(tags.get(key))
        if converter is None and text and text.casefold() not in ("off", "none", "0"):
            converter = split_converter(f"lens + {text}")[1] or text
    wide_or_tele = {"2": "wide converter", "3": "tele converter"}
    if converter is None:
        converter = wide_or_tele.get(str(tags.get("Exif.Panasonic.ConversionLens", "")))
    if converter is None:
        ranges = lens_range(tags) or (range_from_name(name) if name else None)
        if ranges is not None:
            converter = converter_from_range(ranges, focal, f_number, equivalent)
    return name, converter


def _transfer(tags: Tags) -> Literal["srgb"] | float:
    """Exif's ColorSpace 1 is sRGB; interoperability 'R03' means the Adobe RGB (1998) curve, 2.2."""
    index = str(tags.get("Exif.Iop.InteroperabilityIndex", "")).strip("\x00 ")
    return _ADOBE_RGB_GAMMA if index == "R03" else "srgb"


_NUMBER: Final = re.compile(r"(?<!\d)\d{3,7}(?!\d)")
_ALL_DIGITS: Final = re.compile(r"\d+")
_DATE_OR_SIZE: Final = re.compile(
    r"(?<!\d)(?:19|20)\d{2}([-_.]?)(?:0[1-9]|1[0-2])\1(?:0[1-9]|[12]\d|3[01])(?:[-_T ]?\d{6,9})?(?!\d)"
    r"|(?<!\d)\d{3,5}(?:x\d{3,5}|px)(?![a-z\d])",
    re.IGNORECASE,
)
"""A date, perhaps with its time, or the size of an export: neither counts frames."""
_YEAR: Final = re.compile(r"(?:19|20)\d{2}")
_COUNTER: Final = re.compile(r"(?<=[A-Za-z_])(?:\d{4,5}|\d{7})(?!\d)")
"""A camera's counter behind its letters (DCF 2.0 has four of each), perhaps with a fifth digit or the folder's
three before it. Six digits may be a date or a time, and four alone a day (common practice, no source)."""


def file_number(name: str, tags: Tags) -> str | None:
    """The camera's running number: from a maker's note, else the digits of the file's name.

    Names made of a date carry no number. 'DSC_0123-edit.jpg' and 'DSC_0123.NEF' have the same. Where people
    put more digits into a name, all are kept: which of them count the frames one name does not tell, and two
    frames must not have one number. Short ones, as of further versions, are left out beside a counter only.
    """
    own = first_number(tags, ("Exif.Canon.FileNumber",), (1, _MOST_NUMBERED))
    if own:
        return f"{int(own) % _FILE_NUMBERS:04d}"
    stem = os.path.basename(name).rsplit(".", 1)[0]
    stem = _DATE_OR_SIZE.sub(" ", stem)
    runs = _NUMBER.findall(stem)
    model = _ALL_DIGITS.findall(str(tags.get("Exif.Image.Model", "")))
    counted = set(_COUNTER.findall(stem)) - set(model)
    if runs and (not counted or any(_YEAR.fullmatch(run) for run in runs)):
        runs = _ALL_DIGITS.findall(stem)
    return "-".join(runs) or None


_UNIQUE_ID: Final = re.compile(r"(?!(.)\1*$)[0-9a-f]{32}")
"""128 bits in hexadecimal digits (Exif 2.32, ImageUniqueID, tag 0xA420), not one digit over and over."""


def image_unique_id(tags: Tags) -> str | None:
    """The exposure's own number, which programs keep through editing and renaming.

    Some cameras have their model or serial number there: what is not as the standard has it counts as not
    written.
    """
    text = (clean_text(tags.get("Exif.Photo.ImageUniqueID")) or "").lower()
    return text if _UNIQUE_ID.fullmatch(text) else None


MAX_LABELS: Final = 100
"""Keywords kept of one file; more are a catalogue's dump."""


def rating(tags: Tags) -> int | None:
    """Stars from 0 to 5, -1 for rejected (XMP specification, xmp:Rating); None when not written."""
    value = first_number(tags, ("Xmp.xmp.Rating", "Exif.Image.Rating"), STARS)
    return None if value is None else round(value)


def labels(tags: Tags) -> tuple[str, ...]:
    """Keywords, each once, in their order: from XMP, else IPTC."""
    found: dict[str, None] = {}
    place = tags.get("Xmp.dc.subject") or tags.get("Iptc.Application2.Keywords")
    words = place if isinstance(place, list) else [] if place is None else [place]
    for word in words[:MAX_LABELS]:
        text = clean_text(word)
        if text:
            found.setdefault(text)
    return tuple(found)[:MAX_LABELS]
