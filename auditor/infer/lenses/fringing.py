"""Chromatic aberration by aperture: where colour seams start to show."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.exposure import nominal_f_number
from auditor.infer.lenses.grouping import nominal_from_index, numbers

__all__ = ["FringeTable", "describe_fringing", "read_fringing"]

Floats = NDArray[np.float64]


class FringeTable:
    """Red and blue displacement and seam width of each frame in px, NaN unmeasured."""

    def __init__(self, red: Floats, blue: Floats, width: Floats) -> None:
        self.red, self.blue, self.width = red, blue, width


def read_fringing(frames: pd.DataFrame) -> FringeTable:
    """Displacement in the corner where it was measured there, else over the frame."""
    sides = []
    for colour in ("red", "blue"):
        corner = numbers(frames, f"corner_lateral_{colour}_px")
        whole = numbers(frames, f"lateral_{colour}_px")
        sides.append(np.where(np.isnan(corner), whole, corner))
    return FringeTable(sides[0], sides[1], numbers(frames, "fringe_width_px"))


def describe_fringing(
    table: FringeTable,
    rows: NDArray[np.int64],
    aperture: NDArray[np.int64],
    visible_px: float,
    acceptable: list[float] | None,
) -> dict[str, Any] | None:
    """Medians by aperture, and the smallest aperture at which a seam of `visible_px` shows.

    `rows` are sound frames and `aperture` their nominal index. The onset is where the wider of the
    displacement and the seam crosses `visible_px`, interpolated in stops and given to a third;
    None when it never shows. None as a whole when no frame was measured.
    """
    by_aperture, sizes, stops = [], [], []
    for index in np.unique(aperture):
        here = rows[aperture == index]
        red, blue, width = table.red[here], table.blue[here], table.width[here]
        count = int((~np.isnan(red) | ~np.isnan(blue) | ~np.isnan(width)).sum())
        if count == 0:
            continue
        entry = {
            "f_number": nominal_from_index(int(index)),
            "lateral_red_px": _median(red), "lateral_blue_px": _median(blue),
            "fringe_width_px": _median(width), "frames": count,
        }  # fmt: skip
        by_aperture.append(entry)
        seen = [entry["lateral_red_px"], entry["lateral_blue_px"], entry["fringe_width_px"]]
        sizes.append(max(abs(v) for v in seen if v is not None))
        stops.append(float(index))
    if not by_aperture:
        return None
    onset = _onset(np.array(stops), np.array(sizes), visible_px)
    inside = None
    if acceptable is not None:
        inside = onset is not None and onset >= acceptable[0]
    return {"onset_f_number": onset, "by_aperture": by_aperture, "inside_acceptable": inside}


def _median(values: Floats) -> float | None:
    known = values[~np.isnan(values)]
    return round(float(np.median(known)), 3) if len(known) else None


def _onset(index: Floats, size: Floats, visible_px: float) -> float | None:
    """Smallest aperture (largest f-number) at which the size still reaches `visible_px`."""
    shows = np.flatnonzero(size >= visible_px)
    if not len(shows):
        return None
    last = int(shows[-1])
    at = index[last]
    if last + 1 < len(size):
        share = (size[last] - visible_px) / max(size[last] - size[last + 1], 1e-9)
        at = at + share * (index[last + 1] - at)
    return float(nominal_f_number(2 ** ((at - 6) / 6)))
