"""One focal range of a lens as the profile shows it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.criteria import Criteria
from auditor.infer.frame_values import aperture_index, nominal_from_index
from auditor.infer.lenses.curve_data import Table
from auditor.infer.lenses.diffraction import describe_diffraction
from auditor.infer.lenses.evidence import (
    NOT_YET,
    SOUND,
    Reason,
    has_evidence,
    judge,
    missing_evidence,
    weaker_zone,
)
from auditor.infer.lenses.fit import CurveFit
from auditor.infer.lenses.focal import FittedRange
from auditor.infer.lenses.fringing import describe_fringing
from auditor.infer.lenses.grouping import LensGroup
from auditor.infer.lenses.intervals import Draws
from auditor.infer.lenses.ranges import find_ranges
from auditor.infer.lenses.sides import judge_sides
from auditor.model import FocalRange, Zone
from auditor.record import ZONES
from auditor.record.pools import EXPORTS, pool_words

__all__ = ["best_aperture", "describe_range"]

Floats = NDArray[np.float64]

_SHOWN_THIRDS: Final = 3
"""Thirds of a stop over which a curve is drawn between apertures that have evidence: a full stop."""
_ASYMMETRIC: Final = 2.0
"""How much further up than down intervals reach, from which it is said."""
_WORDS: Final = ("strong", "fair", "thin")
"""What is said of evidence, by the weightiest reason."""


def describe_range(
    part: FittedRange, group: LensGroup, table: Table, frames: pd.DataFrame, criteria: Criteria,
) -> FocalRange:  # fmt: skip
    """Entry of `focal_ranges` of the profile.

    Parameters
    ----------
    part : FittedRange
        Rows, focal lengths and fitted curve of the range.
    group : LensGroup
        Lens, body and kind of file.
    table : Table
        Columns of all frames.
    frames : DataFrame
        Columns of all frames by which fringing and sides are judged.
    criteria : Criteria
        Thresholds of the ranges.

    Returns
    -------
    FocalRange
        Ranges are None where evidence for a best aperture is missing; `reasons` then say what.
    """
    draws, rows = part.draws, part.rows
    fit, exports = draws.fit, group.source == EXPORTS
    # Elsewhere no figure is shown.
    supported = has_evidence(draws)
    zone = weaker_zone(supported)
    apertures, counts = _apertures(draws, supported, table, rows)
    soft_share = _soft_share(fit, table, rows)
    reasons: list[Reason] = [(2, f"{pool_words(group.pool)} only")] if exports else []
    reasons += judge(draws, supported, counts)
    if supported.any():
        reasons += _unsupported(draws, supported, counts)
    # What resampling and its sharpening left of exports is no word on the lens's apertures.
    lacking = ["files as the camera writes them, at full size"]
    if not exports:
        lacking = missing_evidence(draws, zone, supported[zone])
    if lacking:
        reasons.append((2, f"{NOT_YET}; it takes {'; '.join(lacking)}"))
    ranges: Any = dict.fromkeys(
        ("sweet_spot", "pin_sharp", "acceptable", "pin_sharp_intervals", "acceptable_intervals")
    )
    if not lacking:
        ranges = find_ranges(draws, zone, supported[zone], criteria)
    _add_correlation(draws, apertures, ranges["sweet_spot"])
    inliers = frames.iloc[fit.data.row[fit.inlier >= SOUND]]
    out: dict[str, object] = {
        "focal_mm": None if part.focal_mm is None else list(part.focal_mm),
        "frames": len(rows),
        "outings": len(np.unique(table.outing[rows])),
        "apertures": apertures,
        "curve": _curve(draws, supported),
        **ranges,
        "sharpening": dict(zip(("amount", "error"), draws.sharpening, strict=True))
        if supported.any()
        else None,
        "failures": {
            "soft_share": round(soft_share, 3),
            "scatter": {z: round(float(s), 4) for z, s in zip(ZONES, _scatter(fit), strict=True)},
        },
        "evidence": _WORDS[max((level for level, _ in reasons), default=0)],
        "reasons": [text for _, text in reasons],
        "fringing": describe_fringing(inliers, criteria, ranges["acceptable"]),
        "sides": judge_sides(inliers),
        "diffraction": None
        if exports
        else describe_diffraction(draws, zone, supported[zone], group.pixel_pitch_um is not None),
    }
    return cast("FocalRange", out)


def _unsupported(
    draws: Draws, supported: NDArray[np.bool_], counts: NDArray[np.int64]
) -> list[Reason]:
    """Where a zone has no evidence, and whether frames that are evidence may all be soft."""
    out: list[Reason] = []
    used = aperture_index(draws.fit.data.f_numbers)
    nowhere = [
        f"{zone} at {', '.join(f'f/{nominal_from_index(int(i)):g}' for i in used[none])}"
        for z, zone in enumerate(ZONES)
        if (none := ~supported[z] & (counts[z] > 0)).any()
    ]
    if nowhere:
        text = (
            f"no evidence here: {'; '.join(nowhere)} (no frame, or one frame in all, came near what the "
            "lens can do)"
        )
        out.append((0, text))
    value, low, high = (np.log(ends[supported]) for ends in draws.figures)
    if np.median((high - value) / np.maximum(value - low, 1e-6)) > _ASYMMETRIC:
        text = "frames so few may all be softer than the lens: it may well be sharper than shown"
        out.append((0, text))
    return out


def best_aperture(apertures: Sequence[Mapping[str, Any]], sweet: Mapping[str, Any] | None) -> Any:
    """Entry of the best aperture in use: that with figures which is nearest to the sweet spot.

    Parameters
    ----------
    apertures : sequence of mapping
        Entries `apertures` of a focal range, with `f_number`, `centre`, `corner`.
    sweet : mapping or None
        Its `sweet_spot`, with `f_number`.

    Returns
    -------
    mapping or None
        One of `apertures`; None without a sweet spot, or where no entry has a figure of centre or corner.
    """
    if not sweet:
        return None
    known = [a for a in apertures if a["centre"] or a["corner"]]
    wanted = np.log(sweet["f_number"])
    return min(known, key=lambda a: abs(np.log(a["f_number"]) - wanted), default=None)


def _add_correlation(
    draws: Draws, apertures: Sequence[Mapping[str, Any]], sweet: Mapping[str, Any] | None
) -> None:
    """Add to every figure how its error goes with that at the best aperture in use (correlation of the
    draws), without which the interval of a difference of the two would seem wider than it is."""
    best = best_aperture(apertures, sweet)
    if best is None:
        return
    at = {
        nominal_from_index(int(i)): k
        for k, i in enumerate(aperture_index(draws.fit.data.f_numbers))
    }
    for z, zone in enumerate(ZONES):
        for entry in apertures:
            if best[zone] and entry[zone]:
                two = draws.curve[:, z, [at[entry["f_number"]], at[best["f_number"]]]]
                correlation = np.atleast_2d(np.corrcoef(two, rowvar=False))[0, 1]
                entry[zone]["with_best"] = round(float(correlation), 4)


def _apertures(
    draws: Draws, supported: NDArray[np.bool_], table: Table, rows: NDArray[np.int64]
) -> tuple[list[Any], NDArray[np.int64]]:
    """Entry of every aperture used, and the frames with a figure by zone and fitted aperture (Z, K). Besides its
    interval a figure has `frames_error`, its standard error (ln) as far as frames decide it, and `lacking` (ln), by how
    much its frames fall short of the lens as a rule: what another lens on this body does not share."""
    used = aperture_index(draws.fit.data.f_numbers).tolist()
    aperture = table.aperture[rows]
    figures = [table.log_mtf50[table.usable(rows[aperture == i])] for i in used]
    counts = np.stack([(~np.isnan(f)).sum(0) for f in figures], axis=1)
    if supported.any():
        ends, own, beyond = draws.figures, draws.frames_error, draws.typical_deficit
    apertures: list[Any] = []
    for i in np.unique(aperture[aperture >= 0]).tolist():
        here = rows[aperture == i]
        entry: dict[str, Any] = {"f_number": nominal_from_index(i), "frames": len(here)}
        entry |= dict.fromkeys(ZONES)
        for z, zone in enumerate(ZONES):
            entry[f"usual_{zone}_cpp"] = _usual(table.log_mtf50[here, z])
            if i in used and supported[z, k := used.index(i)]:
                entry[zone] = {
                    **_interval(ends, z, k), "frames": int(counts[z, k]),
                    "frames_error": round(float(own[z, k]), 4), "lacking": round(float(beyond[z, k]), 4),
                }  # fmt: skip
        apertures.append(entry)
    return apertures, counts


def _interval(ends: tuple[Floats, Floats, Floats], zone: int, place: int) -> Zone:
    """A figure and the ends of its interval."""
    value, low, high = (round(float(part[zone, place]), 4) for part in ends)
    return {"mtf50_cpp": value, "low": low, "high": high}


def _usual(log_values: Floats) -> float | None:
    """What the photographer usually got: the median of all frames."""
    known = log_values[~np.isnan(log_values)]
    return round(float(np.exp(np.median(known))), 4) if len(known) else None


def _soft_share(fit: CurveFit, table: Table, rows: NDArray[np.int64]) -> float:
    """Share of frames that show less than the lens, of those with a figure: all that failed and were left out of the
    curve, and of the others as many as of those fitted."""
    failed, others = int(table.failed[rows].sum()), len(table.usable(rows))
    return (failed + float(1 - fit.inlier.mean()) * others) / (failed + others)


def _scatter(fit: CurveFit) -> Floats:
    """Z, by how much (ln MTF50) inliers scatter, their stated errors included."""
    stated = np.where(fit.model.known, fit.data.stderr, np.nan)
    typical = [np.median(s[~np.isnan(s)]) if (~np.isnan(s)).any() else 0.0 for s in stated.T]
    return np.hypot(fit.state.scatter, typical)


def _curve(draws: Draws, supported: NDArray[np.bool_]) -> list[dict[str, Any]]:
    """The fitted curve at thirds of a stop, a zone's where an aperture within a stop has evidence."""
    used = aperture_index(draws.fit.data.f_numbers)
    out = []
    for j, i in enumerate(draws.thirds.tolist()):
        point: dict[str, Any] = {"f_number": nominal_from_index(i), "used": i in used}
        for z, zone in enumerate(ZONES):
            distance = used[supported[z]] - i
            shown = (distance <= 0).any() and (distance >= 0).any()
            shown = shown and np.abs(distance).min() <= _SHOWN_THIRDS
            point[zone] = _interval(draws.figures_at_thirds, z, j) if shown else None
        out.append(point)
    return out
