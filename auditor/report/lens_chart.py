"""The chart of one focal range: sharpness against aperture on a scale of stops."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from markupsafe import Markup

from auditor.model import Aperture, CurvePoint, FocalRange, Lens
from auditor.record import ZONES
from auditor.report import words
from auditor.report.faults import chart_alone
from auditor.report.scales import stops, whole_stops
from auditor.report.svg_charts import Chart, Mark, Series, Target

__all__ = ["highest", "lens_chart"]

_BESIDE: Final = 0.6
"""Stops that the scale goes beyond the outermost apertures: the ends of curves stay clear of the frame."""
_LEAST_STOPS: Final = 4
"""A lens used at one aperture still shows two stops to either side."""
_ABOVE: Final = 1.08
"""Factor by which the scale goes above the highest figure."""
_MOST_TICKS: Final = 6
"""Steps of the scale up at most."""
_STEPS: Final = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5)
"""Steps that it may have, in cycles per pixel; they have two digits."""
_POINT: Final = ("x", "y", "low", "high")


def highest(lens: Lens) -> float | None:
    """The highest figure of a lens (c/px), so that its charts share one scale."""
    figures = [
        max(zone["mtf50_cpp"] or 0, zone.get("high") or 0)
        for part in lens.get("focal_ranges") or ()
        for row in part.get("apertures") or ()
        for zone in (row.get("centre"), row.get("middle"), row.get("corner"))
        if zone
    ]
    return max(figures, default=0) or None


@chart_alone("its chart of sharpness against aperture")
def lens_chart(
    focal_range: FocalRange, top_cpp: float, span: tuple[float, float], pitch_um: float | None
) -> Chart | None:
    """The chart of one focal range, or None when nothing was measured.

    `top_cpp` (c/px) is the highest figure and `span` the outer f-numbers of the whole lens, so that
    its focal ranges compare at sight; `pitch_um` adds figures in line pairs per millimetre.
    """
    apertures = focal_range.get("apertures") or ()
    zones = {z: _points(apertures, z) for z in ZONES}
    if not any(z["x"] for z in zones.values()):
        return None
    low, high = stops(span[0]) - _BESIDE, stops(span[1]) + _BESIDE
    if high - low < _LEAST_STOPS:
        middle = (low + high) / 2
        low, high = middle - _LEAST_STOPS / 2, middle + _LEAST_STOPS / 2
    top = top_cpp * _ABOVE
    best = words.best_aperture(focal_range)
    return Chart(
        across=(low, high),
        up=(0, top),
        across_marks=[Mark(stops(n), words.aperture(n)[2:]) for n in whole_stops(low, high)],
        up_marks=_marks(top),
        across_title="aperture, f/",
        up_title=Markup('MTF50, <tspan class="unit-name">cycles per pixel</tspan>'),
        series=[_series(focal_range, zone, zones[zone]) for zone in ZONES],
        targets=[t for zone, points in zones.items() for t in _targets(zone, points, pitch_um)],
        per_pixel=True,
        best=stops(best) if best else None,
    )


def _marks(top: float) -> list[Mark]:
    """Figures of the scale up from 0 to `top`, in cycles per pixel."""
    step = next((s for s in _STEPS if top / s <= _MOST_TICKS), 1.0)
    return [Mark(k * step, f"{k * step:.2f}") for k in range(int(top / step) + 1)]


def _series(focal_range: FocalRange, zone: str, points: dict[str, list[Any]]) -> Series:
    """One zone: the fitted curve, or where there is none the line through its points."""
    fitted = _points(focal_range.get("curve") or (), zone)
    line = fitted if len(fitted["x"]) > 1 else points
    usual = None if zone == "middle" else _usual(focal_range.get("apertures") or (), zone)
    return Series(zone, {k: line[k] for k in _POINT}, {k: points[k] for k in _POINT}, usual)


def _points(rows: Sequence[Aperture | CurvePoint], zone: str) -> dict[str, list[Any]]:
    """Columns of one zone's points, in order of aperture; an unknown interval has no length."""
    out: dict[str, list[Any]] = {k: [] for k in (*_POINT, "n", "key", "frames")}
    for index, row in enumerate(rows):
        block: Any = row.get(zone) or {}
        n, value = row.get("f_number"), block.get("mtf50_cpp")
        if n is None or n <= 0 or value is None:
            continue
        low, high = block.get("low"), block.get("high")
        found = (
            stops(n), value, value if low is None else low, value if high is None else high,
            n, index, block.get("frames", row.get("frames")),
        )  # fmt: skip
        for key, item in zip(out, found, strict=True):
            out[key].append(item)
    return out


def _usual(apertures: Sequence[Aperture], zone: str) -> dict[str, list[float]]:
    """What the photographer usually got, drawn as faint dashes: the lens can do more."""
    pairs: list[Any] = [(row.get("f_number"), row.get(f"usual_{zone}_cpp")) for row in apertures]
    known = [(stops(n), y) for n, y in pairs if n and y is not None]
    return {"x": [x for x, _ in known], "y": [y for _, y in known]}


def _targets(zone: str, points: dict[str, list[Any]], pitch_um: float | None) -> list[Target]:
    found = []
    for i, value in enumerate(points["y"]):
        says = f"{value:.3f} c/px ({points['low'][i]:.3f} to {points['high'][i]:.3f})"
        if pitch_um:
            says += f", {1000 * value / pitch_um:.0f} lp/mm"
        head = f"{words.aperture(points['n'][i])}, {zone}"
        behind = f"{words.count(points['frames'][i])} behind it"
        found.append(Target(points["x"][i], value, points["key"][i], zone, head, says, behind))
    return found
