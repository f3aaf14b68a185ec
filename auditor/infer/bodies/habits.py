"""Exposure habits that cost noise, as shares of the frames that could be judged."""

from __future__ import annotations

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
from auditor.infer.lenses.scene_groups import grey_means
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
STATIC_DIFFERENCE: Final = 6.0
"""if their signatures (standard deviation 48) differ by no more than this in the mean."""

HEADROOM_LOG2: Final = -2.0
"""Underexposed: less than one pixel in 500 lies above this (two stops under white)."""


def _entry(body: str, habit: str, hits: NDArray[np.bool_], share: float, text: str) -> Habit:
    low, high = share_interval(int(hits.sum()), len(hits), share)
    return {
        "body": body, "habit": habit, "frames": int(hits.sum()), "of": len(hits),
        "share": float(hits.mean()), "low": low, "high": high, "text": text,
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
    time of nearly the same signature."""
    out = np.zeros(len(seconds), bool)
    order = np.argsort(seconds, kind="stable")
    first = np.flatnonzero(np.diff(seconds[order]) <= STATIC_SECONDS)  # unknown times come last
    # Piece by piece: the text of a million signatures weighs as much as all else.
    for start in range(0, len(first), CHUNK):
        at = first[start : start + CHUNK]
        similar = _similar(signature, rows[order[at]], rows[order[at + 1]])
        out[order[at[similar]]] = out[order[at[similar] + 1]] = True
    return out


def _similar(
    signature: pd.Series, one: NDArray[np.int64], other: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Pairs of rows whose signatures differ by no more than `STATIC_DIFFERENCE` in the mean."""
    rows, place = np.unique(np.concatenate([one, other]), return_inverse=True)
    known, grey = grey_means(signature.iloc[rows])
    means = np.full((len(rows), grey.shape[1]), np.nan, np.float32)
    means[known] = grey
    first, second = means[place[: len(one)]], means[place[len(one) :]]
    return np.asarray(np.abs(first - second).mean(axis=1) <= STATIC_DIFFERENCE)


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
    if not len(frames):
        return out
    lifted = lifts(frames)
    for body, rows in lifted.groupby("body"):
        hits = (rows["lift"] >= LIFT_STOPS).to_numpy(bool)
        stops = float(rows["lift"][hits].median()) if hits.any() else None
        text = (
            "of the edited files are brighter than their original by two thirds of a stop or "
            "more, beyond this body's usual development"
        )
        out.append({**_entry(str(body), "lifted", hits, share, text), "lifted_stops": stops})
    judged = flags(frames, "best", True) & (frames["status"] == "measured").to_numpy(bool)
    judged &= frames["source"].isin(KINDS).to_numpy() & frames["body"].notna().to_numpy()
    place = np.flatnonzero(judged)
    rows = frames[[c for c in _HABIT_COLUMNS if c in frames]].iloc[place]
    figures = pd.DataFrame({n: numbers(rows, n) for n in _FIGURES})
    figures["white"], figures["taken"] = (
        signal_quantile(histograms(frames, place), BRIGHTEST),
        days(rows) * DAY_S,
    )
    signature = texts(frames, "signature")
    bodies = words(rows, "body")
    for name, at in pd.Series(place).groupby(bodies).indices.items():
        body, own = str(name), figures.iloc[at]
        static = _static(own["taken"].to_numpy(), signature, place[at])
        out += _headroom(body, own, share) + _spare(body, own, static, excellent_iso, share)
    return out


def _headroom(body: str, rows: pd.DataFrame, share: float) -> list[Habit]:
    white, iso = rows["white"].to_numpy(), rows["iso"].to_numpy()
    known = np.isfinite(white) & np.isfinite(iso)
    if not known.any():
        return []
    raised = known & (iso > np.nanmin(iso[known]) * 2**HALF_THIRD)
    if not raised.any():
        return []
    hits = white[raised] < HEADROOM_LOG2
    text = (
        "of the frames above the lowest ISO are darker than they had to be: even their brightest "
        "places lie two stops or more under white"
    )
    return [_entry(body, "underexposed", hits, share, text)]


def _spare(
    body: str,
    rows: pd.DataFrame,
    static: NDArray[np.bool_],
    excellent_iso: dict[tuple[str, str], float | None],
    share: float,
) -> list[Habit]:
    iso, light, spare = rows["iso"].to_numpy(), rows["ev100"].to_numpy(), -shutter_stops(rows)
    judged = static & np.isfinite(spare) & np.isfinite(iso) & np.isfinite(light)
    if not judged.any():
        return []
    band = bands_of(light[judged])
    limit = np.full(len(band), np.inf)
    for key in np.unique(band):
        highest = excellent_iso.get((body, str(key)))
        if highest is not None:
            limit[band == key] = highest
    above = iso[judged] > limit
    text = (
        "of the frames of scenes that stood still are at a higher ISO than is excellent in their "
        "light, though the shutter could have stayed open four times as long by the rule of "
        "1 / focal length in full-frame terms"
    )
    return [_entry(body, "time to spare", above & (spare[judged] >= SPARE_STOPS), share, text)]
