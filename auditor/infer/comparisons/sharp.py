"""Sharpness of pairs: brought to one aperture, compared zone by zone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.comparisons.curves import added_blur_px, expected_log_mtf50, find_range
from auditor.infer.comparisons.paired import paired_difference
from auditor.infer.comparisons.pairs import Pair
from auditor.infer.comparisons.verdict import sharpness_verdict
from auditor.infer.criteria import Criteria
from auditor.infer.frame_values import log_sharpness, shown_sharpness, shutter_stops
from auditor.infer.lenses.grouping import PITCH_UNKNOWN_UM
from auditor.model import Finding
from auditor.record import ZONES
from auditor.record.values import numbers, words
from auditor.robust import low_middle_high

__all__ = ["SharpnessTable", "compare_sharpness"]

Floats = NDArray[np.float64]

_APERTURE_ERROR: Final = 0.25
"""Share of an aperture's correction that may be wrong."""
_UNMATCHED_SD: Final = 0.09
"""What a frame without a partner may be off by through its scene, in log MTF50."""
_UNMATCHED_WORTH: Final = 4
"""So many unmatched frames count in full; more of them share one doubt about the curve."""
_MOST_UNMATCHED: Final = 24
"""More unmatched frames would not narrow the interval: `_UNMATCHED_WORTH` of them count in full."""
_LOOKS: Final = 1.15
"""Intervals are so much wider than those of one figure alone: with three zones and the frame looked
at together, a perfect accessory is then accused in fewer than one archive of twenty."""
_SHAKE_RISK: Final = 2.0
"""Factor on the odds of a fault for a shutter slower than 1 / focal length (common practice, no source)."""
_DIRECTED: Final = 0.2
"""Log ratio of blur along x and y from which a frame looks shaken."""
_DIRECTED_RISK: Final = 8.0
"""The same for a frame that looks shaken."""
_UNTOLD_SD: Final = 0.05
"""Error in log MTF50 of a figure that comes without a usable one."""
_BARE_SD: Final = 0.03
"""Error of the bare level that unmatched frames are held against, in log MTF50."""
_BARE_RISK: Final = 1e-3
"""That level is no frame and cannot have missed focus: a factor on the odds that rules it out."""


class SharpnessTable:
    """The columns that comparing sharpness needs, as arrays."""

    def __init__(self, frames: pd.DataFrame) -> None:
        self.log = np.stack([log_sharpness(frames, z) for z in ZONES], axis=1)
        errors = [shown_sharpness(frames, z)[1] for z in ZONES]
        stderr = np.stack(errors, axis=1) / np.exp(self.log)
        self.stderr = np.where((stderr > 0) & np.isfinite(stderr), stderr, _UNTOLD_SD)
        self.f_number = numbers(frames, "f_number")
        self.focal = numbers(frames, "focal_length_mm")
        self.pitch = numbers(frames, "pixel_pitch_um")
        self.stops = shutter_stops(frames)
        along, down = numbers(frames, "horizontal_cpp"), numbers(frames, "vertical_cpp")
        with np.errstate(invalid="ignore", divide="ignore"):
            self.direction = np.abs(np.log(along / down))
        self.lens = words(frames, "lens")
        self.body = words(frames, "body")
        self.converter = words(frames, "converter")

    def pitch_at(self, row: int) -> float:
        """Pixel pitch of one frame in micrometres, a usual one where it is not known."""
        return float(self.pitch[row]) if self.pitch[row] > 0 else PITCH_UNKNOWN_UM

    def risk(self, rows: NDArray[np.int64]) -> Floats:
        """Factor on the odds of a fault: held longer than one over the focal length (common
        practice, no source), and blur that has a direction."""
        with np.errstate(invalid="ignore"):
            slow = self.stops[rows] > 0
            directed = self.direction[rows] > _DIRECTED
        return np.where(slow, _SHAKE_RISK, 1.0) * np.where(directed, _DIRECTED_RISK, 1.0)


def _at_aperture(
    table: SharpnessTable,
    rows: NDArray[np.int64],
    lenses: Sequence[Mapping[str, Any]],
    f_number: float,
    pitch_um: float,
) -> tuple[Floats, Floats]:
    """(rows, zones) log MTF50 as it would be at one aperture by the lens's curve, and its standard error."""
    shifts: dict[tuple[Any, ...], Floats] = {}
    values, errors = np.empty((len(rows), 3)), np.empty((len(rows), 3))
    for k, row in enumerate(rows):
        used = (table.lens[row], table.body[row], table.converter[row] or None)
        settings = (*used, float(table.focal[row]), float(table.f_number[row]))
        if settings not in shifts:
            part = find_range(lenses, *used, settings[3])
            there, _ = expected_log_mtf50(part, [settings[4], f_number], pitch_um)
            shifts[settings] = there[1] - there[0]
        shift = shifts[settings]
        values[k] = table.log[row] + shift
        errors[k] = np.hypot(table.stderr[row], _APERTURE_ERROR * shift)
    return values, errors


def compare_sharpness(
    table: SharpnessTable,
    pairs: Sequence[Pair],
    unmatched: NDArray[np.int64],
    lenses: Sequence[Mapping[str, Any]],
    criteria: Criteria,
) -> list[Finding]:
    """Entries for the frame as a whole (zone None, with the blur added) and for every zone.

    Args:
        pairs: of one label and lens.
        unmatched: labelled frames of the lens without a partner.
    """
    with_it = np.array([p.labelled for p in pairs], np.int64)
    bare = np.array([p.bare for p in pairs], np.int64)
    usable = (np.isfinite(table.log[with_it]) & np.isfinite(table.log[bare])).any(1)
    without = int((~usable).sum())
    usable &= (table.f_number[with_it] > 0) & (table.f_number[bare] > 0)
    with_it, bare = with_it[usable], bare[usable]
    if not len(with_it):
        return []
    first = int(bare[0])
    pitch = table.pitch_at(first)
    target = float(np.exp(np.median(np.log(table.f_number[bare]))))

    y_with, e_with = _at_aperture(table, with_it, lenses, target, pitch)
    y_bare, e_bare = _at_aperture(table, bare, lenses, target, pitch)
    risk = np.stack([table.risk(with_it), table.risk(bare)], axis=1)
    extra = _through_the_curve(table, unmatched, lenses, target, pitch, bare)
    if extra is not None:
        y_more, base, e_more = extra
        y_with, y_bare = np.vstack([y_with, y_more]), np.vstack([y_bare, base])
        e_with, e_bare = (
            np.vstack([e_with, e_more]),
            np.vstack([e_bare, np.full(base.shape, _BARE_SD)]),
        )
        more_risk = np.stack([np.ones(len(y_more)), np.full(len(y_more), _BARE_RISK)], axis=1)
        risk = np.vstack([risk, more_risk])
    found = paired_difference(y_with, y_bare, (e_with, e_bare), risk, criteria.seed)
    held = np.isfinite(y_with[: len(with_it)]) & np.isfinite(y_bare[: len(with_it)])
    present = np.asarray(held.any(0))
    blur2 = added_blur_px(found.base, found.draws, target, pitch)[:, present].mean(1)
    whole = found.draws[:, present].mean(1)
    out = [_entry(None, whole, criteria.interval, len(with_it), blur2)]
    for z, zone in enumerate(ZONES):
        if present[z]:
            count = int(held[:, z].sum())
            blur = added_blur_px(found.base[:, z], found.draws[:, z], target, pitch)
            out.append(_entry(zone, found.draws[:, z], criteria.interval, count, blur))
    for entry in out:
        entry["unmatched"] = 0 if extra is None else len(extra[0])
        entry["sound_pairs"] = round(float(found.sound[: len(with_it)].sum()), 1)
        entry["f_number"] = round(target, 1)
        entry["unmeasured_pairs"] = without
    return out


def _entry(zone: str | None, draws: Floats, share: float, pairs: int, blur2: Floats) -> Finding:
    quantiles = low_middle_high(draws, share)
    quantiles = quantiles[1] + _LOOKS * (quantiles - quantiles[1])
    low, middle, high = (float(np.expm1(q)) for q in quantiles)
    blur = np.sqrt(np.maximum(low_middle_high(blur2, share), 0.0))
    return {
        "what": "sharpness",
        "zone": zone,
        "pairs": pairs,
        "difference": middle,
        "low": low,
        "high": high,
        "unit": "share of MTF50",
        "added_blur_px": {"value": float(blur[1]), "low": float(blur[0]), "high": float(blur[2])},
        "verdict": sharpness_verdict(middle, low, high, pairs),
    }


def _through_the_curve(
    table: SharpnessTable, unmatched: NDArray[np.int64], lenses: Sequence[Mapping[str, Any]],
    target: float, pitch: float, bare: NDArray[np.int64],
) -> tuple[Floats, Floats, Floats] | None:  # fmt: skip
    """Unmatched labelled frames against the lens's curve: values, curve, standard errors."""
    rows = unmatched[(table.f_number[unmatched] > 0) & np.isfinite(table.log[unmatched]).any(1)]
    rows = rows[:_MOST_UNMATCHED]
    values, base = [], []
    bare_body, bare_converter = table.body[bare[0]], table.converter[bare[0]] or None
    for row in rows:
        part = find_range(
            lenses, table.lens[row], bare_body, bare_converter, float(table.focal[row])
        )
        there, known = expected_log_mtf50(part, [table.f_number[row], target], pitch)
        if not known.any() or abs(np.log2(table.f_number[row] / target)) > 1:
            continue
        values.append(np.where(known, table.log[row] + there[1] - there[0], np.nan))
        base.append(np.where(known, there[1], np.nan))
    if not values:
        return None
    y, curve = np.array(values), np.array(base)
    y = np.where(np.isfinite(curve), y, np.nan)
    keep = np.isfinite(y).any(1)
    doubt = _UNMATCHED_SD * np.sqrt(max(1.0, keep.sum() / _UNMATCHED_WORTH))
    if not keep.any():
        return None
    return y[keep], curve[keep], np.full(y[keep].shape, doubt)
