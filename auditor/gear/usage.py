"""What counts as the user's gear, by use: how many frames, over how long, with what kind of camera; and what was asked
for and changes nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.crawl.selection import NAMES
from auditor.exposure import SAME_F_NUMBER
from auditor.gear.gear_file import Chosen, idle_folders, names_one_of
from auditor.gear.phones import PHONE_FOCAL_MM
from auditor.model import Gear, Use
from auditor.model.profile import Role
from auditor.record.values import numbers, rows_by_names, texts
from auditor.units import DAY_CHARACTERS

__all__ = ["IN_USE", "USE_COLUMNS", "gear_in_use", "idle"]

Floats = NDArray[np.float64]
Days = NDArray[np.datetime64]

IN_USE: Final = "in use"
SHARE: Final = 0.02
"""Share of the archive's frames from which on gear counts as in use (common practice, no source)."""
LASTING: Final = 50
"""So many frames in two calendar years or more count as in use too, however large the archive; so do as many of
gear that is new, where they are `SHARE` of the frames since its first."""
SINGLE: Final = 5
"""Fewer frames than this show no habit."""
BORROWED_DAYS: Final = 31
"""Gear seen for no longer than this, in an archive of more than a year, was borrowed or tried, if the archive
goes on without it for longer than this: what was in use up to its end may well be new."""
BORROWED_SHARE: Final = 0.1
"""Unless it took this share of all frames."""
A_YEAR_DAYS: Final = 365
"""Days in a year."""
PHONE_PARALLEL: Final = 0.99
"""Phones have one aperture at each focal length, in this share of the frames."""

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
    day = _days_of(frames)
    figures = {n: numbers(frames, n) for n in ("iso", "focal_length_mm", "f_number")}
    bodies = _entries(frames, ["body"], figures, day, chosen)
    roles = {b["body"]: b["role"] for b in bodies}
    lenses = _entries(frames, ["lens", "body", "converter"], figures, day, chosen)
    for lens in lenses:
        if roles[lens["body"]] not in (IN_USE, "not named"):
            lens["role"] = roles[lens["body"]]  # a lens is no more in use than the body it sits on
        elif not lens["lens"] and lens["role"] == IN_USE and roles[lens["body"]] != IN_USE:
            lens["role"] = "not named"
    return {"bodies": bodies, "lenses": lenses}


def _days_of(frames: pd.DataFrame) -> Days:
    """Day on which each frame was taken, NaT where it is unknown."""
    code, texts_of = pd.factorize(texts(frames, "taken").str.slice(0, DAY_CHARACTERS))
    days = pd.to_datetime(pd.Series(texts_of), format="%Y-%m-%d", errors="coerce")
    return days.to_numpy("datetime64[D]")[code]


def _entries(
    frames: pd.DataFrame,
    keys: Sequence[str],
    figures: Mapping[str, Floats],
    day: Days,
    chosen: Chosen,
) -> list[Use]:
    iso, focal, f_number = (figures[n] for n in ("iso", "focal_length_mm", "f_number"))
    all_days = np.sort(day[~np.isnat(day)])
    # Arrays, not tables: hundreds of bodies and lenses, each of few frames; those first seen first.
    groups = sorted(rows_by_names(frames, keys).items(), key=lambda group: group[1][0])
    out: list[Use] = []
    for key, rows in groups:
        own = np.sort(day[rows][~np.isnat(day[rows])])
        isos = iso[rows][np.isfinite(iso[rows])]
        named = {k: name or None for k, name in zip(keys, key, strict=True)}
        entry: Use = {
            "body": named["body"],
            "frames": len(rows),
            "share": round(len(rows) / len(frames), 4),
            "first": str(own[0]) if len(own) else None,
            "last": str(own[-1]) if len(own) else None,
            "years": len(np.unique(own.astype("datetime64[Y]"))),
            "iso_low": float(isos.min()) if len(isos) else None,
            "iso_high": float(isos.max()) if len(isos) else None,
        }
        if "lens" in named:
            entry["lens"], entry["converter"] = named["lens"], named["converter"]
        phone = not chosen.phones and is_phone(focal[rows], f_number[rows])
        entry["role"] = _role(entry, phone, own, all_days, chosen)
        out.append(entry)
    out.sort(key=lambda e: -e["frames"])
    known = [e for e in out if (e["lens"] if "lens" in e else e["body"])]
    if known and not any(e["role"] == IN_USE for e in out):
        best = next((e for e in known if e["role"] != "phone"), known[0])
        best["role"] = IN_USE  # an archive has at least one camera
    return out


def _role(entry: Use, like_a_phone: bool, own: Days, all_days: Days, chosen: Chosen) -> Role:
    """`own`, `all_days`: known days of its frames and of all frames, ascending."""
    mine = chosen.my_lenses if "lens" in entry else chosen.my_bodies
    name = entry["lens"] if "lens" in entry else entry["body"]
    if mine and names_one_of(pd.Series([name]), mine).any():
        return IN_USE
    if not name and not entry.get("body"):
        return "not named"
    # A short lens of one aperture is a phone's only if the body's other lenses are: a fisheye is not.
    if like_a_phone and ("lens" not in entry or not entry["body"]):
        return "phone"
    if entry["frames"] < SINGLE:
        return "single frames"
    lasting = entry["years"] >= 2
    if len(own):
        brief = np.timedelta64(BORROWED_DAYS, "D")
        since = len(all_days) - np.searchsorted(all_days, own[0])
        long_after = len(all_days) - np.searchsorted(all_days, own[-1] + brief, "right")
        given_back = long_after >= SINGLE  # single frames may be of a clock set wrong
        a_year = all_days[-1] - all_days[0] > np.timedelta64(A_YEAR_DAYS, "D")
        if given_back and a_year and own[-1] - own[0] <= brief and entry["share"] < BORROWED_SHARE:
            return "borrowed"
        lasting |= bool(not given_back and entry["frames"] >= SHARE * since)
    used = entry["share"] >= SHARE or (lasting and entry["frames"] >= LASTING)
    return IN_USE if used else "seldom used"


def is_phone(focal_mm: Floats, f_number: Floats) -> bool:
    """Whether the frames of one body look like a phone's: short lenses of one aperture each.

    Parameters
    ----------
    focal_mm, f_number : ndarray of float64, shape (n,)
        Real focal length and aperture, NaN where unknown.

    Returns
    -------
    bool
        False where neither is known of `SINGLE` frames: a compact's single frame has one aperture too.
    """
    known = np.isfinite(focal_mm) & np.isfinite(f_number)
    focal_mm, f_number = focal_mm[known], f_number[known]
    if len(focal_mm) < SINGLE or focal_mm.max() >= PHONE_FOCAL_MM:
        return False
    usual = pd.Series(f_number).groupby(focal_mm.round(1)).transform(lambda n: n.mode().iloc[0])
    return bool((np.abs(f_number - usual) < SAME_F_NUMBER).mean() >= PHONE_PARALLEL)


def idle(
    frames: pd.DataFrame, gear: Chosen, folders: Sequence[str], archives: Sequence[str]
) -> list[str]:
    """Tell what was asked for and fits nothing.

    Parameters
    ----------
    frames : DataFrame
        Columns `body`, `lens` and `path`, before anything is left out.
    gear : Chosen
        What is left out, and what is the photographer's; its folders aside.
    folders : sequence of str
        Patterns of folders to leave out.
    archives : sequence of str
        Folders that were scanned.

    Returns
    -------
    list of str
        A line for each.
    """
    found = frames["path"].astype("object").str.rpartition("/")[0].unique() if folders else ()
    return [*_idle_names(frames, gear), *idle_folders(folders, list(found), archives)]


def _idle_names(frames: pd.DataFrame, gear: Chosen) -> list[str]:
    """The names of bodies and lenses that no frame has, a line for each."""
    out = []
    for column, parts, effect in (
        ("body", gear.no_bodies, "left out"),
        ("lens", gear.no_lenses, "left out"),
        ("body", gear.my_bodies, "made yours"),
        ("lens", gear.my_lenses, "made yours"),
    ):
        often = frames[column].value_counts()
        names = often.index.to_series()
        for part in dict.fromkeys(parts):
            if not names_one_of(names, [part]).any():
                used = ", ".join(str(n) for n in names[:NAMES]) or "none"
                out.append(
                    f"no {column} has '{part}' in its name, so none is {effect} by it; the most used "
                    f"{column} names are: {used}"
                )
    return out
