"""Focus distance against the hyperfocal distance: focused short of it, at it, beyond.

H = f^2 / (N c) + f with c the blur circle that the criterion allows at the body's pixel pitch. Measured on
the far part of landscape frames (the upper part of the upright picture) against frames focused at H or beyond.

Lenses write the distance in steps, and the last one stands for all that lies beyond: of 53 landscapes of
one real zoom every one says 2.66 m. A frame focused there was focused at that distance or farther.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtrit

from auditor.exposure import F_NUMBERS
from auditor.infer.comparisons.curves import USUAL_BLUR
from auditor.infer.comparisons.verdict import sharpness_verdict
from auditor.infer.criteria import Criteria
from auditor.infer.frame_values import log_sharpness, near_and_far, random_sample
from auditor.infer.lenses.grouping import PITCHES_UM
from auditor.model import Comparison, Finding, LeftOutPairs
from auditor.optics import circle_of_confusion_um, hyperfocal_m, mtf50
from auditor.record import SIDES, ZONES
from auditor.record.values import flags, numbers, words
from auditor.robust import robust_location

__all__ = ["compare_focus", "focus_table"]

Floats = NDArray[np.float64]
Words = NDArray[np.object_]

AT: Final = (0.8, 1.25)
"""Focus distance over the hyperfocal distance that counts as at it: cameras write rough distances."""
LANDSCAPE: Final = 0.15
"""Focused nearer than this share of the hyperfocal distance, a frame is no landscape."""
_FEWEST: Final = 3
"""Frames on each side at least: two have no robust middle."""
_MOST: Final = 1000
"""Landscapes of one lens and body beyond which a random sample is taken: a difference is then
good to some 0.2%."""
_SHARPEST_SHARE: Final = 0.75
"""Wherever a landscape was focused, something in it is nearly as sharp as the lens's better frames;
one whose sharpest part falls short of this share of them was missed or shaken."""
_BETTER_FRAMES: Final = 0.8
"""Quantile of the frames' sharpest parts that is taken for the lens's better frames."""
_SIDE_SD: Final = 0.03
"""Scatter that even agreeing frames of a side have, in log MTF50: what an archive's sharp frames show."""
_NEAREST_FOCAL: Final = 2.0
"""Focused nearer than so many focal lengths, a lens magnifies (1:1 and beyond): no landscape."""


def focus_table(frames: pd.DataFrame, criteria: Criteria) -> pd.DataFrame:
    """Landscape frames with a focus distance, one row each.

    Parameters
    ----------
    frames : DataFrame
        Frame table: `record.COLUMNS` and the columns of `crawl.relate`.
    criteria : Criteria
        Blur circle (`coc_pixels`) behind the hyperfocal distance.

    Returns
    -------
    DataFrame
        Columns `row` (position), `lens`, `body`, `focal_mm`, `f_number`, `hyperfocal_m`, `focus_m`, `ratio`,
        `where` ('short', 'at', 'beyond'), `far`, `near`, `best` (ln MTF50 of those parts and of the frame's
        sharpest, over what optics allow in a usual lens's corners at this aperture). Frames at the farthest
        distance that their lens writes are left out unless that lies beyond the hyperfocal distance: only
        then is it known where they were focused.
    """
    focal, n = numbers(frames, "focal_length_mm"), numbers(frames, "f_number")
    distance, pitch = numbers(frames, "focus_distance_m"), numbers(frames, "pixel_pitch_um")
    usable = (words(frames, "status") == "measured") & flags(frames, "best", True)
    usable &= words(frames, "source") != "resized"
    usable &= (focal > 1) & (n > F_NUMBERS[0])
    usable &= (distance > 0) & (pitch > PITCHES_UM[0])
    lens, body = words(frames, "lens"), words(frames, "body")
    hyperfocal = np.full(len(frames), np.nan)
    coc = circle_of_confusion_um(pitch[usable], criteria.coc_pixels)
    hyperfocal[usable] = hyperfocal_m(focal[usable], n[usable], coc)
    with np.errstate(invalid="ignore"):
        usable &= (distance >= LANDSCAPE * hyperfocal) & (distance > _NEAREST_FOCAL * focal / 1000)
        usable &= (distance < _farthest(distance, lens, body)) | (distance > AT[1] * hyperfocal)
    rows = np.flatnonzero(usable)
    groups = pd.Series(rows).groupby([lens[rows], body[rows]]).indices.values()
    rows = rows[np.sort(np.concatenate([rows[:0], *(random_sample(at, _MOST) for at in groups)]))]
    table = pd.DataFrame({
        "row": rows, "lens": lens[rows], "body": body[rows], "focal_mm": focal[rows],
        "f_number": n[rows], "hyperfocal_m": hyperfocal[rows], "focus_m": distance[rows],
        "ratio": distance[rows] / hyperfocal[rows],
    })  # fmt: skip
    usual = np.log(mtf50(n[rows], pitch[rows], USUAL_BLUR[ZONES.index("corner")]))
    # Of wide tables few columns are copied.
    known = [
        c
        for c in ("orientation", *(f"{place}_mtf50_cpp" for place in (*ZONES, *SIDES)))
        if c in frames
    ]
    chosen = frames[known].iloc[rows]
    near, far, _ = near_and_far(chosen)
    parts = [log_sharpness(chosen, place) for place in (*ZONES, *SIDES)]
    short, at = table["ratio"] < AT[0], table["ratio"] <= AT[1]
    return table.assign(
        where=np.select([short, at], ["short", "at"], "beyond"), far=far - usual, near=near - usual, best=np.fmax.reduce(parts) - usual,
    )  # fmt: skip


def _farthest(distance: Floats, lens: Words, body: Words) -> Floats:
    """The farthest distance (m) that the lens of every frame writes on its body."""
    return pd.Series(distance).groupby([lens, body]).transform("max").to_numpy()


_FOCUSED: Final = {
    "short": "focused short of", "at": "focused at", "beyond": "focused beyond"
}  # fmt: skip
_FAILED: Final = "nothing in the frame was sharp: missed focus or shake"


def compare_focus(frames: pd.DataFrame, criteria: Criteria) -> list[Comparison]:
    """Far and near parts of landscapes by where they were focused, per lens and body.

    Parameters
    ----------
    frames : DataFrame
        Frame table, as `focus_table` takes it.
    criteria : Criteria
        Blur circle and interval.

    Returns
    -------
    list of Comparison
        Short of the hyperfocal distance against at it and beyond, and at it against beyond, with at least
        `_FEWEST` frames on each side.
    """
    table = focus_table(frames, criteria)
    out: list[Comparison] = []
    for (lens, body), group in table.groupby(["lens", "body"]):
        level = group["best"].quantile(_BETTER_FRAMES) + np.log(_SHARPEST_SHARE)
        rows = group[group["best"] >= level]
        failed = len(group) - len(rows)
        for where, against in (("short", "at"), ("short", "beyond"), ("at", "beyond")):
            first, second = rows[rows["where"] == where], rows[rows["where"] == against]
            if len(first) < _FEWEST or len(second) < _FEWEST:
                continue
            for part in ("far", "near"):
                values = first[part].to_numpy(), second[part].to_numpy()
                found = _difference(*values, f"{part} sharpness", criteria.interval)
                if found is None:
                    continue
                left_out: list[LeftOutPairs] = [{"reason": _FAILED, "count": failed}]
                out.append({
                    "label": f"{_FOCUSED[where]} the hyperfocal distance",
                    "against": f"{_FOCUSED[against]} it",
                    "lens": lens, "body": body, "left_out": left_out if failed else [], **found,
                })  # fmt: skip
    return out


def _difference(first: Floats, second: Floats, what: str, share: float) -> Finding | None:
    """Relative difference of the robust means of two groups of unpaired frames (Welch's interval)."""
    a, b = robust_location(first, _SIDE_SD), robust_location(second, _SIDE_SD)
    if a.count < _FEWEST or b.count < _FEWEST:
        return None
    stderr = float(np.hypot(a.stderr, b.stderr))
    dof = stderr**4 / (a.stderr**4 / (a.count - 1) + b.stderr**4 / (b.count - 1))
    half = float(stdtrit(dof, 0.5 + share / 2)) * stderr
    middle, low, high = (float(np.expm1(a.value - b.value + k)) for k in (0.0, -half, half))
    fewer = min(a.count, b.count)
    return {
        "what": what,
        "zone": None,
        "pairs": 0,
        "frames": [a.count, b.count],
        "difference": middle,
        "low": low,
        "high": high,
        "unit": "share of MTF50",
        "verdict": sharpness_verdict(middle, low, high, fewer).replace("pairs", "frames a side")
        + "; scenes were not the same",
    }
