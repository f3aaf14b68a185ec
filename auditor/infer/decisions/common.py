"""What the decisions share: frames that count, days, errors from intervals, words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import numpy as np
import pandas as pd

from auditor.infer.enough import SAMPLED
from auditor.infer.frame_values import usable
from auditor.infer.lenses.grouping import SAME_PITCH, cut_out, whole_field
from auditor.record.values import numbers, rows_by_names, words
from auditor.robust import half_width

__all__ = [
    "LEAST_ERROR",
    "MOST_FRAMES",
    "SHUFFLES",
    "ZONES",
    "date_of",
    "focal_text",
    "holm",
    "interval_about",
    "iso_day",
    "lens_text",
    "log_error",
    "picture_sizes",
]  # fmt: skip

Block = Mapping[str, Any]

_FAMILY_ERROR: Final = 0.05
"""Family-wise error rate: share of archives in which anything may be reported by chance alone, for one kind of
decision, over all lenses and bodies."""
SHUFFLES: Final = 10_000
"""Shuffles of outings, or of their signs, behind a p-value at most: one of one in some thousands must remain significant
among a hundred tests."""
MOST_FRAMES: Final = 20 * SAMPLED
"""Frames of a lens or body that stand for all, evenly over its time: twenty for each scene or outing that is used
(a choice; with more, changes and scenes take longer than all else)."""
ZONES: Final = ("centre", "corner")
"""Zones that decisions compare: between them lies the rest."""
LEAST_ERROR: Final = 1e-4
"""Least standard error of a log: intervals are rounded."""


def date_of(day: float) -> datetime:
    """The date of so many days since 1970."""
    return datetime.fromtimestamp(0, UTC).replace(tzinfo=None) + timedelta(days=day)


def iso_day(day: float) -> str:
    """ISO 8601 day of so many days since 1970."""
    return date_of(day).strftime("%Y-%m-%d")


def picture_sizes(
    frames: pd.DataFrame, lenses: Sequence[Block] = ()
) -> dict[tuple[str, str], tuple[int, int]]:
    """Usual size of the pictures of each body and lens.

    Parameters
    ----------
    frames : DataFrame
        Columns `body`, `lens`, `width_px`, `height_px`, `source`, `pixel_pitch_um`, and those of `usable` and
        `cut_out`.
    lenses : sequence of mapping, optional
        The profile's `lenses`: sizes are those of the kind of file and the pixel pitch that their curves are
        drawn from, whose pixels the cycles per pixel are of.

    Returns
    -------
    dict of tuple of int
        (body, lens) -> median long and short side in pixels.
    """
    sides = np.stack([numbers(frames, "width_px"), numbers(frames, "height_px")])
    table = pd.DataFrame({"long": sides.max(0), "short": sides.min(0)})
    table["source"] = words(frames, "source", "unknown")
    known = usable(frames) & table[["long", "short"]].notna().all(axis=1).to_numpy()
    table["pitch"], table["part"] = numbers(frames, "pixel_pitch_um"), cut_out(frames)
    # Of copies of a lens, and of a lens with its converter, the one with most frames comes last.
    drawn = {(e["body"], e["lens"]): e for e in sorted(lenses, key=lambda e: e.get("frames") or 0)}
    out = {}
    for names, rows in rows_by_names(frames, ("body", "lens")).items():
        own = table.iloc[rows[known[rows]]]
        key = names[0] or "unknown body", names[1] or "unknown lens"
        if (entry := drawn.get(key)) is not None:
            same_file = own["source"] == entry["source"]
            if pitch := entry["pixel_pitch_um"]:
                with np.errstate(divide="ignore"):
                    same_file &= ~(np.abs(np.log(own["pitch"] / pitch)) >= SAME_PITCH)
            own = own[same_file] if same_file.any() else own
        if len(own):
            own = own[whole_field(own["part"].to_numpy())]
            out[key] = int(own["long"].median()), int(own["short"].median())
    return out


def log_error(figure: Block, share: float) -> float:
    """Standard error of the log of a figure, from its interval.

    Parameters
    ----------
    figure : mapping
        With `low` and `high`.
    share : float
        Share of the truth that the interval is meant to hold.

    Returns
    -------
    float
        At least `LEAST_ERROR`.
    """
    low, high = max(float(figure["low"]), 1e-6), max(float(figure["high"]), 1e-6)
    return max(math.log(high / low) / (2 * half_width(share)), LEAST_ERROR)


def interval_about(value: float, error: float, share: float) -> tuple[float, float]:
    """Interval of a normal error.

    Parameters
    ----------
    value, error : float
        Middle and standard error.
    share : float
        Share of the truth that it is meant to hold.

    Returns
    -------
    low, high : float
        Its ends.
    """
    half = half_width(share) * error
    return value - half, value + half


def holm(p_values: Sequence[float]) -> int:
    """How many of several tests are significant, by Holm's step-down correction.

    The chance of any false one among them is `_FAMILY_ERROR` at most.

    Parameters
    ----------
    p_values : sequence of float
        Ascending.

    Returns
    -------
    int
        The first so many are.

    References
    ----------
    S. Holm, Scand. J. Statist. 6 (1979).
    """
    for rank, p in enumerate(p_values):
        if p > _FAMILY_ERROR / (len(p_values) - rank):
            return rank
    return len(p_values)


def lens_text(lens: Any, converter: Any, lens_serial: Any) -> str:
    """'Tarn 35 mm + 1.4x (serial 111)': the lens as told apart from others of its name."""
    with_converter = f"{lens} + {converter}" if converter else f"{lens}"
    return f"{with_converter} (serial {lens_serial})" if lens_serial else with_converter


def focal_text(focal_mm: Any) -> str:
    """'35 mm', '24 to 70 mm', or nothing where no focal length is known."""
    if not focal_mm:
        return ""
    low, high = round(focal_mm[0]), round(focal_mm[1])
    return f"{low} mm" if low == high else f"{low} to {high} mm"
