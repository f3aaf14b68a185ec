"""A file's tags from memory, whatever state they are in, and the numbers in their text.

The metadata library is not thread-safe and has been seen to end the process on damaged files, so
this module is only called in worker processes. Every text is decoded, shortened and cleaned here;
nothing behind this module sees a control character.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from auditor.units import MB

__all__ = [
    "FOCAL_LIMITS_MM",
    "F_LIMITS",
    "MAX_TEXT",
    "NOTE_STEPS",
    "PICTURE_SIDES_PX",
    "SENSOR_SIDES_PX",
    "STARS",
    "RawTags",
    "Tags",
    "Value",
    "built_by_program",
    "clean_text",
    "first_number",
    "numbers",
    "read_raw_tags",
    "size_of",
    "with_first_directory",
    "within",
]

MAX_TEXT: Final = 200
"""Characters kept of one text; longer ones are damage or jokes."""

_MAX_VALUE: Final = 2000
"""Bytes of a value looked at: maker notes hold tables of many thousand numbers."""

_MAX_LIST: Final = 200
"""Values kept of one tag: more than a file has keywords."""

_BLOCK_MARKS: Final = (b"Exif\x00\x00II*\x00", b"Exif\x00\x00MM\x00*", b"II*\x00", b"MM\x00*")
_MAX_BLOCK: Final = MB
"""Bytes from the mark of a buried block that are given to the library: an Exif block has 64 kB at most."""
_MAX_TRIES: Final = 6
"""Marks that are tried: a file may be full of them."""


Value = str | list[str]
Tags = Mapping[str, Value]
"""Values by the metadata library's names ('Exif.Photo.FNumber', 'Xmp.xmp.Rating')."""


_FIRST_DIRECTORY: Final = (
    "ApertureValue",
    "DateTimeOriginal",
    "ExposureIndex",
    "ExposureTime",
    "FNumber",
    "Flash",
    "FocalLength",
    "ISOSpeedRatings",
    "LightSource",
    "ShutterSpeedValue",
)
"""Tags that TIFF/EP (ISO 12234-2) and DNG have in a file's first directory, Exif in one of its own."""


@dataclass(frozen=True, slots=True)
class RawTags:
    """Exif, XMP and IPTC of one file."""

    tags: dict[str, Value] = field(default_factory=dict)
    beside: dict[str, Value] = field(default_factory=dict)
    """XMP of the sidecar: the later word on stars and keywords, but no word on this file's pixels,
    for the instructions in it may be for the raw file of the same name."""
    icc: bytes | None = None
    thumbnail: bytes | None = None
    recoded: bool | None = None
    """See `jpeg_segments.built_by_program`."""
    mime: str = ""
    width_px: int = 0
    height_px: int = 0
    notes: tuple[str, ...] = ()

    @property
    def has_exif(self) -> bool:
        """Whether any tag is Exif's."""
        return any(key.startswith("Exif.") for key in self.tags)


def with_first_directory(tags: Tags) -> dict[str, Value]:
    """The tags, those of TIFF/EP in Exif's place where Exif is silent."""
    first = {
        f"Exif.Photo.{name}": tags[f"Exif.Image.{name}"]
        for name in _FIRST_DIRECTORY
        if f"Exif.Image.{name}" in tags
    }
    return {**first, **tags}


def clean_text(value: Any) -> str | None:
    """One line of printable text without blanks at its ends, at most `MAX_TEXT` characters, or None.

    Text after a NUL is left over from a longer one, as C strings go.
    """
    if isinstance(value, list):
        value = value[0] if value else None
    if value is None:
        return None
    text = str(value).lstrip("\x00").split("\x00", 1)[0]
    text = text[: 4 * MAX_TEXT]
    if not text.isprintable():
        # Control characters, what can't be encoded, marks that turn the direction of writing.
        text = "".join(c if c.isprintable() else " " for c in text)
    text = " ".join(text.split())[:MAX_TEXT].strip()
    return text or None


def read_raw_tags(data: bytes, sidecar: bytes | None = None) -> RawTags:
    """Tags of one file and of its sidecar.

    Never raises for what is in the data: what can't be read is missing and `notes` says so.
    """
    tags, problem = _open(data)
    if tags is None:
        found = _buried(data)
        notes = () if found else (f"no settings could be read: {problem}",)
        tags = RawTags(found, notes=notes)
    tags = replace(tags, recoded=built_by_program(data))
    if not sidecar:
        return tags
    beside, problem = _open(sidecar)
    if beside is None:
        return replace(tags, notes=(*tags.notes, f"the sidecar could not be read: {problem}"))
    words = {key: value for key, value in beside.tags.items() if key.startswith("Xmp.")}
    return replace(tags, beside=words)


def _buried(data: bytes) -> dict[str, Value]:
    """Tags from inside a file that the library refuses as a whole: the first block that has a
    picture's tags, by the marks with which such blocks begin."""
    tried = 0
    for mark in _BLOCK_MARKS:
        start = data.find(mark)
        while start >= 0 and tried < _MAX_TRIES:
            tried += 1
            block = data[start + len(mark) - 4 : start + _MAX_BLOCK]
            found, _ = _open(block)
            if found is not None and "Exif.Image.Make" in found.tags:
                return found.tags
            start = data.find(mark, start + 1)
    return {}


def _open(data: bytes) -> tuple[RawTags | None, str]:
    """All tags of one content, or None and the library's word on why not."""
    import pyexiv2

    pyexiv2.set_log_level(4)
    try:
        image = pyexiv2.ImageData(data)
    except Exception as error:  # the library raises RuntimeError for nearly everything
        return None, clean_text(error) or "unknown contents"
    notes: list[str] = []
    tags: dict[str, Value] = {}
    found: dict[str, Any] = {}
    try:
        # The table underneath is read, not its decoded form: one text that is not UTF-8 would
        # cost all the others.
        inner = image._exiv2api_image
        for name in ("read_exif", "read_xmp", "read_iptc"):
            try:
                tags |= _table(getattr(inner, name)())
            except Exception as error:
                notes.append(f"some tags could not be read: {clean_text(error) or name}")
        for name in (
            *("read_icc", "read_thumbnail", "get_mime_type"),
            *("get_pixel_width", "get_pixel_height"),
        ):
            try:
                found[name] = getattr(inner, name)()
            except Exception:
                found[name] = None
    finally:
        image.close()
    return RawTags(
        tags,
        icc=bytes(found["read_icc"]) if found["read_icc"] else None,
        thumbnail=bytes(found["read_thumbnail"]) if found["read_thumbnail"] else None,
        mime=str(found["get_mime_type"] or ""),
        width_px=max(int(found["get_pixel_width"] or 0), 0),
        height_px=max(int(found["get_pixel_height"] or 0), 0),
        notes=tuple(notes),
    ), ""


def _table(rows: list[dict[str, Any]]) -> dict[str, Value]:
    out: dict[str, Value] = {}
    for row in rows:
        key = row["tag"].decode("utf-8", "replace")
        value = row["value"]
        if isinstance(value, list | tuple):
            plain: Value = [_decode(v) for v in value[:_MAX_LIST]]
        else:
            plain = _decode(value)
        if key in out:
            # Repeated tags (keywords) become a list; a repeated single tag keeps its first value
            # as the first of the list.
            before = _listed(out[key])
            if len(before) < _MAX_LIST:
                out[key] = before + _listed(plain)
        else:
            out[key] = plain
    return out


def _listed(value: Value) -> list[str]:
    return value if isinstance(value, list) else [value]


def _decode(value: bytes) -> str:
    """UTF-8, else Latin-1, which older cameras and programs wrote."""
    value = value[:_MAX_VALUE]
    try:
        return value.decode()
    except UnicodeDecodeError:
        return value.decode("latin-1")


_SEGMENTS: Final = 64
"""Segments that are looked at: before the picture itself cameras write about ten."""


def built_by_program(data: bytes) -> bool | None:
    """Whether a JPEG with Exif bears marks that cameras do not leave; None where it can't be told.

    Exif 2.32 (4.5.4) has cameras write Exif right behind the start of the image; nearly every
    program's library begins with the JFIF segment instead, for which JFIF 1.02 asks. Neither
    progressive frames (ITU-T T.81, SOF2) nor the segment named Adobe come from cameras (common
    practice, no source).
    """
    if data[:3] != b"\xff\xd8\xff":
        return None
    at, exif, jfif, program = 2, False, False, False
    for _ in range(_SEGMENTS):
        if at + 4 > len(data) or data[at] != 0xFF:
            break
        marker = data[at + 1]
        if marker == 0xFF:
            at += 1
            continue
        if marker == 0xDA:
            break
        body = data[at + 4 : at + 10]
        exif = exif or (marker == 0xE1 and body.startswith(b"Exif\0"))
        jfif = jfif or (marker == 0xE0 and body.startswith(b"JFIF\0"))
        program = program or marker == 0xC2 or (marker == 0xEE and body.startswith(b"Adobe"))
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return jfif or program if exif else None


F_LIMITS: Final = (0.5, 512.0)
"""No lens in air is faster than f/0.5; pinholes reach f/500."""
FOCAL_LIMITS_MM: Final = (0.3, 20_000.0)
"""Telephones have some millimetres, telescopes some metres; anything beyond is damage (common practice, no
source)."""
SENSOR_SIDES_PX: Final = (160, 200_000)
"""Sides of what a camera wrote: smaller ones are a thumbnail's, larger ones damage (common practice, no
source)."""
PICTURE_SIDES_PX: Final = (16, 200_000)
"""The same for any picture in a file."""
NOTE_STEPS: Final = 32
"""Steps of a stop in which one maker's notes keep sensitivities and apertures."""
STARS: Final = (-1, 5)
"""Scale of xmp:Rating, from rejected to the most stars (XMP specification, part 1)."""
_MOST_NUMBERS: Final = 64
"""Numbers of one value that are read; makers' tables hold thousands, and none is asked for beyond."""


def numbers(value: Value | None) -> list[float | None]:
    """The numbers of a tag's value: '28/10' gives [2.8], '24/1 70/1' two of them, 0/0 and 1/0 None.

    Bytes that were not numbers at all give an empty list.
    """
    if value is None:
        return []
    if isinstance(value, list):
        return [n for part in value for n in numbers(part)]
    return [_number(part) for part in value.split()[:_MOST_NUMBERS]]


def _number(text: str) -> float | None:
    numerator, _, denominator = text.partition("/")
    try:
        result = float(numerator) / float(denominator) if denominator else float(numerator)
    except (ValueError, ZeroDivisionError, OverflowError):
        return None
    return result if math.isfinite(result) else None


def within(values: Sequence[float | None], low: float, high: float, at: int = 0) -> float | None:
    """The number at one place if it is there and lies between the limits (inclusive), else None."""
    if len(values) <= at:
        return None
    value = values[at]
    return value if value is not None and low <= value <= high else None


def first_number(tags: Tags, keys: Iterable[str], limits: tuple[float, float]) -> float | None:
    """The number in the first of some tags in which it lies between the limits."""
    found = (within(numbers(tags.get(key)), *limits) for key in keys)
    return next((value for value in found if value is not None), None)


def size_of(
    tags: Tags, across: str, down: str, limits: tuple[float, float] = PICTURE_SIDES_PX
) -> tuple[int, int] | None:
    """Width and height from two tags, where both lie between the limits."""
    width, height = (first_number(tags, (key,), limits) for key in (across, down))
    return (int(width), int(height)) if width and height else None
