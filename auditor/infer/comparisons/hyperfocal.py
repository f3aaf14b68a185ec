"""Focus distance against the hyperfocal distance: focused short of it, at it, beyond.

H = f^2 / (N c) + f with c the blur circle that the criterion allows at the body's pixel pitch. Measured on
the far part of landscape frames (the upper part of the upright picture) against frames focused at H or beyond.

Lenses write the distance in steps, and the last one stands for all that lies beyond: of 53 landscapes of
one real zoom every one says 2.66 m. A frame focused there was focused at that distance or farther.
"""

from __future__ import annotations

from collections import Counter
from functools import partial
from typing import Final

import numpy as np
import pandas as pd

from auditor.exposure import F_NUMBERS
from auditor.infer.comparisons.sharp import USUAL_BLUR
from auditor.infer.comparisons.verdict import USUAL_PAIRS, entry, sharpness_verdict
from auditor.infer.criteria import Criteria
from auditor.infer.enough import FEWEST, SAMPLED
from auditor.infer.frame_values import (
    evenly,
    group_numbers,
    near_and_far,
    usable,
)
from auditor.infer.lenses.grouping import PITCHES_UM, SAME_PITCH, focal_clusters
from auditor.infer.lenses.scene_groups import scenes_of
from auditor.model import Comparison, Finding
from auditor.optics import circle_of_confusion_um, hyperfocal_m, mtf50
from auditor.record import SIDES, ZONES
from auditor.record.values import numbers, words
from auditor.robust import robust_location, t_quantile

__all__ = ["compare_focus", "focus_table"]


AT: Final = (0.8, 1.25)
"""Focus distance over the hyperfocal distance that counts as at it: cameras write rough distances."""
LANDSCAPE: Final = 0.15
"""Focused nearer than this share of the hyperfocal distance, a frame is no landscape."""
_ALIKE: Final = ["serial", "converter", "source", "pitch_step", "cluster"]
"""Frames are compared where they agree in these columns of `focus_table`."""
_SIDE_SD: Final = 0.03
"""Scatter that even agreeing frames of a side have, in log MTF50: what an archive's sharp frames show."""
_NEAR_WORDS: Final = "read where the lower half is sharpest, which need not be the foreground"
"""What is near is known as no part of the frame: the lower half of the outer zone reaches up to the middle's height,
where a landscape is far."""


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
        Columns `row` (position), `lens`, `body`, `serial`, `converter`, `source`, `pitch_step`, `focal_mm`,
        `cluster` (of focal lengths), `f_number`, `outing`, `scene`, `hyperfocal_m`, `focus_m`, `ratio`, `where` ('short', 'at', 'beyond'), `far`, `near`
        (ln MTF50 of those parts, over what optics allow in a usual lens's corners at this aperture). Frames at the farthest distance that their lens writes are left out unless
        that lies beyond the hyperfocal distance: only then is it known where they were focused.
    """
    focal, n = numbers(frames, "focal_length_mm"), numbers(frames, "f_number")
    distance, pitch = numbers(frames, "focus_distance_m"), numbers(frames, "pixel_pitch_um")
    known = usable(frames) & (focal > 1) & (n > F_NUMBERS[0])
    known &= (distance > 0) & (pitch > PITCHES_UM[0])
    source = words(frames, "source", "unknown")
    lens, body = words(frames, "lens"), words(frames, "body")
    hyperfocal = np.full(len(frames), np.nan)
    coc = circle_of_confusion_um(pitch[known], criteria.coc_pixels)
    hyperfocal[known] = hyperfocal_m(focal[known], n[known], coc)
    known &= distance >= LANDSCAPE * hyperfocal
    farthest = pd.Series(distance).groupby([lens, body]).transform("max").to_numpy()
    known &= (distance < farthest) | (distance > AT[1] * hyperfocal)
    rows = np.flatnonzero(known)
    groups = pd.Series(rows).groupby([lens[rows], body[rows]]).indices.values()
    rows = rows[
        np.sort(np.concatenate([rows[:0], *(at[evenly(len(at), SAMPLED)] for at in groups)]))
    ]
    table = pd.DataFrame({
        "row": rows, "lens": lens[rows], "body": body[rows], "serial": words(frames, "lens_serial")[rows],
        "converter": words(frames, "converter")[rows], "source": source[rows],
        "pitch_step": np.rint(np.log(pitch[rows]) / SAME_PITCH), "focal_mm": focal[rows],
        "outing": group_numbers(frames, "outing")[rows],
        "f_number": n[rows], "hyperfocal_m": hyperfocal[rows], "focus_m": distance[rows],
        "ratio": distance[rows] / hyperfocal[rows],
    })  # fmt: skip
    table["cluster"] = table.groupby(["lens", "body"])["focal_mm"].transform(
        lambda f: focal_clusters(f.to_numpy(float))
    )
    usual = np.log(mtf50(n[rows], pitch[rows], USUAL_BLUR[ZONES.index("corner")]))
    # Of wide tables few columns are copied.
    columns = ["orientation", "signature", "outing", "burst"]
    columns += [f"{side}_mtf50_cpp" for side in SIDES]
    chosen = frames[[c for c in columns if c in frames]].iloc[rows]
    near, far, _ = near_and_far(chosen)
    short, at = table["ratio"] < AT[0], table["ratio"] <= AT[1]
    return table.assign(
        scene=scenes_of(chosen), where=np.select([short, at], ["short", "at"], "beyond"), far=far - usual, near=near - usual,
    )  # fmt: skip


_FOCUSED: Final = {
    "short": "focused short of", "at": "focused at", "beyond": "focused beyond"
}  # fmt: skip


def compare_focus(frames: pd.DataFrame, criteria: Criteria) -> list[Comparison]:
    """Far and near parts of landscapes by where they were focused.

    Kinds of file, pixel pitches and focal lengths of a lens are kept apart: what they differ in would pass for
    what focus did.

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
        `FEWEST` frames on each side.
    """
    table = focus_table(frames, criteria)
    groups = list(table.groupby(["lens", "body", *_ALIKE]))
    lenses = Counter(key[:2] for key, _ in groups)
    out: list[Comparison] = []
    for key, group in groups:
        for where, against in (("short", "at"), ("short", "beyond"), ("at", "beyond")):
            first, second = group[group["where"] == where], group[group["where"] == against]
            for part in ("far", "near"):
                found = _difference(first, second, part, criteria.interval)
                if found is None:
                    continue
                if part == "near" and found["difference"] is not None:
                    found["verdict"] = f"{found['verdict']}; {_NEAR_WORDS}"
                if lenses[key[:2]] > 1:
                    found["verdict"] = f"{found['verdict']}; {_which(group)}"
                out.append({
                    "label": f"{_FOCUSED[where]} the hyperfocal distance",
                    "against": f"{_FOCUSED[against]} it",
                    "lens": key[0], "body": key[1], **found,
                })  # fmt: skip
    return out


def _which(group: pd.DataFrame) -> str:
    """What sets some frames of a lens apart from its others: 'at 24 to 28 mm, raw files'."""
    low, high = (round(float(f)) for f in (group["focal_mm"].min(), group["focal_mm"].max()))
    source, converter = group["source"].iloc[0], group["converter"].iloc[0]
    parts = [f"at {low} mm" if low == high else f"at {low} to {high} mm", f"{source} files"]
    return ", ".join([*parts, f"with {converter}"] if converter else parts)


def _difference(
    first: pd.DataFrame, second: pd.DataFrame, part: str, share: float
) -> Finding | None:
    """Relative difference of two groups of frames, None where one has too few.

    Frames of one scene or outing agree in subject, haze and wind. Each scene that was focused both ways
    gives one difference, which speaks alone (blocking); where there are too few, each outing gives one figure to its side (Welch's interval
    on robust means).
    """
    first, second = first.dropna(subset=part), second.dropna(subset=part)
    if min(len(first), len(second)) < FEWEST:
        return None
    scenes, outings = (
        [side.groupby(unit)[part].median() for side in (first, second)]
        for unit in ("scene", "outing")
    )
    both = (scenes[0] - scenes[1]).dropna().to_numpy()
    fewer = min(len(side) for side in outings)
    told = partial(entry, f"{part} sharpness", None, unit="share of MTF50")
    pairs = 0
    if len(both) >= FEWEST:
        mean = robust_location(both, _SIDE_SD)
        ends = [mean.value, *mean.bounds(share)]
        count, unit = len(both), "scenes focused both ways"
        behind = f"{count} {unit}"
        pairs = count
    elif fewer >= FEWEST:
        a, b = (robust_location(side.to_numpy(), _SIDE_SD) for side in outings)
        stderr = float(np.hypot(a.stderr, b.stderr))
        dof = stderr**4 / (a.stderr**4 / (a.count - 1) + b.stderr**4 / (b.count - 1))
        half = t_quantile(dof, share) * stderr
        ends = [a.value - b.value + k for k in (0.0, -half, half)]
        count, unit = fewer, "outings a side"
        behind = f"{a.count} and {b.count} outings; scenes were not the same"
    else:
        counts = " and ".join(str(len(side)) for side in outings)
        text = (
            f"cannot tell: from {counts} outings, which differ in more than focus; some "
            f"{USUAL_PAIRS} scenes, each focused both ways within minutes, would settle it"
        )
        return {**told(0, text=text), "frames": [len(first), len(second)]}
    middle, low, high = (float(np.expm1(k)) for k in ends)
    text = sharpness_verdict(middle, low, high, count).replace("pairs", unit)
    found = told(pairs, text=f"{text}; from {behind}", value=middle, low=low, high=high)
    found["frames"] = [len(first), len(second)]
    if pairs:
        found["scenes"] = pairs
    return found
