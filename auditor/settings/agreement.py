"""Cross-checks names, scale and kind of file over all frames of an archive.

One file can be wrong about itself; the other frames of its body and lens know better.
"""

from __future__ import annotations

import pandas as pd

from auditor.settings.body import body_key
from auditor.settings.lenses import reconcile_lenses
from auditor.settings.rotated_frames import turn_back
from auditor.settings.scale import reconcile_scale
from auditor.settings.spelling import one_spelling

__all__ = ["reconcile", "reconcile_kinds"]


def reconcile(frames: pd.DataFrame) -> pd.DataFrame:
    """The table with settled `body`, `lens`, `converter`, `pixel_pitch_um`, `pitch_basis`, `source`.

    Args:
        frames: table with the store's columns; rows that were set aside may be among them.

    Returns:
        A copy with the same rows in the same order. Doing it twice changes nothing more.
        Measurements at the sides of frames that a program turned are given up (`turned`).
    """
    if frames.empty:
        return frames.copy(deep=False)
    return turn_back(reconcile_lenses(reconcile_kinds(frames)))


def reconcile_kinds(frames: pd.DataFrame) -> pd.DataFrame:
    """The table with settled `body`, `pixel_pitch_um`, `pitch_basis` and `source` only: what telling
    the files of one exposure apart needs."""
    out = frames.copy(deep=False)
    if out.empty:
        return out
    out["body"] = one_spelling(out["body"], body_key)
    return reconcile_scale(out)
