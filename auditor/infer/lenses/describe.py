"""One focal range of a lens as the profile shows it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from auditor.infer.criteria import Criteria
from auditor.infer.frame_values import aperture_index, nominal_from_index
from auditor.infer.lenses.evidence import (
    NOT_YET,
    Evidence,
    judge,
    missing_evidence,
    weaker_zone,
)
from auditor.infer.lenses.fit import CurveFit
from auditor.infer.lenses.intervals import Draws
from auditor.infer.lenses.ranges import Ranges, find_ranges
from auditor.infer.lenses.table import Table
from auditor.model import Aperture, CurvePoint, FocalRange, SweetSpot, Zone
from auditor.record import ZONES

__all__ = ["best_aperture", "describe_range"]

Floats = NDArray[np.float64]

_SHOWN_THIRDS: Final = 3
"""Thirds of a stop over which a curve is drawn between apertures that have evidence: a full stop."""
_ASYMMETRIC: Final = 2.0
"""How much further up than down intervals reach, from which it is said."""


def describe_range(
    fit: CurveFit, draws: Draws, supported: NDArray[np.bool_], table: Table, rows: NDArray[np.int64],
    criteria: Criteria,
) -> FocalRange:  # fmt: skip
    """Entry of `focal_ranges` of the profile, without focal lengths, fringing, sides and diffraction.

    Parameters
    ----------
    fit : CurveFit
        The fitted curve.
    draws : Draws
        Its plausible curves.
    supported : ndarray of bool, shape (Z, K)
        Where the curve has evidence (`evidence.has_evidence`); elsewhere no figure is shown.
    table : Table
        Columns of all frames.
    rows : ndarray of int64, shape (n,)
        Positions of this range's frames.
    criteria : Criteria
        Thresholds of the ranges.

    Returns
    -------
    FocalRange
        Ranges are None where evidence for a best aperture is missing; `reasons` then say what.
    """
    index = np.unique(table.aperture[rows][table.aperture[rows] >= 0])
    counts = _counts(table, rows, index)
    half_width = None
    apertures = _apertures(fit, draws, supported, table, rows, index, counts)
    fitted = np.isin(index, aperture_index(fit.data.f_numbers))
    if supported.any():
        first, last = np.exp(np.quantile(draws.from_frames, draws.ends, axis=0))
        half_width = (last - first) / 2 / draws.figures[0]
    soft_share = _soft_share(fit, table, rows)
    evidence = judge(fit, half_width, counts[:, fitted], soft_share)
    ranges, missing = _ranges(fit, draws, supported, criteria)
    if supported.any():
        _add_unsupported(draws, supported, counts[:, fitted], index[fitted], evidence)
    if missing:
        evidence.add(2, f"{NOT_YET}; it takes {' and '.join(missing)}")
    out: FocalRange = {
        "focal_mm": None,
        "frames": len(rows),
        "outings": len(np.unique(table.outing[rows])),
        "apertures": apertures,
        "curve": _curve(fit, draws, supported),
        "sweet_spot": None,
        "pin_sharp": None,
        "acceptable": None,
        "pin_sharp_intervals": None,
        "acceptable_intervals": None,
        "sharpening": dict(zip(("amount", "error"), draws.sharpening, strict=True))
        if supported.any()
        else None,
        "failures": {
            "soft_share": round(soft_share, 3),
            "scatter": {z: round(float(s), 4) for z, s in zip(ZONES, _scatter(fit), strict=True)},
        },
        "evidence": evidence.word,
        "reasons": evidence.reasons,
    }
    if ranges is not None:
        out["sweet_spot"] = {
            "f_number": ranges.sweet, "low": ranges.sweet_low, "high": ranges.sweet_high
        }  # fmt: skip
        out["pin_sharp"], out["acceptable"] = list(ranges.pin_sharp), list(ranges.acceptable)
        out["pin_sharp_intervals"] = [list(p) for p in ranges.pin_sharp_intervals]
        out["acceptable_intervals"] = [list(p) for p in ranges.acceptable_intervals]
    _add_correlation(fit, draws, apertures, out["sweet_spot"])
    return out


def _add_unsupported(
    draws: Draws,
    supported: NDArray[np.bool_],
    counts: NDArray[np.int64],
    index: NDArray[np.int64],
    evidence: Evidence,
) -> None:
    """Add where a zone has no evidence, and whether frames that are evidence may all be soft."""
    unsupported = [
        f"{zone} at {', '.join(f'f/{nominal_from_index(int(i)):g}' for i in index[none])}"
        for z, zone in enumerate(ZONES)
        if (none := ~supported[z] & (counts[z] > 0)).any()
    ]
    if unsupported:
        evidence.add(
            0,
            f"no evidence here: {'; '.join(unsupported)} (no frame, or one frame in all, came near what the "
            "lens can do)",
        )
    if _asymmetry(draws, supported) > _ASYMMETRIC:
        evidence.add(
            0, "frames so few may all be softer than the lens: it may well be sharper than shown"
        )


def _asymmetry(draws: Draws, supported: NDArray[np.bool_]) -> float:
    """How much further up than down intervals reach, in the median of the figures shown."""
    value, low, high = (np.log(ends) for ends in draws.figures)
    return float(np.median(((high - value) / np.maximum(value - low, 1e-6))[supported]))


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
    fit: CurveFit, draws: Draws, apertures: Sequence[Aperture], sweet: SweetSpot | None
) -> None:
    """Add to every figure how its error goes with that at the best aperture in use (correlation of the
    draws), without which the interval of a difference of the two would seem wider than it is."""
    best = best_aperture(apertures, sweet)
    if best is None:
        return
    at = {nominal_from_index(int(i)): j for j, i in enumerate(aperture_index(fit.data.f_numbers))}
    for z, zone in enumerate(ZONES):
        if best[zone]:
            correlation = np.atleast_2d(np.corrcoef(draws.curve[:, z], rowvar=False))
            for entry in apertures:
                figure: Zone | None = entry[zone]  # type: ignore[literal-required]
                if figure:
                    i, j = at[entry["f_number"]], at[best["f_number"]]
                    figure["with_best"] = round(float(correlation[i, j]), 4)


def _apertures(
    fit: CurveFit, draws: Draws, supported: NDArray[np.bool_], table: Table, rows: NDArray[np.int64],
    index: NDArray[np.int64], counts: NDArray[np.int64],
) -> list[Aperture]:  # fmt: skip
    """Entry of every aperture used, of these `index`es. Besides its interval a figure has `frames_error`, its standard
    error (ln) as far as frames decide it, and `lacking` (ln), by how much its
    frames fall short of the lens as a rule: what another lens on this body does not share."""
    fitted = {int(i): j for j, i in enumerate(aperture_index(fit.data.f_numbers))}
    if supported.any():
        value, low, high = draws.figures
        own, beyond = draws.frames_error, draws.typical_deficit
    apertures: list[Aperture] = []
    for j, i in enumerate(index):
        here = rows[table.aperture[rows] == i]
        k = fitted.get(int(i))
        figures: list[Zone | None] = [None] * len(ZONES)
        for z in range(len(ZONES)):
            if k is not None and supported[z, k]:
                figures[z] = {
                    **_interval(value[z, k], low[z, k], high[z, k]), "frames": int(counts[z, j]),
                    "frames_error": round(float(own[z, k]), 4),
                    "lacking": round(float(beyond[z, k]), 4),
                }  # fmt: skip
        centre, middle, corner = figures
        usual = [_usual(table.log_mtf50[here, z]) for z in range(len(ZONES))]
        apertures.append({
            "f_number": nominal_from_index(int(i)), "frames": len(here),
            "centre": centre, "middle": middle, "corner": corner,
            "usual_centre_cpp": usual[0], "usual_middle_cpp": usual[1], "usual_corner_cpp": usual[2],
            "sound_frames": 0 if k is None else _inliers(fit, k, len(table.usable(here))),
        })  # fmt: skip
    return apertures


def _counts(table: Table, rows: NDArray[np.int64], index: NDArray[np.int64]) -> NDArray[np.int64]:
    """Frames with a figure, Z x K."""
    known = ~np.isnan(table.log_mtf50[rows])
    position = np.searchsorted(index, table.aperture[rows])
    good = (table.aperture[rows] >= 0) & ~table.failed[rows]
    return np.stack(
        [np.bincount(position[good & known[:, z]], minlength=len(index)) for z in range(len(ZONES))]
    )


def _interval(value: float, low: float, high: float) -> Zone:
    return {
        "mtf50_cpp": round(float(value), 4), "low": round(float(low), 4),
        "high": round(float(high), 4),
    }  # fmt: skip


def _usual(log_values: Floats) -> float | None:
    """What the photographer usually got: the median of all frames."""
    known = log_values[~np.isnan(log_values)]
    return round(float(np.exp(np.median(known))), 4) if len(known) else None


def _inliers(fit: CurveFit, k: int, frames: int) -> int:
    """Frames in which nothing else failed, scaled up where only a sample was fitted."""
    return round(float(fit.inlier[fit.data.aperture == k].mean()) * frames)


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


def _ranges(
    fit: CurveFit, draws: Draws, supported: NDArray[np.bool_], criteria: Criteria
) -> tuple[Ranges | None, list[str]]:
    """Best aperture and ranges from the apertures at which the weaker zone has evidence, `supported`
    (Z x K); or what is missing for them."""
    zone = weaker_zone(supported)
    missing = missing_evidence(fit, draws, zone, supported[zone])
    if missing:
        return None, missing
    return find_ranges(
        fit, draws, zone, supported[zone], criteria.pin_sharp, criteria.acceptable
    ), []


def _curve(fit: CurveFit, draws: Draws, supported: NDArray[np.bool_]) -> list[CurvePoint]:
    """The fitted curve at thirds of a stop, a zone's where an aperture within a stop has evidence."""
    used = aperture_index(fit.data.f_numbers)
    if supported.any():
        value, low, high = draws.figures_at_thirds
    out: list[CurvePoint] = []
    for j, i in enumerate(draws.thirds.tolist()):
        figures: list[Zone | None] = []
        for z in range(len(ZONES)):
            distance = used[supported[z]] - i
            shown = (distance <= 0).any() and (distance >= 0).any()
            shown = shown and np.abs(distance).min() <= _SHOWN_THIRDS
            figures.append(_interval(value[z, j], low[z, j], high[z, j]) if shown else None)
        centre, middle, corner = figures
        out.append({
            "f_number": nominal_from_index(i), "used": i in used,
            "centre": centre, "middle": middle, "corner": corner,
        })  # fmt: skip
    return out
