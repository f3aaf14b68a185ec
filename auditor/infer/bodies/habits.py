"""Exposure habits that cost noise, as shares of the frames that could be judged."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.bodies.bands import bands_of
from auditor.infer.bodies.observe import KINDS, UNKNOWN_BODY
from auditor.infer.bodies.visible import HALF_THIRD
from auditor.infer.enough import CHUNK
from auditor.infer.frame_values import (
    DAYS,
    days,
    histograms,
    shutter_stops,
    signal_quantile,
)
from auditor.infer.lenses.scene_groups import read_signatures
from auditor.model import Habit
from auditor.record.values import flags, numbers, texts, words
from auditor.robust import share_interval
from auditor.units import DAY_S

__all__ = ["BRIGHTEST", "HEADROOM_LOG2", "LIFT_STOPS", "SPARE_STOPS", "find_habits", "lifts"]

Floats = NDArray[np.float64]

LIFT_STOPS: Final = 2 / 3
"""A file brightened by this much over the body's usual development counts as lifted."""

SPARE_STOPS: Final = 2.0
"""Shutter time to spare: the exposure could have been so many stops longer by the rule of one over
the focal length (common practice, no source); nothing is left of the shutter's risk there."""

_FIGURES: Final = (
    *("iso", "exposure_time_s", "focal_length_mm", "focal_35mm", "ev100", "flash"),
    *("width_px", "height_px", "pixel_pitch_um"),
)
_HABIT_COLUMNS: Final = ("body", "taken", DAYS, *_FIGURES)
BRIGHTEST: Final = 0.998
"""One pixel in 500 lies above this quantile of the signal: lamps and sparkles are passed over."""

STATIC_SECONDS: Final = 120.0
"""Two frames within so many seconds may show a scene that stood still,"""
STILL: Final = 0.99
"""if their signatures correlate by more than this: differences are then a seventh of the picture's own contrast. One
scene is less: in it a figure on a twentieth of the frame may walk."""
HEADROOM_LOG2: Final = -2.0
"""Underexposed: less than one pixel in 500 lies above this (two stops under white)."""


_TEXTS: Final = {
    "lifted": (
        "of the edited files are brighter than their original by two thirds of a stop or "
        "more, beyond this body's usual development"
    ),
    "underexposed": (
        "of the frames above the lowest ISO are darker than they had to be: even their brightest "
        "places lie two stops or more under white"
    ),
    "time to spare": (
        "of the frames of scenes that stood still are at a higher ISO than is excellent in their "
        "light, though the shutter could have stayed open four times as long by the rule of "
        "1 / focal length in full-frame terms"
    ),
}
"""What a habit's share is of."""


def _entry(
    body: str, habit: str, judged: pd.Series | NDArray[np.bool_], share: float
) -> Iterator[Habit]:
    """The habit's share among the frames that could be judged, if any; `judged`: whether each has it."""
    of, hits = len(judged), int(judged.sum())
    if of:
        low, high = share_interval(hits, of, share)
        yield {
            "body": body, "habit": habit, "frames": hits, "of": of, "share": hits / of,
            "low": low, "high": high, "text": _TEXTS[habit],
        }  # fmt: skip


def lifts(frames: pd.DataFrame) -> pd.DataFrame:
    """Brightening of edited files against the raw or camera file of the same capture.

    Parameters
    ----------
    frames : DataFrame
        Columns `status`, `capture`, `source`, `body` and `SHARE_COLUMNS`.

    Returns
    -------
    DataFrame
        Index of the edited rows; columns `body` and `lift`, stops between the medians of the two
        files' signals, less the body's median lift from that kind of file (a raw file without its tone curve
        is darker than any developed one). Of fewer than four pairs from a camera file nothing is taken off;
        such pairs from raw files are left out.
    """
    table = pd.DataFrame(
        {"source": words(frames, "source"), "body": words(frames, "body", UNKNOWN_BODY)},
        frames.index, dtype=object,
    ).assign(capture=numbers(frames, "capture"))  # fmt: skip
    usable = (words(frames, "status") == "measured") & table["capture"].notna()
    # Only captures that have an edited file can tell, as a rule a small part of all.
    edited = table["capture"][usable & (table["source"] == "edited")]
    rows = np.flatnonzero(usable & table["capture"].isin(edited))
    table = table.iloc[rows].assign(middle=signal_quantile(histograms(frames, rows), 0.5))
    table = table.dropna(subset="middle")
    originals = table[table["source"].isin(["raw", "camera"])]
    originals = originals.sort_values("source", ascending=False, kind="stable")
    originals = originals.drop_duplicates("capture").set_index("capture").add_suffix("_original")
    out = table[table["source"] == "edited"].join(originals, on="capture")
    out = out.dropna(subset="middle_original")
    out["lift"] = out["middle"] - out["middle_original"]
    by_group = out.groupby(["body", "source_original"])["lift"]
    usual, few = by_group.transform("median"), by_group.transform("size") < 4
    # From a camera file the usual lift is about none; from raw it must come from enough pairs.
    out["lift"] -= usual.where(~few, 0.0)
    return out.loc[~(few & (out["source_original"] == "raw")), ["body", "lift"]]


def _static(seconds: Floats, signature: pd.Series, rows: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Of some rows of a table, their times (n,) and the signatures of all of it: those with a neighbour in
    time of nearly the same picture."""
    out = np.zeros(len(seconds), bool)
    order = np.argsort(seconds, kind="stable")
    first = np.flatnonzero(np.diff(seconds[order]) <= STATIC_SECONDS)  # unknown times come last
    # Piece by piece: the text of a million signatures weighs as much as all else.
    for start in range(0, len(first), CHUNK):
        at = first[start : start + CHUNK]
        one, other = (read_signatures(signature.iloc[rows[order[at + k]]]) for k in (0, 1))
        similar = (one * other).sum(axis=1) > STILL
        out[order[at[similar]]] = out[order[at[similar] + 1]] = True
    return out


def find_habits(
    frames: pd.DataFrame, excellent_iso: dict[tuple[str, str], float | None], share: float
) -> list[Habit]:
    """Shares of frames with a habit of exposure that costs noise, per body; only what could be judged counts.

    Parameters
    ----------
    frames : DataFrame
        Frame table: `record.COLUMNS` and the columns of `crawl.relate`.
    excellent_iso : dict
        (body, band key) -> highest ISO that is excellent there, None where none is.
    share : float
        Share of the truth that intervals are meant to hold (Wilson's, `robust.share_interval`).

    Returns
    -------
    list of Habit
        `habit` is 'lifted' (brightened in editing), 'underexposed' (headroom unused above the lowest ISO) or
        'time to spare' (a higher ISO than needed for a scene that stood still); `frames` of `of` have it.
    """
    out: list[Habit] = []
    for body, rows in lifts(frames).groupby("body"):
        hits = (rows["lift"] >= LIFT_STOPS).to_numpy(bool)
        out += _entry(str(body), "lifted", hits, share)
    judged = flags(frames, "best", True) & (words(frames, "status") == "measured")
    source, body_of = words(frames, "source"), words(frames, "body")
    place = np.flatnonzero(judged & np.isin(source, KINDS) & (body_of != ""))
    rows = frames[[c for c in _HABIT_COLUMNS if c in frames]].iloc[place]
    figures = pd.DataFrame({n: numbers(rows, n) for n in _FIGURES})
    figures["white"] = signal_quantile(histograms(frames, place), BRIGHTEST)
    figures["taken"] = days(rows) * DAY_S
    figures["spare"], figures["band"] = -shutter_stops(rows), bands_of(figures["ev100"].to_numpy())
    signature = texts(frames, "signature")
    for name, at in pd.Series(place).groupby(body_of[place]).indices.items():
        body, own = str(name), figures.iloc[at]
        known = own["white"].notna() & own["iso"].notna()
        raised = known & (own["iso"] > own["iso"][known].min() * 2**HALF_THIRD)
        out += _entry(body, "underexposed", own["white"][raised] < HEADROOM_LOG2, share)
        static = _static(own["taken"].to_numpy(), signature, place[at])
        timed = own[static & own[["spare", "iso", "ev100"]].notna().all(axis=1)]
        limits = {key: iso for (of, key), iso in excellent_iso.items() if of == body and iso}
        above = timed["iso"] > timed["band"].map(limits).astype(float).fillna(np.inf)
        out += _entry(body, "time to spare", above & (timed["spare"] >= SPARE_STOPS), share)
    return out
