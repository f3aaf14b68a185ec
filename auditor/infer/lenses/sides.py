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

from auditor.infer.criteria import DRAWS
from auditor.infer.frame_values import log_sharpness
from auditor.model import Sides
from auditor.record import SIDES, UPRIGHT
from auditor.record.values import numbers

__all__ = ["SideTable", "judge_sides", "read_sides"]

Floats = NDArray[np.float64]

_RELEVANT: Final = 0.04
"""Log ratio between opposite sides from which a difference would be seen."""
_CONFIDENCE: Final = 0.95
"""Share of resampled archives that must agree before a verdict on sides is given."""
_FEW: Final = 8
"""Frames with two opposite sides below which nothing is said."""
_MOST: Final = 4000
"""Frames beyond which a random sample is taken."""
_OUTINGS: Final = 6
"""Outings from which they are resampled, not frames."""
_FEWEST_OUTINGS: Final = 3
"""Outings below which their scatter says next to nothing, and no verdict is given."""


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
    sides: SideTable, rows: NDArray[np.int64], outing: NDArray[np.int64], seed: int
) -> Sides | None:
    """Whether a lens is decentred: one side softer than its opposite in outing after outing.

    Medians of log ratios over frames, with a bootstrap of outings (Student's t over their medians where outings
    are few).

    Parameters
    ----------
    sides : SideTable
        Of all frames.
    rows : ndarray of int64, shape (n,)
        Positions of inlier frames.
    outing : ndarray of int64, shape (frames,)
        Outing of every frame of the table.
    seed : int
        Seed of the bootstrap.

    Returns
    -------
    Sides or None
        `confidence` is the share of resampled archives that agree; a side's ratio is its MTF50 over the
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
        median, draws, judged_count = _median(values[judged], outing[judged], seed)
        count = judged_count
        if judged_count < _FEW:
            median, _, count = _median(values[rows], outing[rows], seed)
        if count < _FEW:
            continue
        ratios[names[0]] = round(float(np.exp(median / 2)), 3)
        ratios[names[1]] = round(float(np.exp(-median / 2)), 3)
        frames = max(frames, count)
        if judged_count < _FEW or np.isnan(draws).any():
            continue
        counts.append(judged_count)
        worse = names[1] if median > 0 else names[0]
        beyond = float((np.sign(median) * draws > _RELEVANT).mean())
        alike_shares[" and ".join(names)] = float((np.abs(draws) <= _RELEVANT).mean())
        if abs(median) > _RELEVANT and beyond >= _CONFIDENCE:
            decentred.append((beyond, worse))
    if frames == 0:
        return None
    verdict, confidence = "cannot tell", None
    if decentred:
        confidence, worse = max(decentred)
        verdict = f"probably decentred: the {worse} side is softer in frame after frame"
    elif alike_shares and min(alike_shares.values()) >= _CONFIDENCE:
        pair = next(iter(alike_shares)) if len(alike_shares) == 1 else "sides"
        verdict, confidence = f"{pair} alike", min(alike_shares.values())
    return {
        "verdict": verdict, "confidence": None if confidence is None else round(confidence, 3),
        "frames": max(counts, default=frames), "left": ratios["left"], "right": ratios["right"], "top": ratios["top"],
        "bottom": ratios["bottom"],
    }  # fmt: skip


def _median(values: Floats, outing: NDArray[np.int64], seed: int) -> tuple[float, Floats, int]:
    """Median, its draws by resampling outings (of few by Student's t over their medians), and count."""
    known = ~np.isnan(values)
    values, outing = values[known], outing[known]
    n = len(values)
    if n < _FEW:
        return 0.0, np.zeros(1), n
    rng = np.random.default_rng(seed)
    groups, code = np.unique(outing, return_inverse=True)
    median = float(np.median(values))
    if n > _MOST:
        pick = rng.choice(n, _MOST, replace=False)
        values, n = values[pick], _MOST
        groups, code = np.unique(outing[pick], return_inverse=True)
    if len(groups) < _OUTINGS:
        # Scenes have sides of their own: few outings say what they share by their scatter alone.
        if len(groups) < _FEWEST_OUTINGS:
            return median, np.full(DRAWS, np.nan), n
        medians = np.array([np.median(values[code == i]) for i in range(len(groups))])
        error = float(medians.std(ddof=1)) / np.sqrt(len(groups))
        return median, medians.mean() + error * rng.standard_t(len(groups) - 1, DRAWS), n
    order = np.argsort(values)
    values, code = values[order], code[order]
    picks = rng.integers(0, len(groups), (DRAWS, len(groups)))
    picks += len(groups) * np.arange(DRAWS)[:, None]
    weight = np.bincount(picks.ravel(), minlength=picks.size).reshape(picks.shape)
    below = np.cumsum(weight[:, code], axis=1)
    draws = values[(below >= below[:, -1:] / 2).argmax(1)]
    return median, draws, n
