"""The charts: of a focal range its sharpness against aperture, of a body its signal to noise against ISO.

Signal to noise, at four signal levels two stops apart, is drawn at the output size at which the limits of excellent and
acceptable hold. Marks and whiskers stand
where noise was measured; a curve is drawn between them, and dotted beyond, where it is only predicted.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from markupsafe import Markup, escape

from auditor.model import Aperture, Body, CurvePoint, FocalRange, Lens, Tone
from auditor.record import TONE_SIGNALS, ZONES
from auditor.report import words
from auditor.report.scales import Mark, iso_of, iso_stops, stops, whole_iso_stops, whole_stops
from auditor.report.svg_charts import TONE_NAMES, Chart, Point, Series, Target

__all__ = [
    "highest",
    "lens_chart",
    "shown_signals",
    "snr_chart",
]

_MARGIN_F_STOPS: Final = 0.6
"""Stops that the scale goes beyond the outermost apertures: the ends of curves stay clear of the frame."""
_LEAST_STOPS: Final = 4
"""A lens used at one aperture still shows two stops to either side."""
_ABOVE_CPP: Final = 1.08
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
    series = [_zone_series(focal_range, zone, pitch_um) for zone in ZONES]
    if not any(one.targets for one in series):
        return None
    low, high = stops(span[0]) - _MARGIN_F_STOPS, stops(span[1]) + _MARGIN_F_STOPS
    if high - low < _LEAST_STOPS:
        middle = (low + high) / 2
        low, high = middle - _LEAST_STOPS / 2, middle + _LEAST_STOPS / 2
    top = top_cpp * _ABOVE_CPP
    best = words.best_aperture(focal_range)
    return Chart(
        across=(low, high),
        up=(0, top),
        across_marks=[Mark(stops(n), words.aperture(n)[2:]) for n in whole_stops(low, high)],
        up_marks=_cpp_marks(top),
        across_title="aperture, f/",
        up_title=Markup('MTF50, <tspan class="unit-name">cycles per pixel</tspan>'),
        series=series,
        per_pixel=True,
        best=stops(best) if best else None,
    )


def _cpp_marks(top: float) -> list[Mark]:
    """Figures of the scale up from 0 to `top`, in cycles per pixel."""
    step = next((s for s in _STEPS if top / s <= _MOST_TICKS), 1.0)
    return [Mark(k * step, f"{k * step:.2f}") for k in range(int(top / step) + 1)]


def _zone_series(focal_range: FocalRange, zone: str, pitch_um: float | None) -> Series:
    """One zone: the fitted curve, or where there is none the line through its points."""
    apertures = focal_range.get("apertures") or ()
    targets = [
        _zone_target(at, i, row, zone, pitch_um)
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


def _zone_target(at: Point, i: int, row: Aperture, zone: str, pitch_um: float | None) -> Target:
    block: Any = row.get(zone)
    ends = words.interval(block)
    says = f"{at.y:.3f} c/px" + (f" ({ends})" if ends else "")
    if pitch_um:
        says += f", {1000 * at.y / pitch_um:.0f} lp/mm"
    head = f"{words.aperture(row['f_number'])}, {zone}"
    behind = f"{words.count(block.get('frames', row.get('frames')))} behind it"
    return Target(at, i, head, says, behind)


_MARGIN_ISO_STOPS: Final = 0.4
"""Stops that the scale goes beyond the outermost ISO values."""
_ABOVE_SNR: Final = 1.4
"""Factor by which it goes beyond the lowest and the highest ratio."""
_LABEL_SHARE: Final = 0.1
"""Share of the drawing's height that a mark of two lines and the one beside it need."""
_SNR_TICKS: Final = (1, 2, 5, 10, 20, 40, 100, 200, 400, 1000, 2000)
"""Ratios that are marked: about a stop apart, those of ISO 12232 among them."""


def shown_signals(body: Body) -> dict[str, float]:
    """Colour name -> signal level (linear, 1 = white) of those drawn that are known of the body."""
    known = {t.get("signal") for t in body.get("tones") or () if t.get("snr")}
    return {n: s for n, s in zip(TONE_NAMES, TONE_SIGNALS[::2], strict=True) if s in known}


def snr_chart(body: Body, thresholds: Mapping[str, float]) -> Chart | None:
    """The chart of one body, or None when nothing was measured.

    `thresholds` maps 'excellent' and 'acceptable' to a signal-to-noise ratio. Their names stand at
    the axis, where no curve can cross them.
    """
    tones = body.get("tones") or ()
    series = [_tone_series(tones, name, s) for name, s in shown_signals(body).items()]
    points = [t.at for one in series for t in one.targets]
    if not points:
        return None
    across = (
        min(p.x for p in points) - _MARGIN_ISO_STOPS,
        max(p.x for p in points) + _MARGIN_ISO_STOPS,
    )
    levels = [*(p.y for p in points), *thresholds.values()]
    up = (min(levels) / _ABOVE_SNR, max(levels) * _ABOVE_SNR)
    named = {level: key for key, level in thresholds.items()}
    megapixels = body.get("output_megapixels")
    size = f"at {megapixels:g} megapixels" if megapixels else "at the output size"
    return Chart(
        across=across,
        up=up,
        across_marks=[
            Mark(k, f"{round(iso_of(k))}") for k in whole_iso_stops(*across) or [round(across[0])]
        ],
        up_marks=[
            Mark(t, _ratio(t), named.get(t, "")) for t in _snr_marks(*up, thresholds.values())
        ],
        across_title="ISO",
        up_title=escape(f"signal to noise, {size}"),
        series=series,
        logarithmic=True,
        limits=list(thresholds.values()),
    )


def _ratio(value: float) -> str:
    return f"{round(value)}:1" if value == round(value) else f"{value:g}:1"


def _snr_marks(low: float, high: float, named: Iterable[float] = ()) -> list[float]:
    """Ratios to mark on the axis. Beside the `named` ones, which take two lines, there must be room."""
    found = [t for t in _SNR_TICKS if low <= t <= high]
    kept = [level for level in named if low <= level <= high]
    gap = math.log(high / low) * _LABEL_SHARE
    return sorted({*kept, *(t for t in found if all(abs(math.log(t / k)) > gap for k in kept))})


def _tone_series(tones: Sequence[Tone], name: str, signal: float) -> Series:
    """Marks where noise was measured, a curve from the first of them to the last, dots beside it."""
    of_signal = [(i, t) for i, t in enumerate(tones) if t.get("signal") == signal]
    targets = [_tone_target(t, i) for i, t in of_signal if t.get("iso") and t.get("snr")]
    targets.sort()
    measured = [i for i, t in enumerate(targets) if t.measured]
    line = targets[measured[0] : measured[-1] + 1] if measured else []
    beyond = targets if len(measured) < len(targets) else []
    return Series(name.replace("_", "-"), [t.at for t in line], targets, (), [t.at for t in beyond])


def _tone_target(tone: Tone, i: int) -> Target:
    snr, low, high = tone["snr"] or 0.0, tone.get("low"), tone.get("high")
    scale = (tone.get("snr_output") or snr) / snr  # the interval is the noise's
    low, high = low and scale * low, high and scale * high
    says = f"{scale * snr:.1f}:1" + (f" ({low:.1f} to {high:.1f})" if low and high else "")
    head = f"{words.iso(tone['iso'])}, signal {words.percent(tone['signal'])} of white"
    predicted = bool(tone.get("predicted"))
    behind = "predicted" if predicted else f"{words.count(tone.get('frames'))} behind it"
    at = Point(
        iso_stops(tone["iso"]),
        scale * snr,
        scale * snr if low is None else max(low, scale * snr / 100),
        scale * snr if high is None else high,
    )
    return Target(at, i, head, says, behind, not predicted)
