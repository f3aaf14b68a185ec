"""Files to captures, bursts and outings: which rows of the frame table belong together.

A capture is one exposure, however many files hold it. Files are tied to it by the body's own marks,
strongest first: the same content, or one counted as the other's copy; the same body, second, exposure and fraction of a second; the same
with the camera's file number in place of the fraction, where f-number or exposure time is known; the same
with Exif's ImageUniqueID; the same with a picture that looks similar.
Two files that differ in such a mark where both have it are two captures; but further files of an exposure may have
ImageUniqueIDs of their own.
"""

from __future__ import annotations

from itertools import combinations, pairwise
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from auditor.exposure import STEPS_PER_DOUBLING
from auditor.record.values import codes, map_names, numbers
from auditor.units import HOUR_S, SECOND_CHARACTERS

__all__ = ["BURST_GAP_S", "OUTING_GAP_S", "relate", "share_words", "sort_files"]


BURST_GAP_S: Final = 2.0
"""Longest pause between the end of one exposure and the next within a burst."""

OUTING_GAP_S: Final = 4.0 * HOUR_S
"""Shortest pause that parts two outings."""

_SIMILAR: Final = 8.0
"""Mean difference of two signatures (standard deviation 48) below which pictures count as similar."""

_SOURCE_RANK: Final = {"raw": 0, "camera": 1, "unknown": 2, "edited": 3, "resized": 4}
"""Kinds of file, the best for measuring first."""

_FRACTION_DIGITS: Final = 9
"""Digits of a second's fraction that are read: nanoseconds, the finest clock of pandas."""

_MOST_PAIRED: Final = 12
"""Of so many files of one moment every two are compared; of more only neighbours, for the number of pairs
grows with the square."""

_LONGEST_EXPOSURE_S: Final = HOUR_S
"""A longer exposure counts as so long: it is damage, or ends no burst."""

Ints = NDArray[np.int64]
Pairs = tuple[Ints, Ints]


def relate(frames: pd.DataFrame) -> pd.DataFrame:
    """Find captures, bursts and outings.

    Parameters
    ----------
    frames : pandas.DataFrame
        Table with the store's columns.

    Returns
    -------
    pandas.DataFrame
        A copy with four more columns. `capture`, `burst` and `outing` are integers from 0 in the order of
        first appearance in the table; `best` is True for the one file of each capture that should be used:
        measured before set aside, raw before camera before edited before resized, more pixels before fewer.
        A burst is of one body; an outing is of the whole archive, and frames without a time go by their
        folder. Stars and keywords (`rating`, `labels`) are shared by the files of a capture.
    """
    out = frames.copy(deep=False)
    if out.empty:
        for name, kind in (("capture", "int64"), ("best", "bool"), ("burst", "int64")):
            out[name] = pd.Series(dtype=kind, index=out.index)
        out["outing"] = pd.Series(dtype="int64", index=out.index)
        return out
    table = _Marks(frames)
    capture = _captures(table, _counted(frames))
    best = _best(frames, table, capture)
    out["capture"] = capture
    out["best"] = best
    share_words(out, capture)
    rows = np.flatnonzero(best)
    # One row per capture, in the order of capture numbers.
    rows = rows[np.argsort(capture[rows], kind="stable")]
    out["burst"] = _numbered(_bursts(table, rows)[capture])
    out["outing"] = _numbered(_outings(table, rows)[capture])
    return out


def sort_files(
    frames: pd.DataFrame,
) -> tuple[Ints, NDArray[np.float64], NDArray[np.float64]]:
    """Tie files to captures before anything is measured.

    Parameters
    ----------
    frames : pandas.DataFrame
        Table with at least the columns that distinguish captures.

    Returns
    -------
    capture : (n,) ndarray of int64
        Capture of each row, as in `relate`.
    kind : (n,) ndarray of float64
        Rank of the kind of file, 0 the best.
    pixels : (n,) ndarray of float64
        Pixels of the picture; 0 where unknown.
    """
    marks = _Marks(frames)
    return _captures(marks, _counted(frames)), marks.kind, marks.pixels


class _Marks:
    """The columns that distinguish captures, as integers, -1 missing; and how good a file is for its capture: rank of
    its kind, pixels."""

    def __init__(self, frames: pd.DataFrame) -> None:
        self.body = codes(frames, "body")
        self.serial = codes(frames, "body_serial")
        self.content = codes(frames, "file_id")
        self.number = codes(frames, "file_number")
        self.unique = codes(frames, "image_unique_id")
        self.source = codes(frames, "source")
        self.kind, self.pixels = _quality(frames)
        self.width = np.nan_to_num(numbers(frames, "width_px"), nan=-1)
        taken = (
            frames["taken"] if "taken" in frames else pd.Series(None, frames.index, dtype=object)
        )
        taken = taken.astype("string")
        when = pd.to_datetime(
            taken.str.slice(0, SECOND_CHARACTERS), errors="coerce", format="%Y-%m-%dT%H:%M:%S"
        )
        known = when.notna().to_numpy()
        seconds = when.to_numpy().astype("datetime64[s]").astype(np.int64)
        self.second: Ints = np.where(known, seconds, -1)
        self.timed = known
        share = np.zeros(len(frames))
        fine = np.zeros(len(frames), bool)
        split = known & (taken.str.slice(SECOND_CHARACTERS, SECOND_CHARACTERS + 1) == ".").fillna(
            False
        ).to_numpy(bool)
        if split.any():
            first = SECOND_CHARACTERS + 1
            digits = taken[split].str.slice(first, first + _FRACTION_DIGITS)
            digits = digits.str.replace(r"[^0-9].*", "", regex=True)
            text = ("0." + digits).to_numpy(object)
            share[split] = pd.to_numeric(text, errors="coerce")
            # One digit, or zeros, is how cameras without a fine clock fill the field.
            fine[split] = (digits.str.len() >= 2).to_numpy(bool) & (share[split] > 0)
        self.fraction: Ints = np.where(fine, np.round(share * 1000).astype(np.int64), -1)
        self.time = np.where(known, seconds + share, np.nan)
        self.exposure_s = np.nan_to_num(numbers(frames, "exposure_time_s"), nan=0.0)
        # Programs rewrite rationals (1/249 for 1/250), so exposures are compared by the third of a
        # stop, on whose middle most cameras' values lie.
        self.light: dict[str, Ints] = {}
        for name, steps in STEPS_PER_DOUBLING.items():
            value = numbers(frames, name)
            stops = np.round(np.log2(np.where(value > 0, value, np.nan)) * steps)
            self.light[name] = pd.factorize(stops)[0].astype(np.int64)
        signatures = frames.get("signature")
        self.signature = None if signatures is None else signatures.array
        # Asked for where no time is known, of few frames as a rule.
        paths = frames["path"] if "path" in frames else pd.Series("", frames.index)
        folders = paths[~known].astype("string").fillna("").str.replace(r"[^/]*$", "", regex=True)
        self.folder: Ints = np.full(len(frames), -1)
        self.folder[~known] = pd.factorize(folders)[0]


def _joined(columns: list[NDArray[np.float64]] | list[Ints]) -> Ints:
    """One integer per distinct combination; NaN counts as a value of its own."""
    table = pd.DataFrame(dict(enumerate(columns)))
    return table.groupby(list(table), sort=False, dropna=False).ngroup().to_numpy(np.int64)


def _ends(group: Ints, mark: Ints) -> Pairs:
    """Least and greatest known mark of each row's group; the greatest is less where none is known."""
    have = mark >= 0
    size = int(group.max()) + 1
    low = np.full(size, np.iinfo(np.int64).max)
    high = np.full(size, -1)
    np.minimum.at(low, group[have], mark[have])
    np.maximum.at(high, group[have], mark[have])
    return low[group], high[group]


def _filled(group: Ints, mark: Ints) -> Ints:
    """The mark, and where it is missing that of the group if the group knows only one."""
    low, high = _ends(group, mark)
    return np.where((mark < 0) & (low == high), high, mark)


def _unique(marks: _Marks) -> Ints:
    """ImageUniqueID, -1 where it tells no exposure from another.

    It should be one image's own (Exif 2.32, tag 0xA420). Some cameras write a constant: then frames of several
    seconds share it, or several that the camera itself numbered.
    """
    out = marks.unique
    if (out < 0).all():
        return out
    numbered = np.where(marks.kind <= _SOURCE_RANK["camera"], marks.number, -1)
    for mark in (marks.second, numbered):
        low, high = _ends(marks.unique + 1, mark)
        out = np.where(low < high, -1, out)
    return out


def _linked(group: Ints, valid: NDArray[np.bool_]) -> Pairs:
    """Neighbours within each group, in row order."""
    rows = np.flatnonzero(valid)
    rows = rows[np.argsort(group[rows], kind="stable")]
    same = group[rows[1:]] == group[rows[:-1]]
    return rows[:-1][same], rows[1:][same]


def _components(size: int, links: list[Pairs]) -> Ints:
    first = np.concatenate([a for a, _ in links])
    second = np.concatenate([b for _, b in links])
    graph = coo_matrix((np.ones(len(first), np.int8), (first, second)), shape=(size, size))
    return connected_components(graph, directed=False)[1].astype(np.int64)


def _counted(frames: pd.DataFrame) -> Pairs:
    """Files that were counted rather than measured, and the files that stand for them."""
    none: Ints = np.empty(0, np.int64)
    if "measured_on" not in frames or not frames["measured_on"].notna().any():
        return none, none
    rows = np.flatnonzero(frames["measured_on"].notna().to_numpy())
    paths = pd.Series(np.arange(len(frames)), index=frames["path"].to_numpy(object))
    paths = paths[~paths.index.duplicated()]
    on = paths.reindex(frames["measured_on"].iloc[rows].to_numpy(object)).to_numpy(float)
    there = ~np.isnan(on)
    return rows[there], on[there].astype(np.int64)


def _captures(marks: _Marks, counted: Pairs) -> Ints:
    links = [_linked(marks.content, marks.content >= 0), counted]
    event = _joined([marks.body, marks.second])
    # An export may lack a part of the exposure: it has that of its number, else of its moment.
    numbered = _joined([event, marks.number])
    own = {name: _filled(numbered, part) for name, part in marks.light.items()}
    event = _joined([event, *(_filled(event, part) for part in own.values())])
    serial = _filled(event, marks.serial)
    event = _joined([event, serial])
    fraction = _filled(event, marks.fraction)
    moment = _joined([event, fraction])
    links.append(_linked(moment, marks.timed & (marks.fraction >= 0)))
    # Scans of many films are dated by one day, numbered from 1 each, and tell at most the film's ISO.
    exposed = (own["exposure_time_s"] >= 0) | (own["f_number"] >= 0)
    tied = marks.timed & (marks.number >= 0) & exposed
    links.append(_linked(_joined([moment, marks.number]), tied))
    unique = _unique(marks)
    links.append(_linked(_joined([moment, unique]), marks.timed & (unique >= 0)))
    found = _components(len(event), links)
    similar = _similar_pictures(marks, moment, found)
    if len(similar[0]):
        found = _components(len(event), [*links, similar])
    return _numbered(found)


def _similar_pictures(marks: _Marks, moment: Ints, found: Ints) -> Pairs:
    """Pairs of one moment, not tied yet, that hold the same picture under other names.

    Frames of a burst are similar too. They differ in their file number while kind and size are
    the same; a copy lacks the number, or is of another kind or size.
    """
    none: Ints = np.empty(0, np.int64)
    if marks.signature is None:
        return none, none
    rows = np.flatnonzero(marks.timed & (marks.body >= 0))
    rows = rows[np.argsort(moment[rows], kind="stable")]
    starts = (
        np.flatnonzero(np.r_[True, moment[rows[1:]] != moment[rows[:-1]]]) if len(rows) else none
    )
    first: list[int] = []
    second: list[int] = []
    ends = np.r_[starts[1:], len(rows)]
    several = ends - starts > 1
    for start, end in zip(starts[several].tolist(), ends[several].tolist(), strict=True):
        group = rows[start:end].tolist()
        for a, b in combinations(group, 2) if len(group) <= _MOST_PAIRED else pairwise(group):
            if found[a] == found[b]:
                continue
            numbered = marks.number[a] >= 0 and marks.number[b] >= 0
            same_kind = marks.source[a] == marks.source[b] and marks.width[a] == marks.width[b]
            if numbered and same_kind:
                continue
            if _distance(marks.signature[a], marks.signature[b]) <= _SIMILAR:
                first.append(a)
                second.append(b)
    return np.array(first, np.int64), np.array(second, np.int64)


def _distance(one: object, other: object) -> float:
    if not isinstance(one, str) or not isinstance(other, str) or len(one) != len(other) or not one:
        return float("inf")
    a = np.frombuffer(bytes.fromhex(one), np.uint8).astype(np.int16)
    b = np.frombuffer(bytes.fromhex(other), np.uint8).astype(np.int16)
    return float(np.abs(a - b).mean())


def _quality(frames: pd.DataFrame) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(rank of the kind of file, pixels): how good a file is for its capture."""
    pixels = numbers(frames, "width_px") * numbers(frames, "height_px")
    last = float(len(_SOURCE_RANK))
    if "source" not in frames:
        return np.full(len(frames), last), np.nan_to_num(pixels)
    return map_names(frames["source"], _SOURCE_RANK, last), np.nan_to_num(pixels)


def _best(frames: pd.DataFrame, marks: _Marks, capture: Ints) -> NDArray[np.bool_]:
    """The best file of each capture; between equals the first by path."""
    status = frames["status"] if "status" in frames else pd.Series(None, index=frames.index)
    several = np.bincount(capture)[capture] > 1
    best = ~several
    rows = np.flatnonzero(several)
    table = pd.DataFrame(
        {
            "capture": capture[rows],
            "unmeasured": (status != "measured").to_numpy(bool)[rows],
            "kind": marks.kind[rows],
            "less": -marks.pixels[rows],
            "path": frames["path"].to_numpy(object)[rows],
        },
        index=rows,
    )
    best[table.sort_values(list(table)).drop_duplicates("capture").index] = True
    return best


def share_words(frames: pd.DataFrame, capture: Ints) -> None:
    """Give a file without stars the most that any file of its capture has, and every file the keywords of all of
    them."""
    several = np.bincount(capture)[capture] > 1
    if "rating" in frames and several.any():
        stars = pd.to_numeric(frames["rating"], errors="coerce").astype("Float64")
        most = stars.groupby(capture).transform("max")
        frames["rating"] = stars.fillna(most).astype("Int64")
    if "labels" in frames and several.any():
        values = frames["labels"].to_numpy(object).copy()
        words: dict[int, dict[str, None]] = {}
        rows = np.flatnonzero(several).tolist()
        for i in rows:
            if isinstance(values[i], list | tuple | np.ndarray):
                words.setdefault(int(capture[i]), {}).update(dict.fromkeys(values[i]))
        for i in rows:
            if shared := words.get(int(capture[i])):
                values[i] = list(shared)
        frames["labels"] = pd.Series(values, index=frames.index)


def _bursts(marks: _Marks, rows: Ints) -> Ints:
    """Burst of each capture, by its best row."""
    # Two bodies of one make shoot two bursts; a missing serial is a body of its own.
    camera = _joined([marks.body[rows], marks.serial[rows]])
    time = marks.time[rows]
    order = np.lexsort((time, camera))
    end = time[order][:-1] + np.minimum(marks.exposure_s[rows][order][:-1], _LONGEST_EXPOSURE_S)
    # Comparing with a missing time is False, so that such a frame is a burst of its own.
    follows = (camera[order][1:] == camera[order][:-1]) & (time[order][1:] - end <= BURST_GAP_S)
    ids = np.empty(len(rows), np.int64)
    ids[order] = np.cumsum(np.r_[True, ~follows]) - 1
    return ids


def _outings(marks: _Marks, rows: Ints) -> Ints:
    time = marks.time[rows]
    order = np.argsort(time, kind="stable")
    ids = np.empty(len(rows), np.int64)
    ids[order] = np.cumsum(np.r_[True, ~(np.diff(time[order]) <= OUTING_GAP_S)])
    untimed = np.isnan(time)
    ids[untimed] = len(rows) + 1 + marks.folder[rows][untimed]
    return ids


def _numbered(ids: Ints) -> Ints:
    """The same grouping, numbered from 0 in order of first appearance."""
    return pd.factorize(ids)[0].astype(np.int64)
