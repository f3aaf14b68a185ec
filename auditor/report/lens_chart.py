"""The chart of one focal range: sharpness against aperture on a scale of stops."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

from auditor.record import ZONES
from auditor.report import drawing, words
from auditor.report.alone import chart_alone

__all__ = ["WHOLE_STOPS", "highest", "lens_values", "stops"]

WHOLE_STOPS: Final = (0.7, 1, 1.4, 2, 2.8, 4, 5.6, 8, 11, 16, 22, 32, 45, 64, 90)
_POINT: Final = ("x", "y", "low", "high")

Block = Mapping[str, Any]


def stops(value: float) -> float:
    """Position of an f-number on a scale of stops: Av = 2 log2 N (Exif, annex C)."""
    return 2 * math.log2(value)


def highest(lens: Block) -> float | None:
    """The highest figure of a lens (c/px), so that its charts share one scale."""
    values = [
        words.number((row.get(zone) or {}).get(k))
        for part in lens.get("focal_ranges") or ()
        for row in part.get("apertures") or ()
        for zone in ZONES
        for k in ("mtf50_cpp", "high")
    ]
    known = [v for v in values if v is not None]
    return max(known) if known else None


@chart_alone("its chart of sharpness against aperture")
def lens_values(
    focal_range: Block, top_cpp: float, span: tuple[float, float], pitch_um: float | None
) -> dict[str, dict[str, Any]] | None:
    """What the chart's named parts are filled with, or None when nothing was measured.

    `top_cpp` (c/px) is the highest figure and `span` the outer f-numbers of the whole lens, so that
    its focal ranges compare at sight.
    """
    apertures = focal_range.get("apertures") or ()
    zones = {z: _points(apertures, z) for z in ZONES}
    if not any(z["x"] for z in zones.values()):
        return None
    low, high = stops(span[0]) - 0.6, stops(span[1]) + 0.6
    if high - low < 4:  # a lens used at one aperture still shows two stops to either side
        low, high = (low + high) / 2 - 2, (low + high) / 2 + 2
    whole = [n for n in WHOLE_STOPS if low <= stops(n) <= high]
    values: dict[str, dict[str, Any]] = {
        "x_range": {"start": low, "end": high},
        "y_range": {"start": 0, "end": top_cpp * 1.08},
        "x_ticks": {"ticks": [stops(n) for n in whole]},
        "x_axis": {"labels": {stops(n): words.aperture(n)[2:] for n in whole}},
        "targets": {"data": _targets(zones, pitch_um)},
    }
    best = words.number((focal_range.get("sweet_spot") or {}).get("f_number"))
    if best:
        values["best_line"] = {"location": stops(best)}
    for zone in ZONES:
        fitted = _points(focal_range.get("curve") or (), zone)
        line = fitted if len(fitted["x"]) > 1 else zones[zone]
        values[f"{zone}_line"] = {"data": {k: line[k] for k in _POINT}}
        values[f"{zone}_points"] = {"data": {k: zones[zone][k] for k in _POINT}}
        if zone != "middle":
            values[f"{zone}_usual"] = {"data": _usual(apertures, zone)}
    return values


def _points(rows: Sequence[Block], zone: str) -> dict[str, list[Any]]:
    """Columns of one zone's points, in order of aperture; an unknown interval has no length."""
    out: dict[str, list[Any]] = {k: [] for k in (*_POINT, "n", "key", "frames")}
    for index, row in enumerate(rows):
        n, block = words.number(row.get("f_number")), row.get(zone) or {}
        value = words.number(block.get("mtf50_cpp"))
        if n is None or n <= 0 or value is None:
            continue
        low, high = (words.number(block.get(k)) for k in ("low", "high"))
        found = (
            stops(n), value, value if low is None else low, value if high is None else high,
            n, index, block.get("frames", row.get("frames")),
        )  # fmt: skip
        for key, item in zip(out, found, strict=True):
            out[key].append(item)
    return out


def _usual(apertures: Sequence[Block], zone: str) -> dict[str, list[float]]:
    """What the photographer usually got, drawn as faint dashes: the lens can do more."""
    pairs = [
        (words.number(row.get("f_number")), words.number(row.get(f"usual_{zone}_cpp")))
        for row in apertures
    ]
    known = [(stops(n), y) for n, y in pairs if n and y is not None]
    return {"x": [x for x, _ in known], "y": [y for _, y in known]}


def _targets(zones: Mapping[str, dict[str, list[Any]]], pitch_um: float | None) -> dict[str, Any]:
    found = []
    for zone, points in zones.items():
        for i, value in enumerate(points["y"]):
            says = f"{value:.3f} c/px ({points['low'][i]:.3f} to {points['high'][i]:.3f})"
            if pitch_um:
                says += f", {1000 * value / pitch_um:.0f} lp/mm"
            found.append((
                points["x"][i], value, points["key"][i], zone,
                f"{words.aperture(points['n'][i])}, {zone}", says,
                f"{words.count(points['frames'][i])} behind it",
            ))  # fmt: skip
    return drawing.target_data(found)
