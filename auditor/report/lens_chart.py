"""The chart of one focal range: sharpness against aperture on a scale of stops."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

from bokeh.models.annotations import BoxAnnotation, Label

from auditor.record import ZONES
from auditor.report import mould, palette, words
from auditor.report.alone import chart_alone

__all__ = ["WHOLE_STOPS", "chart_mould", "highest", "lens_values", "stops"]

WHOLE_STOPS: Final = (0.7, 1, 1.4, 2, 2.8, 4, 5.6, 8, 11, 16, 22, 32, 45, 64, 90)
_STRIPS: Final = (("acceptable", "acceptable"), ("pin_sharp", "pin-sharp"), ("sweet", "best"))
_STRIP_PX: Final = 16
_POINT: Final = ("x", "y", "low", "high")

Block = Mapping[str, Any]


def stops(value: float) -> float:
    """Position of an f-number on a scale of stops: Av = 2 log2 N (Exif, annex C)."""
    return 2 * math.log2(value)


@mould.once
def chart_mould() -> dict[str, Any]:
    plot = mould.base_figure("MTF50, cycles per pixel", "aperture, f/")
    mould.ticks(plot.xaxis, "x_ticks")
    mould.ruled_line(plot, "best_line", "height")
    for row, (name, label) in enumerate(_STRIPS):
        bottom = 3 + row * (_STRIP_PX + 2)
        plot.add_layout(
            BoxAnnotation(
                name=name, left=0, right=0, bottom=bottom, top=bottom + _STRIP_PX,
                bottom_units="screen", top_units="screen", line_color=None, level="underlay",
                fill_color=palette.light(name), fill_alpha=1, visible=False,
            )
        )  # fmt: skip
        plot.add_layout(
            Label(
                name=f"{name}_label", x=0, y=bottom + _STRIP_PX / 2, y_units="screen", text=label,
                text_align="center", text_baseline="middle", text_font=mould.FONT,
                text_font_size="11px", text_color=palette.light("on_strip"), visible=False,
            )
        )  # fmt: skip
    for zone in ZONES:
        colour = palette.light(zone)
        line = mould.source(f"{zone}_line", _POINT)
        plot.varea("x", "low", "high", source=line, fill_color=colour, fill_alpha=0.14)
        plot.line(
            "x", "y", source=line, line_color=colour, line_width=2.4,
            line_dash=palette.ZONE_DASH[zone],
        )  # fmt: skip
        points = mould.source(f"{zone}_points", _POINT)
        plot.segment("x", "low", "x", "high", source=points, line_color=colour, line_width=1.5)
        plot.scatter(
            "x", "y", source=points, marker=palette.ZONE_MARK[zone],
            size=9 if zone == "middle" else 8, fill_color=colour, line_color=palette.light("sheet"),
        )  # fmt: skip
        if zone != "middle":
            plot.scatter(
                "x", "y", source=mould.source(f"{zone}_usual", ("x", "y")), marker="dash", size=13,
                line_width=2, line_color=colour, line_alpha=0.6,
            )  # fmt: skip
    mould.targets(plot)
    return mould.cast(plot)


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
        "x_axis": {"major_label_overrides": {stops(n): words.aperture(n)[2:] for n in whole}},
        **_strips(focal_range, low, high),
        "targets": {"data": _targets(zones, pitch_um)},
    }
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


def _strips(focal_range: Block, left: float, right: float) -> dict[str, dict[str, Any]]:
    sweet = focal_range.get("sweet_spot") or {}
    ends = {
        "acceptable": focal_range.get("acceptable"),
        "pin_sharp": focal_range.get("pin_sharp"),
        "sweet": (sweet.get("low"), sweet.get("high")),
    }
    out: dict[str, dict[str, Any]] = {}
    for name, pair in ends.items():
        known = [words.number(v) for v in pair or ()]
        if len(known) != 2 or not known[0] or not known[1]:
            continue
        low, high = stops(known[0]) - 1 / 6, stops(known[1]) + 1 / 6
        out[name] = {"left": low, "right": high, "visible": True}
        label: dict[str, Any] = {"x": (low + high) / 2, "visible": True}
        if high - low < (right - left) * (0.1 if name == "sweet" else 0.24):  # beside, not inside
            outside = high < right - (right - left) * 0.2
            label = {
                "x": high + 0.06 if outside else low - 0.06, "visible": True,
                "text_align": "left" if outside else "right", "text_color": palette.light("quiet"),
            }  # fmt: skip
        elif name == "acceptable":
            label["text_color"] = palette.light("on_pale")
        out[f"{name}_label"] = label
    best = words.number(sweet.get("f_number"))
    if best:
        out["best_line"] = {"location": stops(best), "visible": True}
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
    return mould.target_data(found)
