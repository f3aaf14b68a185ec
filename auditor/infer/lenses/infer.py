"""All lenses of a frame table."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.criteria import Criteria
from auditor.infer.lenses.converters import FittedRange, compare_converter
from auditor.infer.lenses.curve_data import curve_data
from auditor.infer.lenses.describe import describe_range
from auditor.infer.lenses.diffraction import describe_diffraction
from auditor.infer.lenses.evidence import NOT_YET, SOUND, has_evidence, weaker_zone
from auditor.infer.lenses.fit import fit_curves
from auditor.infer.lenses.focal import Part, merged_ranges
from auditor.infer.lenses.fringing import FringeTable, describe_fringing, read_fringing
from auditor.infer.lenses.grouping import (
    CLUSTER_FRAMES,
    PRIME,
    LensGroup,
    focal_clusters,
    lens_groups,
    zoom_thirds,
)
from auditor.infer.lenses.intervals import Draws
from auditor.infer.lenses.sides import SideTable, judge_sides, read_sides
from auditor.infer.lenses.table import Table, read_table
from auditor.model import Lens
from auditor.record.pools import EXPORTS, pool_words
from auditor.record.values import words

__all__ = ["infer_lenses", "infer_without"]


@dataclass(frozen=True, slots=True)
class _Tables:
    curves: Table
    sides: SideTable
    fringes: FringeTable


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
    curves = read_table(frames, criteria.seed, failed)
    groups = list(lens_groups(frames))
    tables = _Tables(curves, read_sides(frames), read_fringing(frames))
    entries: list[Lens] = []
    fitted: dict[tuple[str, str, str | None, str | None], list[FittedRange]] = {}
    thirds = [[_parts(curves, rows) for rows in _thirds(curves, group)] for group in groups]
    requests = [
        (g, rows) for g, parts in zip(groups, thirds, strict=True) for p in parts for rows in p
    ]
    fits = iter(_fit(curves, requests, criteria))
    for group, parts in zip(groups, thirds, strict=True):
        of_group = [[next(fits) for _ in third] for third in parts]
        ranges, reasons = _fitted_ranges(tables.curves, group, of_group, criteria)
        fitted[group.lens, group.body, group.lens_serial, group.converter] = ranges
        entries.append(_describe(tables, group, ranges, reasons, criteria))
    for (lens, body, serial, converter), ranges in fitted.items():
        without_it = fitted.get((lens, body, serial, None))
        if converter is not None and without_it and ranges:
            entry = next(e for e in entries if _key(e) == (lens, body, serial, converter))
            entry["converter_comparison"] = compare_converter(converter, ranges, without_it)
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


def _fitted_ranges(
    table: Table, group: LensGroup, thirds: list[list[Part | None]], criteria: Criteria
) -> tuple[list[FittedRange], list[str]]:
    """Focal ranges whose curves differ, each with its fit, from those of all focal lengths of each third
    of the zoom; and what was left out, in words."""
    reasons = list(group.reasons)
    rows = group.rows
    unusable = int((table.aperture[rows] < 0).sum())
    if unusable:
        reasons.append(f"{_frames(unusable)} without a usable aperture left out of the curve")
    empty = int((np.isnan(table.log_mtf50[rows]).all(1) & ~table.failed[rows]).sum())
    if empty:
        reasons.append(
            f"{_frames(empty)} with too few edges to tell sharpness by zone, left out of the curve"
        )
    known = np.isfinite(table.focal_mm[rows])
    if known.any() and not known.all():
        reasons.append(f"{_frames(int((~known).sum()))} without a focal length left out")
    ranges: list[FittedRange] = []
    for parts in thirds:
        fitted = [part for part in parts if part is not None]
        merged = merged_ranges(fitted, lambda joined: _fit(table, [(group, joined)], criteria)[0])
        ranges += [FittedRange(p, _ends(table, p), fit, draws) for p, fit, draws in merged]
    if not ranges and table.failed[rows].any():
        reasons.append(_failed(table, rows))
    return ranges, reasons


def _ends(table: Table, rows: NDArray[np.int64]) -> tuple[float, float] | None:
    """Shortest and longest focal length, mm."""
    focal = table.focal_mm[rows]
    focal = focal[~np.isnan(focal)]
    return (float(focal.min()), float(focal.max())) if len(focal) else None


def _thirds(table: Table, group: LensGroup) -> list[NDArray[np.int64]]:
    """Rows of a zoom's short, middle and long part, which are never pooled; all of them of a lens that
    spans at most a factor two, or where no focal length is known."""
    third = zoom_thirds(table.focal_mm[group.rows])
    kept = [c for c in np.unique(third) if c >= 0 or (third < 0).all()]
    return [group.rows[third == c] for c in kept]


def _parts(table: Table, rows: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """Rows of each cluster of focal lengths; all of them where no focal length is known."""
    cluster = focal_clusters(table.focal_mm[rows])
    return [rows[cluster == c] for c in np.unique(cluster)]


def _describe(
    tables: _Tables, group: LensGroup, ranges: list[FittedRange], reasons: list[str],
    criteria: Criteria,
) -> Lens:  # fmt: skip
    table = tables.curves
    described = []
    for part in ranges:
        supported = has_evidence(part.fit, part.draws)
        entry = describe_range(part.fit, part.draws, supported, table, part.rows, criteria)
        entry["focal_mm"] = None if part.focal_mm is None else list(part.focal_mm)
        entry["reasons"] = entry["reasons"] + _held(table, part, ranges) + reasons
        inlier = part.fit.data.row[part.fit.inlier >= SOUND]
        entry["fringing"] = describe_fringing(
            tables.fringes,
            inlier,
            table.aperture[inlier],
            table.outing[inlier],
            criteria.fringe_px,
            entry["acceptable"],
            criteria.interval,
        )
        entry["sides"] = judge_sides(tables.sides, inlier, table.outing)
        zone = weaker_zone(supported)
        entry["diffraction"] = describe_diffraction(
            part.fit,
            part.draws,
            zone,
            supported[zone],
            group.pixel_pitch_um is not None,
        )
        if group.source == EXPORTS:
            # What resampling and its sharpening left: no word on the lens's apertures.
            entry["sweet_spot"] = entry["pin_sharp"] = entry["acceptable"] = None
            entry["diffraction"], entry["evidence"] = None, "thin"
            kept = [r for r in entry["reasons"] if not r.startswith(NOT_YET)]
            entry["reasons"] = [
                f"{pool_words(group.pool)} only",
                *kept,
                f"{NOT_YET}; it takes files as the camera writes them, at full size",
            ]
        described.append(entry)
    return {
        "lens": group.lens,
        "body": group.body,
        "converter": group.converter,
        "lens_serial": group.lens_serial,
        "pixel_pitch_um": group.pixel_pitch_um,
        "frames": len(group.rows),
        "source": group.source,
        "files": pool_words(group.pool) or None,
        "frames_by_source": group.frames_by_source,
        "outings": len(np.unique(table.outing[group.rows])),
        "focal_ranges": described,
        "converter_comparison": None,
        "reasons": reasons,
    }


def _held(table: Table, part: FittedRange, ranges: list[FittedRange]) -> list[str]:
    """What a range holds, in words: frames that failed; of a zoom, where focal lengths share a curve or frames are
    few."""
    out = [_failed(table, part.rows)] if table.failed[part.rows].any() else []
    if part.focal_mm is None:
        return out
    short, long = part.focal_mm
    if long > PRIME * short:
        out.append(
            f"{short:g} to {long:g} mm share this curve: too few frames for more, or no difference seen"
        )
    if len(ranges) > 1 and len(part.rows) < CLUSTER_FRAMES:
        out.append(f"only {_frames(len(part.rows))} in this part of the zoom")
    return out


def _failed(table: Table, rows: NDArray[np.int64]) -> str:
    failed = int(table.failed[rows].sum())
    return f"{_frames(failed)} shaken or out of focus left out of the curve"


def _frames(n: int) -> str:
    return f"{n} frame{'s' * (n != 1)}"


def _fit(
    table: Table, requests: list[tuple[LensGroup, NDArray[np.int64]]], criteria: Criteria
) -> list[Part | None]:
    """Curves of rows of groups, all fitted at once; None where no frame holds a figure."""
    data = [curve_data(table, group, rows) for group, rows in requests]
    fits = iter(fit_curves([d for d in data if d is not None]))
    out: list[Part | None] = []
    for (_, rows), one in zip(requests, data, strict=True):
        if one is None:
            out.append(None)
        else:
            fit = next(fits)
            out.append((rows, fit, Draws(fit, criteria.interval, criteria.seed)))
    return out
