"""Frames that a program turned: their stored pixels are no longer in the sensor's own frame."""

from __future__ import annotations

import numpy as np
import pandas as pd

from auditor.record import SIDES, ZoneSharpness

__all__ = ["turn_back"]


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
    width, height = (
        pd.to_numeric(frames[c], errors="coerce").to_numpy(float, na_value=np.nan)
        for c in ("width_px", "height_px")
    )
    upright, lying = height > width, height < width
    known = frames["body"].notna().to_numpy()
    lies = pd.Series(lying[known]).groupby(frames["body"].to_numpy(object)[known]).any()
    turned = upright & frames["body"].isin(lies.index[lies]).to_numpy(bool)
    # A second call must not turn a frame again: its sides are gone already.
    seen = frames[columns].notna().any(axis=1).to_numpy()
    turned &= seen
    if not turned.any():
        return frames
    out = frames.copy(deep=False)
    for column in columns:
        out[column] = out[column].where(~turned, None if column.endswith("method") else np.nan)
    for one, other in (("horizontal_cpp", "vertical_cpp"), ("falling_cpp", "rising_cpp")):
        if {one, other} <= set(out.columns):
            across, down = out[one], out[other]
            out[one], out[other] = across.where(~turned, down), down.where(~turned, across)
    return out
