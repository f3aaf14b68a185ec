"""Chromatic aberration by aperture: where colour seams start to show.

How wide a seam looks depends on the scene as much as on the lens: branches against a bright sky show
what a meadow hides. So every outing counts once at an aperture, however many frames it holds.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import isotonic_regression
from scipy.special import bdtr

from auditor.exposure import f_number_at, f_number_place, nominal_f_number
from auditor.infer.criteria import Criteria
from auditor.infer.frame_values import aperture_index, group_numbers, nominal_from_index
from auditor.model import Fringing, Seams
from auditor.model.schema import Ends
from auditor.record.values import numbers

__all__ = ["FRINGE_COLUMNS", "describe_fringing"]

Floats = NDArray[np.float64]

FRINGE_COLUMNS: Final = (
    *("corner_lateral_red_px", "lateral_red_px", "corner_lateral_blue_px", "lateral_blue_px"),
    "fringe_width_px",
)
"""Columns that are read besides `f_number` and `outing`."""
_SIZES: Final = ["lateral_red_px", "lateral_blue_px", "fringe_width_px"]
"""What is told by aperture: displacement of red and blue against green, width of colour seams."""
_WIDE_THIRDS: Final = 3
"""What frames show of a lens wide open they show within a stop of the widest aperture used."""
_SEVERAL: Final = 2
"""Outings below which nothing is said of the lens: what one scene shows or hides is its own."""


def describe_fringing(
    frames: pd.DataFrame, criteria: Criteria, acceptable: Ends | None
) -> Fringing | None:
    """Medians by aperture, and the smallest aperture at which a colour seam of `Criteria.fringe_px` shows.

    The onset is where the wider of the displacement and the seam, which stopping down never widens (isotonic
    regression), crosses that size, interpolated in stops and given to a third; its bounds come from those
    of the sizes.

    Parameters
    ----------
    frames : DataFrame
        Inlier frames of a focal range: `FRINGE_COLUMNS`, `f_number` and `outing`.
    criteria : Criteria
        Size from which a seam counts as visible, and interval.
    acceptable : tuple of float or None
        Widest and smallest acceptable aperture, where known.

    Returns
    -------
    Fringing or None
        None when no frame was measured. The onset is None unless the widest apertures surely show seams, in
        `_SEVERAL` outings.
    """
    seams = _seams(frames)
    if seams.empty:
        return None
    by_aperture: list[Seams] = []
    values = seams[_SIZES].to_numpy()
    aperture, outing = seams["aperture"].to_numpy(), seams["outing"].to_numpy()
    for index in np.unique(aperture):
        here = aperture == index
        row: dict[str, float | None] = {
            "f_number": nominal_from_index(int(index)), "frames": int(here.sum()),
            "outings": len(np.unique(outing[here])),
        }  # fmt: skip
        for name, sizes in zip(_SIZES, values[here].T, strict=True):
            figures = _median(sizes, criteria.interval)
            row |= dict(zip((name, f"{name}_low", f"{name}_high"), figures, strict=True))
        by_aperture.append(row)  # type: ignore[arg-type]
    stops, size = _sizes(seams, criteria.interval)
    onset, first, last = (_onset(stops, size[:, i], criteria.fringe_px) for i in range(3))
    shown = seams[:0]
    if onset is not None:
        shown = seams[seams["aperture"] <= f_number_place(onset) + 0.5]
    if first is None or shown["outing"].nunique() < _SEVERAL:
        onset = first = last = None
    inside = None
    if acceptable is not None and (widest := acceptable[0]) is not None:
        inside = onset is not None and onset >= widest
    return {
        "onset_f_number": onset,
        "onset_low": first,
        "onset_high": last,
        "onset_frames": None if onset is None else len(shown),
        "by_aperture": by_aperture,
        "inside_acceptable": inside,
    }


def _seams(frames: pd.DataFrame) -> pd.DataFrame:
    """Frames that were measured: `_SIZES`, displacement in the corner where measured there, else over the frame;
    index of the nominal `aperture`, and `outing`."""
    out = pd.DataFrame({"fringe_width_px": numbers(frames, "fringe_width_px")})
    for name in ("lateral_red_px", "lateral_blue_px"):
        corner = numbers(frames, f"corner_{name}")
        out[name] = np.where(np.isnan(corner), numbers(frames, name), corner)
    out["aperture"] = aperture_index(numbers(frames, "f_number"))
    out["outing"] = group_numbers(frames, "outing")
    return out.dropna(subset=_SIZES, how="all")


def _sizes(seams: pd.DataFrame, interval: float) -> tuple[Floats, Floats]:
    """Apertures (index), and for each the size of what shows in px, its lower and its upper bound.

    Each outing gives its median. Of n values the least and the greatest hold the median but for 2 / 2^n of the time
    (binomial): fewer than it takes for `interval` have no lower bound. Sizes never rise towards small apertures (isotonic regression; Barlow et al. 1972).
    """
    sizes = []
    bounding = math.ceil(1 - math.log2(1 - interval))
    by_outing = seams.groupby(["aperture", "outing"])[_SIZES].median()
    weight = seams.groupby("aperture").size()
    values, aperture = seams[_SIZES].to_numpy(), seams["aperture"].to_numpy()
    medians, aperture_of = by_outing.to_numpy(), by_outing.index.get_level_values(0).to_numpy()
    for index in weight.index:
        bounds = [(0.0, 0.0, 0.0)]
        both = medians[aperture_of == index].T, values[aperture == index].T
        for own, frames in zip(*both, strict=True):
            # A few outings bound nothing: there all their frames count.
            chosen = own if np.isfinite(own).sum() >= bounding else frames
            middle, low, high = _median(chosen, interval)
            if middle is not None and low is not None and high is not None:
                if np.isfinite(chosen).sum() < bounding:
                    low = 0.0
                inner = 0.0 if low <= 0 <= high else min(abs(low), abs(high))
                bounds.append((abs(middle), inner, max(abs(low), abs(high))))
        sizes.append(np.max(bounds, axis=0))
    size, indices = np.array(sizes), weight.index.to_numpy(float)
    wide = indices <= indices[0] + _WIDE_THIRDS
    # What shows further down and not wide open is the scenes'.
    size = np.minimum(size, size[wide].max(0))
    falling = [isotonic_regression(s, weights=weight, increasing=False).x for s in size.T]
    return indices, np.stack(falling, axis=1)


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
