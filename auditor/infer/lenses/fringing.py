"""Chromatic aberration by aperture: where colour seams start to show.

How wide a seam looks depends on the scene as much as on the lens: branches against a bright sky show
what a meadow hides. So apertures are compared within outings that hold them all; where there is no such
outing, every outing counts once at an aperture, however many frames it holds.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import isotonic_regression
from scipy.special import bdtr

from auditor.exposure import f_number_at, f_number_place, nominal_f_number
from auditor.infer.frame_values import nominal_from_index
from auditor.model import Fringing, Seams
from auditor.model.schema import Ends
from auditor.record.values import numbers
from auditor.robust import group_medians

__all__ = ["FringeTable", "describe_fringing", "read_fringing"]

Floats = NDArray[np.float64]

_WIDE_THIRDS: Final = 3
"""An outing shows what the lens does wide open if it comes within a stop of the widest used,"""
_SPAN_THIRDS: Final = 6
"""and what stopping down changes if it holds apertures two stops apart or more."""
_FEWEST_OUTINGS: Final = 6
"""So many such outings take the place of all: of fewer the scenes' own strength is not averaged out."""
_SEVERAL: Final = 2
"""Outings below which nothing is said of the lens: what one scene shows or hides is its own."""


class FringeTable(NamedTuple):
    """Chromatic aberration of each frame, NaN unmeasured.

    Attributes
    ----------
    red, blue : ndarray of float64, shape (n,)
        Displacement against green, px.
    width : ndarray of float64, shape (n,)
        Width of colour seams, px.
    """

    red: Floats
    blue: Floats
    width: Floats

    def of(self, rows: NDArray[np.int64]) -> FringeTable:
        """Those of some frames."""
        return FringeTable(*(part[rows] for part in self))


def read_fringing(frames: pd.DataFrame) -> FringeTable:
    """Columns of chromatic aberration: displacement in the corner where measured there, else over the frame.

    Parameters
    ----------
    frames : DataFrame
        Columns `corner_lateral_red_px`, `lateral_red_px`, the same of blue, and `fringe_width_px`.

    Returns
    -------
    FringeTable
        Arrays (n,) in px.
    """
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
    outing: NDArray[np.int64],
    visible_px: float,
    acceptable: Ends | None,
    interval: float,
) -> Fringing | None:
    """Medians by aperture, and the smallest aperture at which a colour seam of `visible_px` shows.

    The onset is where the wider of the displacement and the seam, which stopping down never widens (isotonic
    regression), crosses `visible_px`, interpolated in stops and given to a third; its bounds come from those
    of the sizes.

    Parameters
    ----------
    table : FringeTable
        Of all frames.
    rows : ndarray of int64, shape (n,)
        Positions of inlier frames.
    aperture, outing : ndarray of int64, shape (n,)
        Their index of the nominal third (`aperture_index`) and outing.
    visible_px : float
        Size from which a seam counts as visible.
    acceptable : tuple of float or None
        Widest and smallest acceptable aperture, where known.
    interval : float
        Share of the truth that intervals are meant to hold.

    Returns
    -------
    Fringing or None
        None when no frame was measured. The onset is None unless the widest apertures surely show seams, in
        `_SEVERAL` outings.
    """
    by_aperture: list[Seams] = []
    measured = np.zeros(len(rows), bool)
    for values in table.of(rows):
        measured |= ~np.isnan(values)
    for index in np.unique(aperture[measured]):
        here = aperture == index
        red, blue, width = (_median(v, interval) for v in table.of(rows[here]))
        by_aperture.append({
            "f_number": nominal_from_index(int(index)), "frames": int((measured & here).sum()),
            "outings": len(np.unique(outing[measured & here])),
            "lateral_red_px": red[0], "lateral_red_px_low": red[1], "lateral_red_px_high": red[2],
            "lateral_blue_px": blue[0], "lateral_blue_px_low": blue[1],
            "lateral_blue_px_high": blue[2], "fringe_width_px": width[0],
            "fringe_width_px_low": width[1], "fringe_width_px_high": width[2],
        })  # fmt: skip
    if not by_aperture:
        return None
    comparable = measured & _comparable(aperture, outing, measured)
    stops, size = _sizes(
        table, rows[comparable], aperture[comparable], outing[comparable], interval
    )
    onset, first, last = (_onset(stops, size[:, i], visible_px) for i in range(3))
    shown = comparable & (aperture <= (-1 if onset is None else f_number_place(onset) + 0.5))
    frames, outings = int(shown.sum()), len(np.unique(outing[shown]))
    if first is None or outings < _SEVERAL:
        onset = first = last = None
    widest = None if acceptable is None else acceptable[0]
    inside = None if widest is None else onset is not None and onset >= widest
    return {
        "onset_f_number": onset,
        "onset_low": first,
        "onset_high": last,
        "onset_frames": frames if onset is not None else None,
        "by_aperture": by_aperture,
        "inside_acceptable": inside,
    }


def _comparable(
    aperture: NDArray[np.int64], outing: NDArray[np.int64], measured: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Frames of the outings that hold wide and small apertures both; all where there is none."""
    days, of = np.unique(outing, return_inverse=True)
    first, last = np.full(len(days), np.iinfo(np.int64).max), np.zeros(len(days), np.int64)
    np.minimum.at(first, of[measured], aperture[measured])
    np.maximum.at(last, of[measured], aperture[measured])
    wide = first <= aperture[measured].min() + _WIDE_THIRDS
    both = wide & (last - first >= _SPAN_THIRDS)
    return both[of] if both.sum() >= _FEWEST_OUTINGS else np.ones(len(aperture), bool)


def _sizes(
    table: FringeTable,
    rows: NDArray[np.int64],
    aperture: NDArray[np.int64],
    outing: NDArray[np.int64],
    interval: float,
) -> tuple[Floats, Floats]:
    """Apertures (index), and for each the size of what shows in px, its lower and its upper bound.

    Each outing gives its median. Of n values the least and the greatest hold the median but for 2 / 2^n of the time
    (binomial): fewer than it takes for `interval` have no lower bound. Sizes never rise towards small apertures (isotonic regression; Barlow et al. 1972).
    """
    sizes, weight = [], []
    bounding = math.ceil(1 - math.log2(1 - interval))
    indices = np.unique(aperture)
    values = np.column_stack(table.of(rows))
    (aperture_of, _), day = np.unique(np.stack([aperture, outing]), axis=1, return_inverse=True)
    medians = np.stack([group_medians(of, day.ravel()) for of in values.T], axis=1)
    for index in indices:
        here = aperture == index
        bounds = [(0.0, 0.0, 0.0)]
        for own, frames in zip(medians[aperture_of == index].T, values[here].T, strict=True):
            # A few outings bound nothing: there all their frames count.
            chosen = own if np.isfinite(own).sum() >= bounding else frames
            middle, low, high = _median(chosen, interval)
            if low is not None and np.isfinite(chosen).sum() < bounding:
                low = 0.0
            if middle is not None and low is not None and high is not None:
                inner = 0.0 if low <= 0 <= high else min(abs(low), abs(high))
                bounds.append((abs(middle), inner, max(abs(low), abs(high))))
        sizes.append(np.max(bounds, axis=0))
        weight.append(float(here.sum()))
    size = np.array(sizes)
    wide = indices <= indices[0] + _WIDE_THIRDS
    # What shows further down and not wide open is the scenes'.
    size = np.minimum(size, size[wide].max(0))
    falling = [isotonic_regression(s, weights=weight, increasing=False).x for s in size.T]
    return indices.astype(float), np.stack(falling, axis=1)


def _median(values: Floats, interval: float) -> tuple[float | None, float | None, float | None]:
    """Median and its interval from order statistics (binomial, needs no distribution)."""
    known = np.sort(values[~np.isnan(values)])
    n = len(known)
    if n == 0:
        return None, None, None
    low = int(np.searchsorted(bdtr(np.arange(n + 1), n, 0.5), 0.5 - interval / 2))
    middle = (known[(n - 1) // 2] + known[n // 2]) / 2
    first, last = known[max(low - 1, 0)], known[min(n - low, n - 1)]
    return round(float(middle), 3), round(float(first), 3), round(float(last), 3)


def _onset(index: Floats, size: Floats, visible_px: float) -> float | None:
    """Smallest aperture (largest f-number) at which the size still reaches `visible_px`."""
    visible = np.flatnonzero(size >= visible_px)
    if not len(visible):
        return None
    last = int(visible[-1])
    at = index[last]
    if last + 1 < len(size):
        share = (size[last] - visible_px) / max(size[last] - size[last + 1], 1e-9)
        at = at + share * (index[last + 1] - at)
    return nominal_f_number(float(f_number_at(at)))
