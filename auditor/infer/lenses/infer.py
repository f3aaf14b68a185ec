"""All lenses of a frame table."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.criteria import Criteria
from auditor.infer.lenses.converters import compare_converter
from auditor.infer.lenses.curve_data import Table, curve_data, read_table
from auditor.infer.lenses.describe import describe_range
from auditor.infer.lenses.fit import fit_curves
from auditor.infer.lenses.focal import FittedRange, merged_ranges
from auditor.infer.lenses.fringing import FRINGE_COLUMNS
from auditor.infer.lenses.grouping import (
    CLUSTER_FRAMES,
    PRIME,
    LensGroup,
    focal_clusters,
    lens_groups,
    zoom_thirds,
)
from auditor.infer.lenses.intervals import Draws
from auditor.infer.lenses.sides import SIDE_COLUMNS
from auditor.model import Lens
from auditor.record.pools import pool_words
from auditor.record.values import words

__all__ = ["infer_lenses", "infer_without"]

Rows = NDArray[np.int64]


def infer_lenses(
    frames: pd.DataFrame, criteria: Criteria, failed: NDArray[np.bool_] | None = None
) -> list[Lens]:
    """The `lenses` of the profile: every lens on every body, with curves, ranges and their intervals.

    Frames are grouped (`lens_groups`), zooms cut into focal clusters, all curves fitted at once
    (`fit_curves`), neighbouring clusters merged where their curves do not differ, and each range described.

    Parameters
    ----------
    frames : DataFrame
        Frame table: `record.COLUMNS` and the columns of `crawl.relate`; missing columns count as unmeasured.
    criteria : Criteria
        Thresholds and seed.
    failed : ndarray of bool, shape (n,), optional
        Frames that were judged to be shaken or out of focus: they count as the lens's, but say nothing of it.

    Returns
    -------
    list of Lens
        In order of lens, body, converter and serial; empty without frames.
    """
    if not len(frames):
        return []
    frames = frames.reset_index(drop=True)
    table = read_table(frames, criteria.seed, failed)
    # Choosing rows copies all columns there are.
    read = ("f_number", "outing", *FRINGE_COLUMNS, *SIDE_COLUMNS)
    columns = frames[[c for c in read if c in frames]]
    groups = list(lens_groups(frames))
    clusters = [(i, third, rows) for i, g in enumerate(groups) for third, rows in _parts(table, g)]
    fits = _fit(table, [(groups[i], rows) for i, _, rows in clusters], criteria)
    by_third: dict[int, dict[int, list[FittedRange]]] = {}
    for (i, third, _), part in zip(clusters, fits, strict=True):
        if part is not None:
            by_third.setdefault(i, {}).setdefault(third, []).append(part)
    entries: list[Lens] = []
    ranges_of: dict[tuple[str | None, ...], list[FittedRange]] = {}
    for i, group in enumerate(groups):

        def refit(rows: Rows, group: LensGroup = group) -> FittedRange | None:
            return _fit(table, [(group, rows)], criteria)[0]

        thirds = by_third.get(i, {}).values()
        ranges = [part for parts in thirds for part in merged_ranges(parts, refit)]
        entry = _describe(table, columns, group, ranges, criteria)
        entries.append(entry)
        ranges_of[_key(entry)] = ranges
    for entry in entries:
        *gear, converter = _key(entry)
        bare = ranges_of.get((*gear, None))
        if converter and bare:
            entry["converter_comparison"] = compare_converter(
                converter, ranges_of[_key(entry)], bare
            )
    return entries


def infer_without(
    failed: NDArray[np.bool_], frames: pd.DataFrame, lenses: list[Lens], criteria: Criteria
) -> list[Lens]:
    """Lenses whose curves rest on the frames that did not fail.

    Whether a frame failed is judged by curves of all frames (`keepers.judge_frames`); the likelihood tells most
    failures by itself, but takes a lens for as soft as its frames where all of them failed alike, and from many far
    failures concludes that sound frames fall short as well.

    Parameters
    ----------
    failed : ndarray of bool, shape (n,)
        Frames that were judged to be shaken or out of focus.
    frames : DataFrame
        Frame table, of n rows.
    lenses : list of Lens
        From `infer_lenses`, of all frames; those without a failure are taken over.
    criteria : Criteria
        Thresholds and seed.

    Returns
    -------
    list of Lens
        In the same order.
    """
    names = words(frames, "lens")
    again = np.isin(names, np.unique(names[failed]))
    inferred = {_key(e): e for e in infer_lenses(frames[again], criteria, failed[again])}
    return [inferred.get(_key(lens), lens) for lens in lenses]


def _key(lens: Lens) -> tuple[str | None, ...]:
    """What tells an entry from the others: lens, body, serial, converter."""
    return lens["lens"], lens["body"], lens["lens_serial"], lens["converter"]


def _parts(table: Table, group: LensGroup) -> Iterator[tuple[int, Rows]]:
    """Rows of each cluster of focal lengths, with the third of a zoom that it lies in: thirds are never pooled.
    All rows where no focal length is known."""
    third = zoom_thirds(table.focal_mm[group.rows])
    for t in np.unique(third[third >= 0]) if (third >= 0).any() else [-1]:
        rows = group.rows[third == t]
        cluster = focal_clusters(table.focal_mm[rows])
        for c in np.unique(cluster):
            yield int(t), rows[cluster == c]


def _describe(
    table: Table, columns: pd.DataFrame, group: LensGroup, ranges: list[FittedRange],
    criteria: Criteria,
) -> Lens:  # fmt: skip
    rows = group.rows
    focal_known = np.isfinite(table.focal_mm[rows])
    failed = table.failed[rows]
    left_out = {
        "without a usable aperture": table.aperture[rows] < 0,
        "with too few edges to tell sharpness by zone": np.isnan(table.log_mtf50[rows]).all(1) & ~failed,
        "without a focal length": ~focal_known & focal_known.any(),
        "shaken or out of focus": failed & (not ranges),
    }  # fmt: skip
    reasons = group.reasons + _counted(left_out)
    described = []
    for part in ranges:
        entry = describe_range(part, group, table, columns, criteria)
        entry["reasons"] += _held(table, part, len(ranges) > 1) + reasons
        described.append(entry)
    return {
        "lens": group.lens,
        "body": group.body,
        "converter": group.converter,
        "lens_serial": group.lens_serial,
        "pixel_pitch_um": group.pixel_pitch_um,
        "frames": len(rows),
        "source": group.source,
        "files": pool_words(group.pool) or None,
        "frames_by_source": group.frames_by_source,
        "outings": len(np.unique(table.outing[rows])),
        "focal_ranges": described,
        "converter_comparison": None,
        "reasons": reasons,
    }


def _counted(left_out: dict[str, NDArray[np.bool_]]) -> list[str]:
    """Frames that are no part of a curve, in words."""
    return [
        f"{_frames(int(n))} {why} left out of the curve"
        for why, of in left_out.items()
        if (n := of.sum())
    ]


def _held(table: Table, part: FittedRange, one_of_several: bool) -> list[str]:
    """What a range holds, in words: frames that failed; of a zoom, where focal lengths share a curve or frames are
    few."""
    out = _counted({"shaken or out of focus": table.failed[part.rows]})
    if part.focal_mm is not None and part.focal_mm[1] > PRIME * part.focal_mm[0]:
        short, long = part.focal_mm
        out.append(
            f"{short:g} to {long:g} mm share this curve: too few frames for more, or no difference seen"
        )
    if one_of_several and len(part.rows) < CLUSTER_FRAMES:
        out.append(f"only {_frames(len(part.rows))} in this part of the zoom")
    return out


def _frames(n: int) -> str:
    return f"{n} frame{'s' * (n != 1)}"


def _fit(
    table: Table, requests: list[tuple[LensGroup, Rows]], criteria: Criteria
) -> list[FittedRange | None]:
    """Curves of rows of groups, all fitted at once; None where no frame holds a figure."""
    data = [curve_data(table, group, rows) for group, rows in requests]
    fits = iter(fit_curves([d for d in data if d is not None]))
    out: list[FittedRange | None] = []
    for (_, rows), one in zip(requests, data, strict=True):
        if one is None:
            out.append(None)
            continue
        focal = table.focal_mm[rows]
        known = focal[~np.isnan(focal)]
        ends = (float(known.min()), float(known.max())) if len(known) else None
        draws = Draws(next(fits), criteria.interval, criteria.seed)
        out.append(FittedRange(rows, ends, draws))
    return out
