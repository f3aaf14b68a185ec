"""The whole profile: what the archive says about lenses, bodies, keepers, habits."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from auditor.infer.bodies import infer_bodies
from auditor.infer.criteria import Criteria
from auditor.infer.lenses import infer_lenses
from auditor.infer.next_shots import next_shots
from auditor.record import COLUMNS

__all__ = ["build_profile", "complete_columns"]


def build_profile(
    frames: pd.DataFrame, criteria: Criteria, counts: Mapping[str, int] | None = None
) -> dict[str, Any]:
    """The profile as a plain dict.

    `frames` has `record.COLUMNS` and the columns of `crawl.relate`; columns that are missing count
    as unmeasured. `counts` says what was found, measured and set aside where the frame table does
    not hold every file.
    """
    frames = complete_columns(frames)
    lenses = infer_lenses(frames, criteria)
    bodies = infer_bodies(frames, criteria)
    return {
        "frames": _counts(frames, counts),
        "criteria": criteria.as_dict(),
        "lenses": lenses,
        "bodies": bodies["bodies"],
        "iso_matches": bodies["iso_matches"],
        "habits": bodies["habits"],
        "keepers": [],
        "comparisons": [],
        "settings": [],
        "next_shots": next_shots(lenses, criteria),
    }


def complete_columns(frames: pd.DataFrame) -> pd.DataFrame:
    """The table with every column of the store; those that an older or damaged store lacks are
    missing throughout. They cost no memory: all are views of one number."""
    names = [c.name for c in COLUMNS if c.name not in frames]
    if not names:
        return frames
    empty = np.broadcast_to(np.float32(np.nan), (len(frames), len(names)))
    absent = pd.DataFrame(empty, index=frames.index, columns=names, copy=False)
    return pd.concat([frames, absent], axis=1)


def _counts(frames: pd.DataFrame, counts: Mapping[str, int] | None) -> dict[str, int]:
    if counts is not None:
        return {k: int(counts[k]) for k in ("found", "measured", "set_aside")}
    measured = int((frames["status"] == "measured").sum()) if "status" in frames else len(frames)
    return {"found": len(frames), "measured": measured, "set_aside": len(frames) - measured}
