"""The chart of one focal range: sharpness against aperture on a scale of stops."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from markupsafe import Markup

from auditor.model import Aperture, CurvePoint, FocalRange, Lens
from auditor.record import ZONES
from auditor.report import words
from auditor.report.scales import Mark, stops, whole_stops
from auditor.report.svg_charts import Chart, Point, Series, Target

__all__ = ["highest", "lens_chart"]

_MARGIN_STOPS: Final = 0.6
"""Stops that the scale goes beyond the outermost apertures: the ends of curves stay clear of the frame."""
_LEAST_STOPS: Final = 4
"""A lens used at one aperture still shows two stops to either side."""
_ABOVE: Final = 1.08
"""Factor by which the scale goes above the highest figure."""
_MOST_TICKS: Final = 6
"""Steps of the scale up at most."""
_STEPS: Final = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5)
"""Steps that it may have, in cycles per pixel; they have two digits."""


def highest(lens: Lens) -> tuple[float | None, float | None]:
    """The highest figure of a lens (c/px), and the highest end of an interval, so that its charts share one scale."""
    zones = [
        zone
        for part in lens.get("focal_ranges") or ()
        for row in part.get("apertures") or ()
        for zone in (row.get("centre"), row.get("middle"), row.get("corner"))
        if zone
    ]
    best = max((zone["mtf50_cpp"] or 0 for zone in zones), default=0)
    top = max((zone.get("high") or 0 for zone in zones), default=0)
    return best or None, max(best, top) or None


def lens_chart(
    focal_range: FocalRange, top_cpp: float, span: tuple[float, float], pitch_um: float | None
) -> Chart | None:
    """The chart of one focal range, or None when nothing was measured.

    `top_cpp` (c/px) is the highest figure and `span` the outer f-numbers of the whole lens, so that
    its focal ranges compare at sight; `pitch_um` adds figures in line pairs per millimetre.
    """
    series = [_series(focal_range, zone, pitch_um) for zone in ZONES]
    if not any(one.targets for one in series):
        return None
    low, high = stops(span[0]) - _MARGIN_STOPS, stops(span[1]) + _MARGIN_STOPS
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
        series=series,
        per_pixel=True,
        best=stops(best) if best else None,
    )


def _marks(top: float) -> list[Mark]:
    """Figures of the scale up from 0 to `top`, in cycles per pixel."""
    step = next((s for s in _STEPS if top / s <= _MOST_TICKS), 1.0)
    return [Mark(k * step, f"{k * step:.2f}") for k in range(int(top / step) + 1)]


def _series(focal_range: FocalRange, zone: str, pitch_um: float | None) -> Series:
    """One zone: the fitted curve, or where there is none the line through its points."""
    apertures = focal_range.get("apertures") or ()
    targets = [
        _target(at, i, row, zone, pitch_um)
        for i, row in enumerate(apertures)
        if (at := _point(row, zone))
    ]
    curve = [at for row in focal_range.get("curve") or () if (at := _point(row, zone))]
    line = curve if len(curve) > 1 else [t.at for t in targets]
    return Series(zone, line, targets, () if zone == "middle" else _usual(apertures, zone))


def _point(row: Aperture | CurvePoint, zone: str) -> Point | None:
    """A zone's figure at one aperture; an unknown interval has no length."""
    block: Any = row.get(zone) or {}
    n, value = row.get("f_number"), block.get("mtf50_cpp")
    if not n or value is None:
        return None
    low, high = block.get("low"), block.get("high")
    return Point(stops(n), value, value if low is None else low, value if high is None else high)


def _usual(apertures: Sequence[Aperture], zone: str) -> list[tuple[float, float]]:
    """What the photographer usually got, drawn as faint dashes: the lens can do more."""
    pairs: list[Any] = [(row.get("f_number"), row.get(f"usual_{zone}_cpp")) for row in apertures]
    return [(stops(n), y) for n, y in pairs if n and y is not None]


def _target(at: Point, i: int, row: Aperture, zone: str, pitch_um: float | None) -> Target:
    block: Any = row.get(zone)
    ends = words.interval(block)
    says = f"{at.y:.3f} c/px" + (f" ({ends})" if ends else "")
    if pitch_um:
        says += f", {1000 * at.y / pitch_um:.0f} lp/mm"
    head = f"{words.aperture(row['f_number'])}, {zone}"
    behind = f"{words.count(block.get('frames', row.get('frames')))} behind it"
    return Target(at, i, head, says, behind)
