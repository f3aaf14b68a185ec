"""Everything the report consists of, written into one folder."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from auditor.report.card_page import render_card
from auditor.report.faults import render_alone
from auditor.report.page import render_report
from auditor.report.pictures import PictureSource
from auditor.report.profile_file import plain, write_text
from auditor.report.tables import write_tables

__all__ = ["write_report"]


def _set_aside(frames: pd.DataFrame | None) -> list[dict[str, Any]]:
    """Path and reason of every file of the frame table that was set aside."""
    if frames is None or not {"path", "status", "reason"} <= set(frames.columns):
        return []
    rows = frames[(frames["status"] == "set-aside").to_numpy(bool)]
    reasons = rows["reason"].astype(object).where(rows["reason"].notna(), None)
    return [{"path": str(p), "reason": r} for p, r in zip(rows["path"], reasons, strict=True)]


def write_report(
    profile: Mapping[str, Any],
    frames: pd.DataFrame | None,
    pictures: PictureSource,
    out: Path,
) -> None:
    """Write `report.html`, `card.html` and `tables/` into the folder `out`.

    `frames` is the frame table (`record.COLUMNS`) behind the profile; without it points show no
    frames. `pictures` gives the small pictures by file id; without it the page has none. Absent or
    null parts of the profile are left out of the page or said to be unknown.
    """
    out = Path(out)
    known = plain(profile, gaps=False)
    if known.get("set_aside") is None:
        known["set_aside"] = _set_aside(frames)
    page = render_alone(lambda p: render_report(p, frames, pictures), known, "the page")
    write_text(out / "report.html", page)
    write_text(out / "card.html", render_alone(render_card, known, "the card"))
    write_tables(known, out / "tables", frames)
