"""Chromatic aberration by aperture: where colour seams start to show."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import bdtr

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
    interval: float,
) -> dict[str, Any] | None:
    """Medians by aperture, and the smallest aperture at which a seam of `visible_px` shows.

    `rows` are sound frames and `aperture` their nominal index. The onset is where the wider of the
    displacement and the seam crosses `visible_px`, interpolated in stops and given to a third; its
    bounds come from those of the sizes. None when it never shows; None as a whole when no frame
    was measured.
    """
    by_aperture, sizes, stops = [], [], []
    for index in np.unique(aperture):
        here = rows[aperture == index]
        red, blue, width = table.red[here], table.blue[here], table.width[here]
        count = int((~np.isnan(red) | ~np.isnan(blue) | ~np.isnan(width)).sum())
        if count == 0:
            continue
        entry: dict[str, Any] = {"f_number": nominal_from_index(int(index)), "frames": count}
        bounds = []
        for name, values in (
            ("lateral_red_px", red), ("lateral_blue_px", blue), ("fringe_width_px", width)
        ):  # fmt: skip
            middle, low, high = _median(values, interval)
            entry |= {name: middle, f"{name}_low": low, f"{name}_high": high}
            if middle is not None and low is not None and high is not None:
                inner = 0.0 if low <= 0 <= high else min(abs(low), abs(high))
                bounds.append((abs(middle), inner, max(abs(low), abs(high))))
        by_aperture.append(entry)
        sizes.append(np.max(bounds, axis=0))
        stops.append(float(index))
    if not by_aperture:
        return None
    size = np.array(sizes)
    onset, first, last = (_onset(np.array(stops), size[:, i], visible_px) for i in range(3))
    inside = None
    if acceptable is not None:
        inside = onset is not None and onset >= acceptable[0]
    return {
        "onset_f_number": onset,
        "onset_low": first,
        "onset_high": last,
        "by_aperture": by_aperture,
        "inside_acceptable": inside,
    }


def _median(values: Floats, interval: float) -> tuple[float | None, float | None, float | None]:
    """Median and its interval from order statistics (binomial, needs no distribution)."""
    known = np.sort(values[~np.isnan(values)])
    n = len(known)
    if n == 0:
        return None, None, None
    low = int(np.searchsorted(bdtr(np.arange(n + 1), n, 0.5), 0.5 - interval / 2))
    middle, first, last = np.median(known), known[max(low - 1, 0)], known[min(n - low, n - 1)]
    return round(float(middle), 3), round(float(first), 3), round(float(last), 3)


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
