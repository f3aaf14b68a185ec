"""The whole profile: what the archive says about lenses, bodies, keepers, habits."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from auditor.infer.criteria import Criteria
from auditor.infer.lenses import infer_lenses
from auditor.infer.next_shots import next_shots

__all__ = ["build_profile"]


def build_profile(
    frames: pd.DataFrame, criteria: Criteria, counts: Mapping[str, int] | None = None
) -> dict[str, Any]:
    """The profile as a plain dict.

    `frames` has `record.COLUMNS` and the columns of `crawl.relate`; columns that are missing count
    as unmeasured. `counts` says what was found, measured and set aside where the frame table does
    not hold every file.
    """
    lenses = infer_lenses(frames, criteria)
    bodies: dict[str, Any] = {"bodies": [], "iso_matches": [], "habits": []}
    return {
        "frames": _counts(frames, counts),
        "criteria": criteria.as_dict(),
        "lenses": lenses,
        **bodies,
        "keepers": [],
        "comparisons": [],
        "settings": [],
        "next_shots": next_shots(lenses, criteria),
    }


def _counts(frames: pd.DataFrame, counts: Mapping[str, int] | None) -> dict[str, int]:
    if counts is not None:
        return {k: int(counts[k]) for k in ("found", "measured", "set_aside")}
    measured = int((frames["status"] == "measured").sum()) if "status" in frames else len(frames)
    return {"found": len(frames), "measured": measured, "set_aside": len(frames) - measured}
