"""Everything the report consists of, written into one folder; the profile as plain JSON, and its schema. A lens, body
or comparison that can't be shown costs itself alone, and is named on the page."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

import pandas as pd

from auditor.model import Fault, Profile, SetAside, fault_of, schema_of
from auditor.model.schema import Schema
from auditor.open_files import write_file
from auditor.record.pictures import PictureSource
from auditor.report.card import render_card
from auditor.report.frames_behind import FrameIndex
from auditor.report.page import render_report
from auditor.report.tables import write_tables
from auditor.report.words import plain

__all__ = ["profile_schema", "render_alone", "write_profile", "write_report", "write_text"]


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
    parts = [f"{json.dumps(k)}: {_lines(v)}" for k, v in plain(profile).items()]
    write_text(Path(path), "{\n" + ",\n".join(parts) + "\n}\n")


def _lines(value: Any) -> str:
    """JSON of one key of the profile, a list with a line for each entry: a whole profile written in many
    lines is several times as large and as slow to write."""
    if not isinstance(value, list):
        return json.dumps(value)
    return "[" + ",\n ".join(json.dumps(v) for v in value) + "]"


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
    known: Any = plain(profile)
    if known.get("set_aside") is None:
        known["set_aside"] = _set_aside(frames)
    index = FrameIndex(frames)
    page = render_alone(lambda p: render_report(p, index, pictures), known, "the page")
    write_text(out / "report.html", page)
    write_text(out / "card.html", render_alone(render_card, known, "the card"))
    write_tables(known, out / "tables", frames)


_PARTS: Final = {
    "lenses": "lens",
    "bodies": "body",
    "comparisons": "label",
    "iso_matches": "body",
    "keepers": "path",
    "settings": "setting",
    "handheld": "lens",
    "habits": "text",
    "next_shots": "why",
    "accepted": "accepted",
    "changes": "text",
    "focus_bias": "text",
    "dust": "text",
}
"""Lists of the profile, and what names one of their entries."""


def render_alone(render: Callable[[Profile], str], profile: Profile, what: str) -> str:
    """Render a profile; entries that break the rendering are left out.

    Parameters
    ----------
    render : callable
        From a profile to text.
    profile : Profile
        Its key `faults` names afterwards what was left out.
    what : str
        What is rendered, for the faults.

    Returns
    -------
    str
        What `render` gives.

    Raises
    ------
    Exception
        What `render` raises whatever is left out.
    """
    try:
        return render(profile)
    except Exception:
        kept, faults = _without_faulty(render, profile, what)
        if not faults:
            raise
        profile["faults"] = [*(profile.get("faults") or ()), *faults]
        return render({**kept, "faults": profile["faults"]})


def _without_faulty(
    render: Callable[[Profile], str], profile: Profile, what: str
) -> tuple[Profile, list[Fault]]:
    """(the profile without the entries that can't be rendered, what they are)."""
    empty: Any = {**profile, **{key: [] for key in _PARTS}}
    render(empty)  # what breaks whatever is left out is no entry's fault
    faults: list[Fault] = []

    def sound(key: str, entries: list[Any]) -> list[Any]:
        """Those that can be rendered, sought by halves: there may be thousands."""
        try:
            render(empty | {key: entries})
            return entries
        except Exception as error:
            if len(entries) > 1:
                middle = len(entries) // 2
                return [*sound(key, entries[:middle]), *sound(key, entries[middle:])]
            name = entries[0].get(_PARTS[key]) if isinstance(entries[0], Mapping) else None
            part = f"{_PARTS[key]} {name}" if name else f"{_PARTS[key]} without a name"
            faults.append(fault_of(part, what, error))
            return []

    kept: Any = {**profile}
    for key in _PARTS:
        entries = list(kept.get(key) or ())
        kept[key] = sound(key, entries) if entries else []
    return kept, faults
