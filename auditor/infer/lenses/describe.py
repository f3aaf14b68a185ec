"""One focal range of a lens as the profile shows it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from auditor.exposure import F_NUMBERS
from auditor.infer.criteria import Criteria
from auditor.infer.lenses.evidence import judge
from auditor.infer.lenses.fit import CurveFit
from auditor.infer.lenses.grouping import nominal_from_index
from auditor.infer.lenses.intervals import Draws
from auditor.infer.lenses.ranges import Ranges, dense_curves, find_ranges
from auditor.infer.lenses.table import Table
from auditor.record import ZONES

__all__ = ["describe_range", "weaker_zone"]

Floats = NDArray[np.float64]

CENTRE, CORNER = ZONES.index("centre"), ZONES.index("corner")


def describe_range(
    fit: CurveFit, draws: Draws, table: Table, rows: NDArray[np.int64], criteria: Criteria
) -> dict[str, Any]:
    """The entry of `focal_ranges` for frames `rows`, without focal lengths, fringing, sides."""
    quantiles = [0.5 - criteria.interval / 2, 0.5 + criteria.interval / 2]
    low, high = np.exp(np.quantile(draws.curve, quantiles, axis=0))
    value = np.exp(fit.curve)
    low, high = np.minimum(low, value), np.maximum(high, value)
    index = np.unique(table.aperture[rows][table.aperture[rows] >= 0])
    counts = _counts(table, rows, index)
    fitted = {int(i): j for j, i in enumerate(_fitted_index(fit))}
    apertures = []
    for j, i in enumerate(index):
        here = rows[table.aperture[rows] == i]
        entry: dict[str, Any] = {"f_number": nominal_from_index(int(i)), "frames": len(here)}
        k = fitted.get(int(i))
        for z, zone in enumerate(ZONES):
            entry[zone] = None
            if k is not None and counts[z, j]:
                entry[zone] = _interval(value[z, k], low[z, k], high[z, k]) | {
                    "frames": int(counts[z, j])
                }
            entry[f"usual_{zone}_cpp"] = _usual(table.log_mtf50[here, z])
        entry["sound_frames"] = 0 if k is None else _sound(fit, k, len(here))
        apertures.append(entry)
    kept = np.isin(index, list(fitted))
    first, last = np.exp(np.quantile(draws.curve - draws.doubt, quantiles, axis=0))
    evidence = judge(fit, (last - first) / 2 / value, counts[:, kept])
    found = _ranges(fit, draws, counts[:, kept], criteria)
    out: dict[str, Any] = {
        "focal_mm": None,
        "frames": len(rows),
        "outings": len(np.unique(table.outing[rows])),
        "apertures": apertures,
        "curve": _curve(fit, draws, counts[:, kept], quantiles),
        "sweet_spot": None,
        "pin_sharp": None,
        "acceptable": None,
        "pin_sharp_intervals": None,
        "acceptable_intervals": None,
        "failures": {
            "soft_share": round(float(1 - fit.look.sound.mean()), 3),
            "shaken_share": round(float(fit.look.shaken.mean()), 3),
            "scatter": {
                z: round(float(s), 4) for z, s in zip(ZONES, fit.state.scatter, strict=True)
            },
        },
    }
    if found is not None:
        out["sweet_spot"] = {
            "f_number": found.sweet, "low": found.sweet_low, "high": found.sweet_high
        }  # fmt: skip
        out["pin_sharp"], out["acceptable"] = list(found.pin_sharp), list(found.acceptable)
        out["pin_sharp_intervals"] = [list(p) for p in found.pin_sharp_intervals]
        out["acceptable_intervals"] = [list(p) for p in found.acceptable_intervals]
    out["evidence"], out["reasons"] = evidence.word, evidence.reasons
    return out


def _fitted_index(fit: CurveFit) -> NDArray[np.int64]:
    return np.round(6 * np.log2(fit.data.f_numbers)).astype(np.int64) + 6


def _counts(table: Table, rows: NDArray[np.int64], index: NDArray[np.int64]) -> NDArray[np.int64]:
    """Frames with a figure, Z x K."""
    known = ~np.isnan(table.log_mtf50[rows])
    position = np.searchsorted(index, table.aperture[rows])
    good = table.aperture[rows] >= 0
    return np.stack(
        [np.bincount(position[good & known[:, z]], minlength=len(index)) for z in range(len(ZONES))]
    )


def _interval(value: float, low: float, high: float) -> dict[str, Any]:
    return {
        "mtf50_cpp": round(float(value), 4), "low": round(float(low), 4),
        "high": round(float(high), 4),
    }  # fmt: skip


def _usual(log_values: Floats) -> float | None:
    """What the photographer usually got: the median of all frames."""
    known = log_values[~np.isnan(log_values)]
    return round(float(np.exp(np.median(known))), 4) if len(known) else None


def _sound(fit: CurveFit, k: int, frames: int) -> int:
    """Frames in which nothing else failed, scaled up where only a sample was fitted."""
    return round(float(fit.look.sound[fit.data.aperture == k].mean()) * frames)


def _ranges(
    fit: CurveFit, draws: Draws, counts: NDArray[np.int64], criteria: Criteria
) -> Ranges | None:
    """None where fewer than two apertures show both zones (or the only one that shows at all)."""
    zones = [z for z in (CENTRE, CORNER) if counts[z].sum()]
    if not zones:
        return None
    held = np.asarray((counts[zones] > 0).all(axis=0))
    if held.sum() < 2:
        return None
    return find_ranges(
        fit, draws, zones, held, criteria.pin_sharp, criteria.acceptable, criteria.interval
    )


def _curve(
    fit: CurveFit, draws: Draws, counts: NDArray[np.int64], quantiles: list[float]
) -> list[dict[str, Any]]:
    """The fitted curve at thirds of a stop between the outermost apertures that a zone holds."""
    used = dict(zip(_fitted_index(fit).tolist(), fit.data.f_numbers.tolist(), strict=True))
    indices = range(min(used), max(used) + 1)
    grid = np.array([used.get(i, F_NUMBERS[i]) for i in indices])
    value = np.exp(dense_curves(fit, fit.curve, fit.theta, grid))
    low, high = np.exp(
        np.quantile(dense_curves(fit, draws.curve, draws.theta, grid), quantiles, axis=0)
    )
    low, high = np.minimum(low, value), np.maximum(high, value)
    out = []
    for j, i in enumerate(indices):
        entry: dict[str, Any] = {"f_number": nominal_from_index(i), "used": i in used}
        for z, zone in enumerate(ZONES):
            held = np.flatnonzero(counts[z])
            inside = len(held) and (
                fit.data.f_numbers[held[0]] <= grid[j] <= fit.data.f_numbers[held[-1]]
            )
            entry[zone] = _interval(value[z, j], low[z, j], high[z, j]) if inside else None
        out.append(entry)
    return out


def weaker_zone(fit: CurveFit) -> int:
    """Centre or corner, whichever is softer at its best among those that hold figures."""
    seen = [z for z in (CENTRE, CORNER) if not np.isnan(fit.data.log_mtf50[:, z]).all()]
    return min(seen or [CENTRE], key=lambda z: float(fit.curve[z].max()))
