"""Settings of a thousand real files against other readers: exifread, and Pillow with its own sizes."""

from __future__ import annotations

import io
import math
import re
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from altered import altered_files
from other_readers import READERS, created, is_placeholder, number
from PIL import Image

from auditor.record import Settings
from auditor.settings import read_settings

DATA = Path(__file__).parents[3] / "shared" / "data"
HALVES = ("camera-files", "real-archive")
FIGURES = ("f_number", "exposure_time_s", "focal_length_mm", "iso")
DATES = ("original", "digitized", "created", "changed")
COPIES = ((1280, "JPEG", "jpg"), (640, "WEBP", "webp"), (320, "PNG", "png"), (160, "JPEG", "jpg"))
"""Longest sides in pixels and kinds of copies with all tags kept, the largest first."""
EVERY = 4
"""Of how many originals one is altered in all ways: tags matter here, and pixels take the time."""
MOST_PX = 30_000_000
"""Larger ones are read themselves and not copied."""


def _date(theirs: dict[str, Any]) -> str | None:
    """The first that is one of Exif's three dates, and XMP's of the making before Exif's of the last change."""
    for key in DATES:
        found = re.match(r"(\d{4}):(\d\d):(\d\d) (\d\d):(\d\d):(\d\d)", str(theirs.get(key, "")))
        if found:
            try:
                return datetime(*(int(part) for part in found.groups())).isoformat()  # type: ignore[arg-type]
            except ValueError:
                continue
    return None


def _differences(ours: Settings, theirs: dict[str, Any]) -> tuple[list[str], int]:
    """What two readers tell differently of one file, and how many figures were compared."""
    wrong, compared = [], 0
    for key in FIGURES:
        value, own = number(theirs.get(key)), getattr(ours, key)
        # Zero is 'not known', and no lens in air reaches f/0.5: neither is a figure to compare.
        if value is None or value <= 0 or (key == "f_number" and value < 0.5):
            continue
        compared += 1
        if is_placeholder(key, theirs):
            wrong += [f"{key}: {own} where none can be"] if own is not None else []
        elif own is None or not math.isclose(own, value, rel_tol=1e-3):
            wrong.append(f"{key}: {own} against {value:.6g}")
    date = _date(theirs)
    if date is not None:
        compared += 1
        if (ours.taken or "")[:19] != date:
            wrong.append(f"taken: {ours.taken} against {date}")
    if "size" in theirs:
        compared += 1
        if (ours.width_px, ours.height_px) != theirs["size"]:
            wrong.append(f"size: {ours.width_px} x {ours.height_px} against {theirs['size']}")
    return wrong, compared


def _paths(half: str) -> list[Path]:
    return sorted(p for p in (DATA / half).rglob("*") if p.is_file() and p.suffix != ".csv")


def _copies(path: Path, data: bytes) -> Iterator[tuple[str, bytes]]:
    """Smaller copies of a picture with the tags that Pillow hands on."""
    try:
        with Image.open(io.BytesIO(data)) as opened:
            exif = opened.info.get("exif")
            if not exif or opened.width * opened.height > MOST_PX:
                return
            opened.draft("RGB", (COPIES[0][0],) * 2)
            small = opened.convert("RGB")
        for side, kind, suffix in COPIES:
            small.thumbnail((side, side))
            out = io.BytesIO()
            small.save(out, kind, exif=exif)
            yield f"{path.parent.name}-{path.stem}-{side}.{suffix}", out.getvalue()
    except (OSError, ValueError):
        return  # damaged: nobody can save it again


def _files(half: str) -> Iterator[tuple[str, bytes]]:
    for path in _paths(half):
        data = path.read_bytes()
        yield path.name, data
        yield from _copies(path, data)
    altered = altered_files(half, every=EVERY)
    yield from ((one.name, one.data) for one in altered if "dropped" not in one.what)


@pytest.mark.long
@pytest.mark.parametrize("half", HALVES)
def test_other_readers_tell_the_same_of_real_files_and_their_copies(half: str) -> None:
    if not _paths(half):
        pytest.skip("../shared/data is not there")
    wrong, files, figures = [], 0, 0
    for name, data in _files(half):
        ours = read_settings(data, name)
        compared = 0
        for reader, read in READERS.items():
            differ, count = _differences(ours, {**read(data), **created(data)})
            wrong += [f"{name}, {reader}: {one}" for one in differ]
            compared += count
        files += compared > 1  # more than the size
        figures += compared
    print(f"{half}: {files} files, {figures} figures compared")
    assert wrong == []
    assert files > 450
