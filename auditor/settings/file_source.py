"""What kind of file this is: from the sensor, from the camera, or through a program's hands."""

from __future__ import annotations

import re
from typing import Final

from auditor.crawl.suffixes import RAW_SUFFIXES
from auditor.record import Source
from auditor.settings.body_sensor import SAME_SIZE
from auditor.settings.kinds import SHORT_SIDES
from auditor.settings.names import body_name
from auditor.settings.sensors import sensor_diagonal
from auditor.settings.tags import (
    SENSOR_SIDES_PX,
    RawTags,
    Tags,
    clean_text,
    first_number,
    numbers,
    size_of,
    within,
)

__all__ = [
    "has_maker_note",
    "is_firmware",
    "is_mosaic",
    "kind_of_file",
    "real_camera",
    "written_size",
]

_ZOOM: Final = (1.05, 100)
"""Digital zoom that enlarges; 1 and less is none, more is damage (common practice, no source)."""
_CODE_LETTERS: Final = 4
"""A program's name has so many letters; shorter words are codes (common practice, no source)."""

# Words that firmware puts beside its version; none of them is the name of a program.
_FIRMWARE_WORDS: Final = frozenset([
    "android", "boot", "build", "camera", "cameras", "digital", "firmware", "phone", "release",
    "revision", "software", "still", "system", "version", "zoom",
])  # fmt: skip


_ANDROID_BUILD: Final = re.compile(r"\b(?:release|test|dev)-keys\s*$")
"""How the text of an Android build ends (Android's own build system; from memory)."""
_CAMERA_APPLICATION: Final = re.compile(r"^[^\W\d]+ camera application\b")
"""What telephones call the program that takes the picture, with a word for whose it is (common practice, no
source)."""
_GLUED: Final = re.compile(r"(?<!\S)([^\W\d_]{4,})-(?=v?\d+\.\d)")
"""A word that a hyphen ties to a version: 'program-7.1.0'."""


def is_firmware(software: str, make: str | None, model: str | None) -> bool:
    """Whether a Software text reads like the camera's own firmware rather than a program's name.

    Firmware is a version or a code ('Ver.1.00', 'v981-79', '14.2'), perhaps with the camera's own
    name; a program has a name of its own, a word of letters. Programs are many and change, so
    no list of them is kept.
    """
    known = set(_FIRMWARE_WORDS)
    for text in (make, model):
        known.update(re.findall(r"[^\W\d_]+", (text or "").casefold()))
        known.update(re.split(r"[\s,;]+", (text or "").casefold()))
    text = software.casefold()
    if _ANDROID_BUILD.search(text):
        return True
    for token in re.split(r"[\s,;()/]+", _CAMERA_APPLICATION.sub("", _GLUED.sub(r"\1 ", text))):
        # A token with digits is a version or a code.
        word = token.strip(".:-_'\"")
        letters = sum(c.isalpha() for c in word)
        if letters >= _CODE_LETTERS and not any(c.isdigit() for c in word) and word not in known:
            return False
    return True


def real_camera(tags: Tags, make: str | None, model: str | None) -> bool:
    """Whether files of this camera can be held to what Exif asks of cameras: it left its private notes,
    or the database knows it. Some telephones begin their files as programs do."""
    return has_maker_note(tags) or sensor_diagonal(body_name(make, model)) is not None


def has_maker_note(tags: Tags) -> bool:
    """Whether the camera's private notes are in the file."""
    return "Exif.Photo.MakerNote" in tags or "Exif.MakerNote.Offset" in tags


def is_mosaic(tags: Tags) -> bool:
    """Whether any picture in the file is a colour filter array (PhotometricInterpretation 32803), or raw data
    of a sensor without colours (34892 with one sample; DNG 1.4)."""

    def first(key: str) -> list[str]:
        return str(tags.get(key, "")).split()[:1]

    kinds = (
        key
        for key in tags
        if key.endswith(".PhotometricInterpretation")
        and key.startswith(("Exif.Image", "Exif.SubImage"))
    )
    return any(
        first(key) == ["32803"]
        or (first(key) == ["34892"] and first(f"{key.rpartition('.')[0]}.SamplesPerPixel") == ["1"])
        for key in kinds
    )


def _worked_on(tags: Tags, make: str | None, model: str | None) -> bool:
    """Whether XMP inside the file tells of a program that worked on the pixels.

    Programs that only wrote stars or keywords say so ('/metadata'), and instructions for
    developing that were not applied leave the pixels alone.
    """
    if str(tags.get("Xmp.crs.AlreadyApplied", "")).casefold() == "true":
        return True
    for key, value in tags.items():
        if key in ("Xmp.xmp.CreatorTool", "Xmp.tiff.Software"):
            pass
        elif key.endswith("stEvt:softwareAgent"):
            changed = tags.get(key.replace("softwareAgent", "changed"))
            if str(changed).strip() == "/metadata":
                continue
        else:
            continue
        text = clean_text(value)
        if text and not is_firmware(text, make, model):
            return True
    return False


def kind_of_file(
    raw: RawTags,
    suffix: str,
    make: str | None,
    model: str | None,
    software: str | None,
    notes: list[str],
) -> Source:
    """'raw', 'camera', 'edited', 'resized' or 'unknown', as far as one file alone can tell.

    Sizes against the body's other frames are a matter of the whole table (`reconcile`).
    """
    tags, mime = raw.tags, raw.mime
    rendered = mime in ("image/jpeg", "image/png", "image/webp", "image/bmp", "image/gif")
    if not rendered:
        if (
            suffix == ".dng"
            and raw.has_exif
            and not is_mosaic(tags)
            and not mime.startswith("image/x-")
        ):
            return "unknown"  # already demosaiced
        if suffix in RAW_SUFFIXES or is_mosaic(tags):
            return "raw"
    if not tags:
        return "unknown"
    zoom = first_number(tags, ("Exif.Photo.DigitalZoomRatio",), _ZOOM)
    if zoom is not None:
        notes.append(f"digital zoom of {zoom:.3g}x: enlarged by the camera")
        return "resized"
    programs = [software, clean_text(tags.get("Exif.Image.ProcessingSoftware"))]
    if any(p and not is_firmware(p, make, model) for p in programs):
        return "edited"
    # Data of developed raw files, and the camera's own notes lost: not the camera's file.
    developed = any(k.startswith(("Xmp.aux.", "Xmp.crs.")) for k in tags)
    if developed and not has_maker_note(tags):
        return "edited"
    if _worked_on(tags, make, model) or _size_changed(raw, notes):
        return "edited"
    if raw.recoded and real_camera(tags, make, model):
        notes.append("put together as programs do it, not as the camera does")
        return "edited"
    if not make and not model:
        return "unknown"
    if mime in ("image/png", "image/webp"):
        return "edited"  # no camera writes these
    if mime == "image/tiff":
        return "unknown"
    return "camera"


_LEAST_WRITTEN_PX: Final = 640
"""Longer side below which a size is of a preview rather than of the picture (common practice, no source)."""


def written_size(raw: RawTags) -> tuple[int, int] | None:
    """Width and height that the camera wrote, by its own notes, else by what Exif says of the file.

    Telephones write the size in the first directory too, where Exif has no place for it in a JPEG; programs
    that bring the other up to date often leave it.
    """
    tags = raw.tags
    full = numbers(tags.get("Exif.Sony1.FullImageSize"))  # height before width
    height, width = within(full, *SENSOR_SIDES_PX), within(full, *SENSOR_SIDES_PX, 1)
    if width and height:
        return int(width), int(height)
    inner = _exif_size(tags)
    outer = size_of(tags, "Exif.Image.ImageWidth", "Exif.Image.ImageLength")
    stale = raw.mime == "image/jpeg" and outer and max(outer) >= _LEAST_WRITTEN_PX
    return outer if stale and inner and not _differs(raw, inner) else inner


def _exif_size(tags: Tags) -> tuple[int, int] | None:
    return size_of(tags, "Exif.Photo.PixelXDimension", "Exif.Photo.PixelYDimension")


def _size_changed(raw: RawTags, notes: list[str]) -> bool:
    """Whether the file has another size than its tags say: a program changed it and left them."""
    stated = _exif_size(raw.tags)
    if stated is None or not _differs(raw, stated):
        return False  # the camera's own notes may speak of its full size
    notes.append(
        f"the file has {raw.width_px} x {raw.height_px} pixels, its tags speak of "
        f"{stated[0]} x {stated[1]}"
    )
    return True


def _differs(raw: RawTags, size: tuple[int, int] | None) -> bool:
    if size is None or not raw.width_px or not raw.height_px:
        return False
    actual, stated = sorted((raw.width_px, raw.height_px)), sorted(size)
    if abs(actual[1] / stated[1] - 1) > SAME_SIZE:
        return True
    low, high = SHORT_SIDES
    return actual[0] < stated[0] * low or actual[0] > stated[0] * high
