"""Everything the report consists of, written into one folder; the profile as plain JSON, and its schema."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import pandas as pd

from auditor.model import Profile, SetAside, schema_of
from auditor.model.schema import Schema
from auditor.open_files import write_file
from auditor.record.pictures import PictureSource
from auditor.report.card import render_card
from auditor.report.faults import render_alone
from auditor.report.frames_behind import FrameIndex
from auditor.report.page import render_report
from auditor.report.tables import write_tables
from auditor.report.words import plain

__all__ = ["profile_schema", "write_profile", "write_report", "write_text"]


def write_profile(profile: Mapping[str, Any], path: Path) -> None:
    """Write `profile.json`. A half-written file never takes the place of a whole one.

    Parameters
    ----------
    profile : mapping
        What to write; numpy values are made plain, not-a-number becomes null.
    path : Path
        The file.

    Raises
    ------
    OSError
        Where it cannot be written.
    """
    # ASCII escapes keep names that are no valid Unicode (undecodable file names) intact.
    parts = [f"{json.dumps(str(k))}: {_lines(v)}" for k, v in profile.items()]
    write_text(Path(path), "{\n" + ",\n".join(parts) + "\n}\n")


def _lines(value: Any) -> str:
    """JSON of one key of the profile, a list with a line for each entry: a whole profile written in many
    lines is several times as large and as slow to write."""
    if not isinstance(value, list):
        return _json(value)
    return "[" + ",\n ".join(_json(v) for v in value) + "]"


_ENCODER: Final = json.JSONEncoder(allow_nan=False)


def _json(value: Any) -> str:
    """JSON of a value that is plain already, as nearly all are, or is made so."""
    try:
        return _ENCODER.encode(value)
    except (TypeError, ValueError):
        return _ENCODER.encode(plain(value))


def write_text(path: Path, text: str) -> None:
    """Write text as UTF-8, whole or not at all; lone surrogates become U+FFFD."""
    path.parent.mkdir(parents=True, exist_ok=True)
    write_file(path, text.encode("utf-8", "replace"))


def profile_schema() -> Schema:
    """The JSON Schema (draft 2020-12) of `profile.json`, made from the types of `model`."""
    return schema_of(Profile, "Profile of a photo archive")


def _set_aside(frames: pd.DataFrame | None) -> list[SetAside]:
    """Path and reason of every file of the frame table that was set aside."""
    if frames is None or not {"path", "status", "reason"} <= set(frames.columns):
        return []
    rows = frames[(frames["status"] == "set-aside").to_numpy(bool)]
    reasons = rows["reason"].astype(object).where(rows["reason"].notna(), None)
    return [{"path": str(p), "reason": r} for p, r in zip(rows["path"], reasons, strict=True)]


def write_report(
    profile: Mapping[str, Any],
    frames: pd.DataFrame | None,
    pictures: PictureSource | None,
    out: Path,
) -> None:
    """Write `report.html`, `card.html` and `tables/`.

    Parameters
    ----------
    profile : mapping
        A profile; absent or null parts are left out of the page or said to be unknown.
    frames : DataFrame or None
        The frame table (`record.COLUMNS`) behind the profile; without it points show no frames.
    pictures : DataFrame or callable or None
        The small pictures by file id; without it the page has none.
    out : Path
        The folder to write into.
    """
    out = Path(out)
    known: Any = plain(profile, gaps=False)
    if known.get("set_aside") is None:
        known["set_aside"] = _set_aside(frames)
    index = FrameIndex(frames)
    page = render_alone(lambda p: render_report(p, index, pictures), known, "the page")
    write_text(out / "report.html", page)
    write_text(out / "card.html", render_alone(render_card, known, "the card"))
    write_tables(known, out / "tables", frames)
