"""Cross-checks names, scale and kind of file over all frames of an archive.

One file can be wrong about itself; the other frames of its body and lens know better.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from auditor.record import SIDES, ZoneSharpness
from auditor.record.values import numbers
from auditor.settings.body import body_key
from auditor.settings.lenses import one_spelling, reconcile_lenses
from auditor.settings.scale import reconcile_scale


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


def turn_back(frames: pd.DataFrame) -> pd.DataFrame:
    """Measurements of turned frames in the sensor's own frame, as far as that can be known.

    Sensors lie on their long side and cameras note the turn in a tag. A frame that is stored upright
    by a body that also stores frames lying was turned by a program, or by the phone's. Whether to the
    left or to the right it does not say: blur along x and along y change places, and what was seen
    at the four sides is given up. Zones by distance from the centre are the same either way.
    """
    columns = [f"{s}_{n}" for s in SIDES for n in ZoneSharpness.__slots__]
    columns = [c for c in columns if c in frames]
    if not columns or "body" not in frames:
        return frames
    width, height = (numbers(frames, c) for c in ("width_px", "height_px"))
    upright, lying = height > width, height < width
    known = frames["body"].notna().to_numpy()
    lies = pd.Series(lying[known]).groupby(frames["body"].to_numpy(object)[known]).any()
    turned = upright & frames["body"].isin(lies.index[lies]).to_numpy(bool)
    if not turned.any():
        return frames
    # A second call must not turn a frame again: its sides are gone already.
    turned &= frames[columns].notna().any(axis=1).to_numpy()
    out = frames.copy(deep=False)
    for column in columns:
        out[column] = out[column].where(~turned, None if column.endswith("method") else np.nan)
    for one, other in (("horizontal_cpp", "vertical_cpp"), ("falling_cpp", "rising_cpp")):
        if {one, other} <= set(out.columns):
            across, down = out[one], out[other]
            out[one], out[other] = across.where(~turned, down), down.where(~turned, across)
    return out
