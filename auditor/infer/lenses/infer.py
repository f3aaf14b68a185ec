"""All lenses of a frame table."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.criteria import Criteria
from auditor.infer.lenses.curve_data import Table, curve_data, read_table
from auditor.infer.lenses.describe import describe_range
from auditor.infer.lenses.fit import CurveFit, fit_curve
from auditor.infer.lenses.focal import merged_ranges
from auditor.infer.lenses.grouping import LensGroup, focal_clusters, lens_groups
from auditor.infer.lenses.intervals import Draws, draw_curves

__all__ = ["infer_lenses"]


def infer_lenses(frames: pd.DataFrame, criteria: Criteria) -> list[dict[str, Any]]:
    """The `lenses` of the profile from the frame table (`record.COLUMNS` and `crawl.relate`)."""
    if not len(frames):
        return []
    frames = frames.reset_index(drop=True)
    table = read_table(frames)
    return [_one_lens(table, group, criteria) for group in lens_groups(frames)]


def _one_lens(table: Table, group: LensGroup, criteria: Criteria) -> dict[str, Any]:
    reasons = list(group.reasons)
    rows = group.rows
    unusable = int((table.aperture[rows] < 0).sum())
    if unusable:
        reasons.append(f"{unusable} frames without a usable aperture left out of the curve")
    empty = int(np.isnan(table.log_mtf50[rows]).all(1).sum())
    if empty:
        reasons.append(f"{empty} frames in which no sharpness could be measured")
    cluster = focal_clusters(table.focal_mm[rows])
    if (cluster < 0).any() and (cluster >= 0).any():
        reasons.append(f"{int((cluster < 0).sum())} frames without a focal length left out")
    parts = [rows[cluster == c] for c in np.unique(cluster) if c >= 0 or (cluster < 0).all()]
    fitted = []
    for part in parts:
        ready = _fit(table, group, part, criteria)
        if ready is not None:
            fitted.append((part, *ready))
    ranges = []
    for part, fit, draws in merged_ranges(
        fitted, lambda joined: _fit(table, group, joined, criteria)
    ):
        entry = describe_range(fit, draws, table, part, criteria)
        entry["reasons"] = entry["reasons"] + reasons
        ranges.append(entry)
    return {
        "lens": group.lens,
        "body": group.body,
        "converter": group.converter,
        "lens_serial": group.lens_serial,
        "pixel_pitch_um": group.pixel_pitch_um,
        "frames": len(rows),
        "source": group.source,
        "frames_by_source": group.frames_by_source,
        "outings": len(np.unique(table.outing[rows])),
        "focal_ranges": ranges,
        "reasons": reasons,
    }


def _fit(
    table: Table, group: LensGroup, rows: NDArray[np.int64], criteria: Criteria
) -> tuple[CurveFit, Draws] | None:
    data = curve_data(table, group, rows, criteria.seed)
    if data is None:
        return None
    fit = fit_curve(data)
    return fit, draw_curves(fit, criteria.interval, criteria.seed)
