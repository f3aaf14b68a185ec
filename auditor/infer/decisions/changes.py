"""Has it changed? Sharpness, sides, noise and hot pixels of each lens and body over the years.

Every quantity is freed of what aperture and focal length (or ISO and exposure time) do to it, then
searched for the one date at which it changed most (`scan`). What is reported remains significant among
all quantities of all lenses; where nothing changed nothing is reported.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.exposure import f_number_place
from auditor.infer.bodies.observe import LONG_EXPOSURE_S
from auditor.infer.criteria import Criteria
from auditor.infer.decisions.common import MOST_FRAMES, date_of, holm, iso_day
from auditor.infer.decisions.scan import (
    UPPER,
    Candidate,
    Change,
    Series,
    estimate_change,
    most_likely_change,
)
from auditor.infer.enough import FEW_FRAMES, FEWEST, LEAST_SHARE
from auditor.infer.frame_values import days, evenly, log_sharpness, usable
from auditor.infer.lenses.grouping import of_commonest_size
from auditor.model import GearChange
from auditor.record import TONE_SIGNALS, UPRIGHT, tone_column
from auditor.record.values import name_combinations, numbers, rows_by_names, words

__all__ = ["find_changes"]

Block = Mapping[str, Any]
Floats = NDArray[np.float64]
Rows = NDArray[np.int64]

_LEAST: Final = {"sharpness": 0.03, "sides": 0.03, "noise": 0.08, "hot pixels": 0.4}
"""Least size (log) that is reported: below, a change would not be seen, and habits make as much."""
_FOCAL_STEP: Final = 0.15
"""Step of ln focal length within which a zoom's frames are taken for one focal length."""
_PLACES: Final = ("centre", "left", "right", "top", "bottom")
_WHOLE_SHARE: Final = 0.75
"""Share of a place's change from which the whole frame's, at the same time, is told first: a side that alone gets
softer moves the mean of the five places by half as much at most, for its corners belong to two sides."""
_LIKE_DEVELOPMENT: Final = {
    "raw": "",
    "camera": "; the camera's sharpening or noise reduction, set otherwise, would look alike",
}
"""What else than the gear may have changed all of a frame, by kind of file: raw files hold what the sensor saw."""
_OTHER_DEVELOPMENT: Final = "; another development would look alike"


@dataclass(frozen=True, slots=True)
class _Test:
    subject: Mapping[str, str | None]
    kind: str
    place: str
    series: Series
    source: str = "raw"
    """Kind of file."""


def find_changes(
    frames: pd.DataFrame, lenses: Sequence[Block], criteria: Criteria
) -> list[GearChange]:
    """Changes of lenses and bodies over time that remain significant, the clearest first.

    Each quantity (sharpness of a place, ratio of sides, noise, hot pixels) is freed of what settings do to it
    and searched for one change point (`most_likely_change`); p-values of all series are corrected for
    multiple testing (`holm`), and changes smaller than `_LEAST` are dropped.

    Parameters
    ----------
    frames : DataFrame
        Frame table: `record.COLUMNS` and the columns of `crawl.relate`.
    lenses : sequence of mapping
        The profile's `lenses`: which names have several copies.
    criteria : Criteria
        Interval and seed.

    Returns
    -------
    list of GearChange
        Each has lens (None for the body's own), body, converter, lens_serial, `what` ("sharpness", "sides",
        "noise", "hot pixels"), `place`, `date` with date_low and date_high (ISO 8601 days), `change` with low
        and high (as a share), frames_before, frames_after, `p`, `also` (what else moved at that time, in
        words) and `text`.
    """
    day, outing = days(frames), numbers(frames, "outing")
    good = usable(frames) & np.isfinite(day) & np.isfinite(outing)
    found = []
    for test in (*_lens_tests(frames, day, good), *_body_tests(frames, day, good)):
        candidate = most_likely_change(test.series, criteria.seed)
        if candidate is not None:
            found.append((test, candidate))
    reported = [
        (test, change) for test, change in _significant(found, criteria) if _relevant(test, change)
    ]
    reported.sort(key=lambda t: -abs(t[1].size) / max(t[1].high - t[1].low, 1e-6))
    whole = [(test, change) for test, change in reported if test.place == "frame"]
    reported.sort(key=lambda t: any(_seen_in_one_place(t, of) for of in whole))
    copies = {(lens["lens"], lens.get("lens_serial")) for lens in lenses}
    entries: list[tuple[_Test, Change, GearChange]] = []
    for test, change in reported:
        # What else moved at the same time is the same change seen from another place.
        earlier = next((e for t, c, e in entries if _same_change(test, change, t, c)), None)
        if earlier is None:
            entries.append((test, change, _entry(test, change, copies)))
        else:
            possible = _also_possible(test)
            known = any(possible in said for said in (earlier["text"], *earlier["also"]))
            earlier["also"].append(_what(test, change) + ("" if known else possible))
    return [e for _, _, e in entries]


def _significant(
    found: Sequence[tuple[_Test, Candidate]], criteria: Criteria
) -> list[tuple[_Test, Change]]:
    """Those that remain significant after correction for multiple testing, the smallest p-value first."""
    ordered = sorted(found, key=lambda t: t[1].p)
    rejected = ordered[: holm([candidate.p for _, candidate in ordered])]
    return [(test, estimate_change(candidate, criteria.interval)) for test, candidate in rejected]


def _same_change(test: _Test, change: Change, other: _Test, earlier: Change) -> bool:
    """Whether two changes are one: same lens or body, dates that may be the same."""
    overlap = change.day_low <= earlier.day_high and earlier.day_low <= change.day_high
    return test.subject == other.subject and overlap


def _seen_in_one_place(found: tuple[_Test, Change], whole: tuple[_Test, Change]) -> bool:
    """Whether a place's change is what the whole frame shows at that time."""
    same = found[0].place in _PLACES and _same_change(*found, *whole)
    return same and whole[1].size / found[1].size >= _WHOLE_SHARE


def _relevant(test: _Test, change: Change) -> bool:
    """Whether size and the whole interval lie beyond the least size, on one side."""
    least, sign = _LEAST[test.kind], math.copysign(1, change.size)
    return abs(change.size) > least and min(sign * change.low, sign * change.high) > least / 2


def _lens_tests(frames: pd.DataFrame, day: Floats, good: NDArray[np.bool_]) -> Iterator[_Test]:
    with np.errstate(invalid="ignore", divide="ignore"):
        stops = np.round(f_number_place(numbers(frames, "f_number")))
        lengths = np.round(np.log(numbers(frames, "focal_length_mm")) / _FOCAL_STEP)
    lengths = np.where(np.isfinite(lengths), lengths, 0)
    value = {p: log_sharpness(frames, p) for p in _PLACES}
    outing, upright = numbers(frames, "outing"), numbers(frames, "orientation") >= UPRIGHT
    source = words(frames, "source", "unknown")
    keys = ("lens", "body", "converter", "lens_serial")
    for subject, rows in _groups(frames, good & np.isfinite(stops), keys):
        test = partial(_series, day, outing, (stops, lengths), rows)
        own = pd.DataFrame({p: value[p][rows] for p in _PLACES})
        # Freed of the aperture at once: a regression that begins far from it would take slow apertures for failures.
        freed = own - own.groupby(stops[rows]).transform("quantile", UPPER)
        # The whole frame is the mean of those that are known of it, where three or more are.
        freed["frame"] = freed.mean(axis=1).where(freed.count(axis=1) >= FEWEST)
        for place in freed:
            series = test(freed[place].to_numpy(), sharp=True)
            yield _Test(subject, "sharpness", str(place), series, source[rows[0]])
        # Foreground at the bottom of a scene softens that side of a centred lens too: left and right are
        # compared on frames held level, top and bottom on frames held upright.
        for one, other, held in (("left", "right", ~upright), ("top", "bottom", upright)):
            sides = (own[one] - own[other]).where(held[rows]).to_numpy()
            yield _Test(subject, "sides", f"{one} and {other}", test(sides))


def _series(
    day: Floats, outing: Floats, factors: Sequence[Floats], rows: Rows, figure: Floats,
    sharp: bool = False,
) -> Series:  # fmt: skip
    """The series of a figure (len(rows),) of some frames, where it is known; all else by frame."""
    known = np.flatnonzero(np.isfinite(figure))
    known = known[evenly(len(known), MOST_FRAMES)]
    here = rows[known]
    codes = [factor[here].astype(np.int64) for factor in factors]
    return Series(day[here], figure[known], outing[here].astype(np.int64), codes, sharp)


def _body_tests(frames: pd.DataFrame, day: Floats, good: NDArray[np.bool_]) -> Iterator[_Test]:
    iso, seconds = numbers(frames, "iso"), numbers(frames, "exposure_time_s")
    with np.errstate(invalid="ignore", divide="ignore"):
        speed = np.round(3 * np.log2(iso / 100))
        time = np.round(np.log2(seconds)).astype(float)
        noise = [np.log(numbers(frames, f"{tone_column(s)}_sigma")) for s in TONE_SIGNALS]
    source, hot = words(frames, "source", "unknown"), numbers(frames, "hot_pixels")
    outing = numbers(frames, "outing")
    for subject, rows in _groups(frames, good & np.isfinite(speed), ("body", "body_serial")):
        short = rows[~(seconds[rows] >= LONG_EXPOSURE_S)]
        tones = pd.DataFrame(np.stack([n[short] for n in noise], axis=1))
        tones = tones.where(np.isfinite(tones))
        # Less what is usual at that ISO and tone; tones that a frame lacks make it no noisier.
        unusual = tones - tones.groupby(speed[short]).transform("median")
        series = _series(day, outing, (), short, unusual.mean(axis=1).to_numpy())
        yield _Test(subject, "noise", "", series, source[rows[0]])
        count = np.where(np.isfinite(time[rows]), np.log1p(hot[rows]), np.nan)
        series = _series(day, outing, (speed, time), rows, count)
        if (series.value > 0).sum() >= LEAST_SHARE * len(series.value):
            yield _Test(subject, "hot pixels", "", series)


def _groups(
    frames: pd.DataFrame, good: NDArray[np.bool_], keys: tuple[str, ...]
) -> Iterator[tuple[dict[str, str | None], Rows]]:  # fmt: skip
    """Rows of each named subject in the kind of file and the size of picture that it has most of: a cycle per
    pixel and a place in the frame, noise and hot pixels of a picture mean something else at another size,
    and its sides something else where a program has turned the pixels. What is unknown of a frame is taken to be
    as in most."""
    kind = name_combinations(frames, ("source",))[0]
    with np.errstate(invalid="ignore", divide="ignore"):
        names = ("width_px", "height_px", "pixel_pitch_um")
        sizes = [np.log(numbers(frames, name)) for name in names]
    for key, rows in rows_by_names(frames, keys).items():
        own = rows[good[rows]]
        if key[0] and len(own):
            own = own[kind[own] == np.bincount(kind[own]).argmax()]
            for size in sizes:
                own = own[of_commonest_size(size[own])]
            if len(own) >= 2 * FEW_FRAMES:
                yield {k: v or None for k, v in zip(keys, key, strict=True)}, own


def _entry(
    test: _Test, change: Change, copies: Collection[tuple[str | None, str | None]]
) -> GearChange:
    """What to tell of it; `copies`: lens and serial where one name has several copies."""
    of = test.subject.get("lens"), test.subject.get("lens_serial")
    size, low, high = change.shares
    return {
        "lens": test.subject.get("lens"),
        "body": test.subject.get("body"),
        "converter": test.subject.get("converter"),
        "lens_serial": of[1] if of in copies else None,
        "what": test.kind,
        "place": test.place or None,
        "date": iso_day(change.day),
        "date_low": iso_day(change.day_low),
        "date_high": iso_day(change.day_high),
        "change": round(size, 3),
        "low": round(low, 3),
        "high": round(high, 3),
        "frames_before": change.before,
        "frames_after": change.after,
        "p": change.p,
        "also": [],
        "text": f"{_when(change)} {_what(test, change)}, {change.after} frames since, "
        f"{change.before} before{_also_possible(test)}",
    }


def _also_possible(test: _Test) -> str:
    """What else than the gear may have done it; '' for what no development does, as to one side alone."""
    if test.kind == "noise" or (test.kind == "sharpness" and test.place in ("frame", "centre")):
        return _LIKE_DEVELOPMENT.get(test.source, _OTHER_DEVELOPMENT)
    return ""


def _when(change: Change) -> str:
    low, high = date_of(change.day_low), date_of(change.day_high)
    if change.day_high - change.day_low <= 100:
        return f"Since about {date_of(change.day):%B %Y}"
    return f"Since some time between {low:%B %Y} and {high:%B %Y}"


def _what(test: _Test, change: Change) -> str:
    """What changed and by how much, with the interval."""
    size, low, high = change.shares
    if test.kind == "hot pixels":
        more = "more" if size > 0 else "fewer"
        factors = f"{1 + size:.1f} (90% interval {1 + low:.1f} to {1 + high:.1f})"
        return f"there are {more} hot pixels, by a factor of {factors}"
    if test.kind == "sides":
        soft, other = test.place.split(" and ")
        if size > 0:  # told as what the second lost
            size, low, high = (1 - 1 / (1 + v) for v in (size, low, high))
            soft, other = other, soft
        told = f"the {soft} side is {{}} softer against the {other} one than before"
    elif test.kind == "noise":
        told = f"noise at the same ISO is {{}} {'stronger' if size > 0 else 'weaker'}"
    else:
        place = {"centre": "centre", "frame": "whole frame"}.get(test.place, f"{test.place} side")
        told = f"the {place} is {{}} {'softer' if size < 0 else 'sharper'}"
    near, far = sorted((abs(low), abs(high)))
    return f"{told.format(f'{abs(size):.0%}')} (90% interval {near:.0%} to {far:.0%})"
