"""Whether one side of a lens is softer than the other in frame after frame: decentring.

In a single frame a soft side means little: the subject lies deeper there, or focus was missed. A
lens that is decentred shows it the same way in every outing. Left against right is judged on frames
held level, and top against bottom on frames held upright (both in the sensor's own orientation),
because foreground at the bottom of the scene softens that side of a centred lens too.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtr

from auditor.infer.enough import FEWEST
from auditor.infer.frame_values import group_numbers, log_sharpness
from auditor.model import Sides
from auditor.record import SIDES, UPRIGHT
from auditor.record.values import numbers
from auditor.robust import group_medians

__all__ = ["CONFIDENCE", "SIDE_COLUMNS", "judge_sides"]

Floats = NDArray[np.float64]

SIDE_COLUMNS: Final = ("orientation", *(f"{side}_mtf50_cpp" for side in SIDES))
"""Columns that are read besides `outing`."""
_RELEVANT: Final = 0.04
"""Log ratio between opposite sides from which a difference would be seen."""
CONFIDENCE: Final = 0.95
"""Probability from which a lens is said to be decentred or sound, and one aperture to beat another."""
_FEW: Final = 8
"""Frames with two opposite sides below which nothing is said."""


def judge_sides(frames: pd.DataFrame) -> Sides | None:
    """Whether a lens is decentred: one side softer than its opposite in outing after outing.

    Medians of log ratios over frames, judged by Student's t over the medians of outings: scenes have sides of their
    own.

    Parameters
    ----------
    frames : DataFrame
        Inlier frames: `SIDE_COLUMNS` and `outing`.

    Returns
    -------
    Sides or None
        `confidence` is the probability of the verdict; a side's ratio is its MTF50 over the
        geometric mean of it and its opposite. None when fewer than `_FEW` frames show two opposite sides.
    """
    upright = numbers(frames, "orientation") >= UPRIGHT
    outing = group_numbers(frames, "outing")
    shown_frames, counts = 0, list[int]()
    ratios = dict[str, float | None].fromkeys(SIDES)
    decentred: list[tuple[float, str]] = []
    alike: dict[str, float] = {}
    for first, second, held in (("left", "right", ~upright), ("top", "bottom", upright)):
        ratio = log_sharpness(frames, first) - log_sharpness(frames, second)
        known = ~np.isnan(ratio)
        judged = known & held
        used = judged if judged.sum() >= _FEW else known
        if used.sum() < _FEW:
            continue
        median = float(np.median(ratio[used]))
        ratios[first] = round(float(np.exp(median / 2)), 3)
        ratios[second] = round(float(np.exp(-median / 2)), 3)
        shown_frames = max(shown_frames, int(used.sum()))
        medians = group_medians(ratio[used], np.unique(outing[used], return_inverse=True)[1])
        if judged.sum() < _FEW or len(medians) < FEWEST:
            continue
        counts.append(int(judged.sum()))
        below, above = _shares_below(medians, np.array([-_RELEVANT, _RELEVANT])).tolist()
        alike[f"{first} and {second}"] = above - below
        if abs(median) > _RELEVANT:
            decentred.append((below, first) if median < 0 else (1 - above, second))
    if shown_frames == 0:
        return None
    verdict, confidence = "cannot tell", None
    # Any side looked at might have come out the softer one (Bonferroni).
    sure = [(1 - 2 * len(counts) * (1 - beyond), worse) for beyond, worse in decentred]
    if sure and max(sure)[0] >= CONFIDENCE:
        confidence, worse = max(sure)
        verdict = f"probably decentred: the {worse} side is softer in frame after frame"
    elif alike and min(alike.values()) >= CONFIDENCE:
        confidence = min(alike.values())
        verdict = f"{next(iter(alike)) if len(alike) == 1 else 'sides'} alike"
    return {
        "verdict": verdict, "confidence": None if confidence is None else round(confidence, 3),
        "frames": max(counts, default=shown_frames), "left": ratios["left"], "right": ratios["right"],
        "top": ratios["top"], "bottom": ratios["bottom"],
    }  # fmt: skip


def _shares_below(medians: Floats, limits: Floats) -> Floats:
    """Probability, by Student's t, that what outings share lies below some limits."""
    error = float(medians.std(ddof=1)) / np.sqrt(len(medians))
    return np.asarray(stdtr(len(medians) - 1, (limits - medians.mean()) / max(error, 1e-9)))
