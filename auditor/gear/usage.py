"""What counts as the user's gear, by use: how many frames, over how long, with what kind of camera."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.exposure import SAME_F_NUMBER
from auditor.gear.gear_file import Chosen, names_one_of
from auditor.model import Gear, Use
from auditor.model.profile import Role
from auditor.record.values import numbers, rows_by_names, texts
from auditor.units import DAY_CHARACTERS

__all__ = ["IN_USE", "USE_COLUMNS", "gear_in_use"]

Floats = NDArray[np.float64]

IN_USE: Final = "in use"
SHARE: Final = 0.02
"""Share of the archive's frames from which on gear counts as in use (common practice, no source)."""
LASTING: Final = 50
"""So many frames in two calendar years or more count as in use too, however large the archive."""
SINGLE: Final = 5
"""Fewer frames than this show no habit."""
BORROWED_DAYS: Final = 31
"""Gear seen for no longer than this, in an archive of more than a year, was borrowed or tried."""
BORROWED_SHARE: Final = 0.1
"""Unless it took this share of all frames."""
A_YEAR_DAYS: Final = 365
"""Days in a year."""
PHONE_FOCAL_MM: Final = 10.0
"""Phones have lenses shorter than this (real, not full-frame, focal length) ..."""
PHONE_PARALLEL: Final = 0.99
"""... and one aperture at each focal length, in this share of the frames."""
PHONE_WIDE: Final = 1.95
"""So wide are phones alone, where too few frames show whether they have one aperture only."""


_DAY: Final = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
"""A day by ISO 8601."""
USE_COLUMNS: Final = ("body", "lens", "converter", "focal_length_mm", "f_number", "iso", "taken")
"""Columns by which use is judged."""


def gear_in_use(frames: pd.DataFrame, chosen: Chosen) -> Gear:
    """Bodies and lenses with their use, the most used first.

    Parameters
    ----------
    frames : DataFrame
        Columns `USE_COLUMNS`, one row per exposure that is included.
    chosen : Chosen
        What the photographer said of the gear.

    Returns
    -------
    Gear
        `bodies` have body, frames, share, first, last (ISO dates or None), years (calendar years in which
        they were used), iso_low and iso_high (outermost ISO used) and `role`: "in use", "phone", "borrowed",
        "seldom used", "single frames", "not named". `lenses` have the same and lens, converter, body: one
        entry for each combination, as the profile's `lenses`.
    """
    figures = {n: numbers(frames, n) for n in ("iso", "focal_length_mm", "f_number")}
    days = _days_of(frames)
    bodies = _entries(frames, ["body"], figures, days, chosen)
    roles = {b["body"]: b["role"] for b in bodies}
    lenses = _entries(frames, ["lens", "body", "converter"], figures, days, chosen)
    for lens in lenses:
        if roles[lens["body"]] not in (IN_USE, "not named"):
            lens["role"] = roles[lens["body"]]  # a lens is no more in use than the body it sits on
        elif not lens["lens"] and lens["role"] == IN_USE and roles[lens["body"]] != IN_USE:
            lens["role"] = "not named"
    return {"bodies": bodies, "lenses": lenses}


def _days_of(frames: pd.DataFrame) -> tuple[NDArray[np.int64], list[str]]:
    """Number of the day on which each frame was taken, -1 unknown, and the days (ISO 8601), the first first."""
    code, found = pd.factorize(texts(frames, "taken").str.slice(0, DAY_CHARACTERS))
    dates = sorted(str(text) for text in found if _DAY.fullmatch(str(text)))
    number = {date: i for i, date in enumerate(dates)}
    return np.array([*(number.get(str(text), -1) for text in found), -1])[code], dates


def _entries(
    frames: pd.DataFrame,
    keys: Sequence[str],
    figures: Mapping[str, Floats],
    days: tuple[NDArray[np.int64], list[str]],
    chosen: Chosen,
) -> list[Use]:
    total = len(frames)
    day, dates = days
    span = _days(dates[0], dates[-1]) if dates else 0
    year = np.array([int(d[:4]) for d in dates], np.int64)
    iso, focal, f_number = (figures[n] for n in ("iso", "focal_length_mm", "f_number"))
    # Arrays, not tables: hundreds of bodies and lenses, each of few frames; those first seen first.
    groups = sorted(rows_by_names(frames, keys).items(), key=lambda group: group[1][0])
    out: list[Use] = []
    for key, rows in groups:
        known_days = day[rows][day[rows] >= 0]
        isos = iso[rows][~np.isnan(iso[rows])]
        named = {k: name or None for k, name in zip(keys, key, strict=True)}
        entry: Use = {
            "body": named["body"],
            "frames": len(rows),
            "share": round(len(rows) / total, 4),
            "first": dates[known_days.min()] if len(known_days) else None,
            "last": dates[known_days.max()] if len(known_days) else None,
            "years": len(np.unique(year[known_days])),
            "iso_low": _end(isos.min()) if len(isos) else None,
            "iso_high": _end(isos.max()) if len(isos) else None,
        }
        if "lens" in named:
            entry["lens"], entry["converter"] = named["lens"], named["converter"]
        entry["role"] = _role(entry, focal[rows], f_number[rows], span, chosen)
        out.append(entry)
    out.sort(key=lambda e: -e["frames"])
    known = [e for e in out if (e["lens"] if "lens" in e else e["body"])]
    if known and not any(e["role"] == IN_USE for e in out):
        best = next((e for e in known if e["role"] != "phone"), known[0])
        best["role"] = IN_USE  # an archive has at least one camera
    return out


def _role(entry: Use, focal_mm: Floats, f_number: Floats, span_days: int, chosen: Chosen) -> Role:
    own = chosen.my_lenses if "lens" in entry else chosen.my_bodies
    name = entry["lens"] if "lens" in entry else entry["body"]
    if own and names_one_of(pd.Series([name]), own).any():
        return IN_USE
    if not name and not entry.get("body"):
        return "not named"
    if not chosen.phones and is_phone(focal_mm, f_number):
        return "phone"
    if entry["frames"] < SINGLE:
        return "single frames"
    first, last = entry["first"], entry["last"]
    brief = span_days > A_YEAR_DAYS and entry["share"] < BORROWED_SHARE
    if brief and first and last and _days(first, last) <= BORROWED_DAYS:
        return "borrowed"
    lasting = entry["frames"] >= LASTING and entry["years"] >= 2
    return IN_USE if entry["share"] >= SHARE or lasting else "seldom used"


def is_phone(focal_mm: Floats, f_number: Floats) -> bool:
    """Whether the frames of one body look like a phone's: short lenses of one aperture each.

    Parameters
    ----------
    focal_mm, f_number : ndarray of float64, shape (n,)
        Real focal length and aperture, NaN where unknown.

    Returns
    -------
    bool
        False where neither is known of any frame.
    """
    known = ~np.isnan(focal_mm) & ~np.isnan(f_number)
    focal_mm, f_number = focal_mm[known], f_number[known]
    if not len(focal_mm) or focal_mm.max() >= PHONE_FOCAL_MM:
        return False
    if len(focal_mm) < SINGLE:
        # A compact's single frame has one aperture too, but is seldom as wide.
        return bool((f_number < PHONE_WIDE).all())
    frames = pd.DataFrame({"f_number": f_number})
    usual = frames.groupby(focal_mm.round(1))["f_number"].transform(lambda n: n.mode().iloc[0])
    return bool((np.abs(f_number - usual) < SAME_F_NUMBER).mean() >= PHONE_PARALLEL)


def _end(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _days(first: str, last: str) -> int:
    between = np.datetime64(last) - np.datetime64(first)
    return int(between / np.timedelta64(1, "D"))
