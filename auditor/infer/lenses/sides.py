"""Whether one side of a lens is softer than the other in frame after frame: decentring.

In a single frame a soft side means little: the subject lies deeper there, or focus was missed. A
lens that is decentred shows it the same way in every outing. Left against right is judged on frames
held level, and top against bottom on frames held upright (both in the sensor's own orientation),
because foreground at the bottom of the scene softens that side of a centred lens too.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtr

from auditor.infer.enough import FEWEST
from auditor.infer.frame_values import log_sharpness
from auditor.model import Sides
from auditor.record import SIDES, UPRIGHT
from auditor.record.values import numbers
from auditor.robust import group_medians

__all__ = ["CONFIDENCE", "SideTable", "judge_sides", "read_sides"]

Floats = NDArray[np.float64]

_RELEVANT: Final = 0.04
"""Log ratio between opposite sides from which a difference would be seen."""
CONFIDENCE: Final = 0.95
"""Probability from which a lens is said to be decentred or sound, and one aperture to beat another."""
_FEW: Final = 8
"""Frames with two opposite sides below which nothing is said."""


class SideTable(NamedTuple):
    """Log ratios of opposite sides: left over right and top over bottom, n each, NaN unmeasured; and whether
    the frame was held upright."""

    across: Floats
    down: Floats
    upright: NDArray[np.bool_]


def read_sides(frames: pd.DataFrame) -> SideTable:
    """Log ratios of opposite sides.

    Parameters
    ----------
    frames : DataFrame
        MTF50 of the four sides, and `orientation` (Exif: 5 to 8, held upright).

    Returns
    -------
    SideTable
        n rows, NaN unmeasured.
    """
    left, right, top, bottom = (
        log_sharpness(frames, side) for side in ("left", "right", "top", "bottom")
    )
    return SideTable(left - right, top - bottom, numbers(frames, "orientation") >= UPRIGHT)


def judge_sides(
    sides: SideTable, rows: NDArray[np.int64], outing: NDArray[np.int64]
) -> Sides | None:
    """Whether a lens is decentred: one side softer than its opposite in outing after outing.

    Medians of log ratios over frames, judged by Student's t over the medians of outings: scenes have sides of their
    own.

    Parameters
    ----------
    sides : SideTable
        Of all frames.
    rows : ndarray of int64, shape (n,)
        Positions of inlier frames.
    outing : ndarray of int64, shape (frames,)
        Outing of every frame of the table.

    Returns
    -------
    Sides or None
        `confidence` is the probability of the verdict; a side's ratio is its MTF50 over the
        geometric mean of it and its opposite. None when fewer than `_FEW` frames show two opposite sides.
    """
    upright = sides.upright[rows]
    frames, ratios = 0, dict[str, float | None].fromkeys(SIDES)
    decentred: list[tuple[float, str]] = []
    alike_shares: dict[str, float] = {}
    counts: list[int] = []
    for values, judged, names in (
        (sides.across, rows[~upright], ("left", "right")),
        (sides.down, rows[upright], ("top", "bottom")),
    ):
        shown = judged[~np.isnan(values[judged])]
        used = shown if len(shown) >= _FEW else rows[~np.isnan(values[rows])]
        if len(used) < _FEW:
            continue
        median = float(np.median(values[used]))
        ratios[names[0]] = round(float(np.exp(median / 2)), 3)
        ratios[names[1]] = round(float(np.exp(-median / 2)), 3)
        frames = max(frames, len(used))
        medians = group_medians(values[used], np.unique(outing[used], return_inverse=True)[1])
        if len(shown) < _FEW or len(medians) < FEWEST:
            continue
        counts.append(len(shown))
        worse = names[1] if median > 0 else names[0]
        below, above = _shares_below(medians, np.array([-_RELEVANT, _RELEVANT])).tolist()
        beyond = below if median < 0 else 1 - above
        alike_shares[" and ".join(names)] = above - below
        if abs(median) > _RELEVANT:
            decentred.append((beyond, worse))
    if frames == 0:
        return None
    verdict, confidence = "cannot tell", None
    # Any side looked at might have come out the softer one (Bonferroni).
    sure = [(1 - 2 * len(counts) * (1 - beyond), worse) for beyond, worse in decentred]
    if sure and max(sure)[0] >= CONFIDENCE:
        confidence, worse = max(sure)
        verdict = f"probably decentred: the {worse} side is softer in frame after frame"
    elif alike_shares and min(alike_shares.values()) >= CONFIDENCE:
        pair = next(iter(alike_shares)) if len(alike_shares) == 1 else "sides"
        verdict, confidence = f"{pair} alike", min(alike_shares.values())
    return {
        "verdict": verdict, "confidence": None if confidence is None else round(confidence, 3),
        "frames": max(counts, default=frames), "left": ratios["left"], "right": ratios["right"], "top": ratios["top"],
        "bottom": ratios["bottom"],
    }  # fmt: skip


def _shares_below(medians: Floats, limits: Floats) -> Floats:
    """Probability, by Student's t, that what outings share lies below some limits."""
    error = float(medians.std(ddof=1)) / np.sqrt(len(medians))
    return np.asarray(stdtr(len(medians) - 1, (limits - medians.mean()) / max(error, 1e-9)))
