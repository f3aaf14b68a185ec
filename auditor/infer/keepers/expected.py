"""What a frame's settings allowed: the lens's curve at its aperture, and the body's noise at its ISO.

Everything is arrays over the rows of the frame table, so that a million frames take seconds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.criteria import Criteria
from auditor.infer.frame_values import scene_ev100
from auditor.infer.lenses.grouping import ENOUGH, rows_of_lenses, within_range
from auditor.record import ZONES
from auditor.record.values import numbers, rows_by_names

__all__ = ["allowed_by_settings"]

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]
Block = Mapping[str, Any]
Columns = dict[str, NDArray[Any]]

SAME_APERTURE: Final = 0.09
"""Difference of log2 f-number within which two apertures are one, written differently: half a third of a
stop, as f/3.3 and f/3.5 are, and a little for rounding."""
CONFIDENCE: Final = 0.75
"""Confidence that a setting costs more than is acceptable (a judgement, no source) ..."""
CONFIDENCE_BEYOND_INTERVAL: Final = 0.95
"""... and of one outside the 90% interval of the acceptable range's end, which is passed by chance once in
twenty."""
OPEN_SHARE: Final = 0.58
"""An open aperture is usually a choice, of look or of light: it is named only where the weaker zone
keeps less than this share of what is acceptable, about a third of the lens's best."""


def allowed_by_settings(
    frames: pd.DataFrame, lenses: Sequence[Block], bodies: Sequence[Block], criteria: Criteria
) -> pd.DataFrame:
    """Match every frame to its lens's curve and its body's noise in the profile.

    Curves are interpolated over stops of aperture, noise over stops of ISO; past the highest ISO tabled SNR
    falls by half a stop for every stop of ISO (photon noise).

    Parameters
    ----------
    frames : DataFrame
        Frame table: names of gear, `lens_serial`, `f_number`, `focal_length_mm`, `pixel_pitch_um`, `iso`,
        `ev100`, `flash`, `source` and the columns of `record.pools`.
    lenses, bodies : sequence of mapping
        Entries of the profile.
    criteria : Criteria
        Thresholds.

    Returns
    -------
    DataFrame
        A row per frame; NaN or -1 where the profile does not cover it, or on thin evidence of few frames only.
        `log_mtf50`: ln MTF50 (c/px) that the lens gives at this aperture where it is sharpest; `sweet_spot`: its best
        aperture, and `log_weaker_best`: the weaker of centre and corner there; `wide`, `small`: the frame's aperture
        costs more than it may on that side, and `p_setting`: how likely that is; `snr_allowed`: signal to noise that a
        typical frame of this brightness shows at this ISO, at the output size; `lens_entry`, `focal_range`: positions
        in the profile.
    """
    n = len(frames)
    figures = ("log_mtf50", "log_weaker_best", "sweet_spot", "snr_allowed")
    out: Columns = {name: np.full(n, np.nan) for name in figures}
    out |= {name: np.full(n, -1) for name in ("lens_entry", "focal_range")}
    out |= {"wide": np.zeros(n, bool), "small": np.zeros(n, bool), "p_setting": np.zeros(n)}
    focal = numbers(frames, "focal_length_mm")
    with np.errstate(divide="ignore", invalid="ignore"):
        stops, log_iso = np.log2(numbers(frames, "f_number")), np.log2(numbers(frames, "iso"))
    for i, rows in enumerate(rows_of_lenses(frames, lenses)):
        out["lens_entry"][rows] = i
        for j, part in enumerate(lenses[i]["focal_ranges"]):
            ends = part["focal_mm"]
            here = rows if ends is None else rows[within_range(ends, focal[rows])]
            out["focal_range"][here] = j
            _one_range(out, here, stops[here], part, criteria)
    _noise(out["snr_allowed"], frames, log_iso, bodies)
    return pd.DataFrame(out)


def _one_range(out: Columns, rows: Rows, x: Floats, part: Block, criteria: Criteria) -> None:
    """What the curve of a range allows frames at apertures of `x` (log2)."""
    thin = part.get("evidence") == "thin"
    # A curve of a few is what these show, but even a rough one of many is nearer to a lens than a perfect one
    # is: of 12 to 23 frames it judged worse, of 74 to 83 better.
    if thin and (part.get("frames") or 0) < ENOUGH:
        return
    curves = {}
    for zone in ZONES:
        known = [a for a in part["apertures"] if a.get(zone)]
        if not known:
            continue
        at = np.log2([a["f_number"] for a in known])
        value = np.log([a[zone]["mtf50_cpp"] for a in known])
        inside = (x >= at[0] - SAME_APERTURE) & (x <= at[-1] + SAME_APERTURE)
        curves[zone] = np.interp(x, at, value), at, value
        here = rows[inside]
        out["log_mtf50"][here] = np.fmax(out["log_mtf50"][here], curves[zone][0][inside])
    sweet = part.get("sweet_spot")
    if thin or sweet is None or not {"centre", "corner"} <= set(curves):
        return  # nobody is advised to leave an aperture on thin evidence
    both = [curves[zone] for zone in ("centre", "corner")]
    best_at = np.log2(sweet["f_number"])
    best = min(float(np.interp(best_at, at, value)) for _, at, value in both)
    out["log_weaker_best"][rows], out["sweet_spot"][rows] = best, sweet["f_number"]
    ends, bounds = part.get("acceptable"), part.get("acceptable_intervals")
    if not ends:
        return
    # None inside the acceptable range is blamed.
    below, above = _outside_range(x, ends[0], ends[1])
    out["p_setting"][rows] = CONFIDENCE
    if bounds:
        beyond = np.logical_or(*_outside_range(x, bounds[0][0], bounds[1][1]))
        out["p_setting"][rows[beyond]] = CONFIDENCE_BEYOND_INTERVAL
    # An open aperture is often chosen for its look or its light: only a heavy loss is named.
    weaker = np.minimum(*(drawn for drawn, *_ in both))
    out["wide"][rows] = below & (weaker - best < np.log(criteria.acceptable * OPEN_SHARE))
    out["small"][rows] = above


def _outside_range(
    x: Floats, low: float, high: float
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Whether apertures (log2) lie below the f-number `low`, and above `high`."""
    return x < np.log2(low) - SAME_APERTURE, x > np.log2(high) + SAME_APERTURE


def _noise(snr: Floats, frames: pd.DataFrame, log_iso: Floats, bodies: Sequence[Block]) -> None:
    light = scene_ev100(frames)
    rows_of = rows_by_names(frames, ("body",))
    for entry in bodies:
        rows = np.asarray(rows_of.get((entry["body"],), []), dtype=np.int64)
        for band in entry["brightness"]:
            if not band["by_iso"]:
                continue
            here = rows[(light[rows] >= band["ev100"][0]) & (light[rows] < band["ev100"][1])]
            at, value = np.log2([(s["iso"], s["snr"]) for s in band["by_iso"]]).T
            x = log_iso[here]
            # Beyond the highest ISO tabled, photons: half a stop of SNR for every stop of ISO.
            snr[here] = 2 ** (np.interp(x, at, value) - np.clip(x - at[-1], 0, None) / 2)
