"""Charts as SVG drawings: the same on the screen, on paper and for readers without scripts.

Colours come from the page's style sheet; coordinates are whole numbers and mostly relative, so that
hundreds of drawings weigh little. Every figure has an unseen disc over it that says the figure in
words, and by whose `data-key` the page finds the frames behind it. A drawing holds no text that came
out of a file.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final

from markupsafe import Markup, escape

from auditor.record import ZONES
from auditor.report import palette

__all__ = ["HEIGHT", "TARGET_COLUMNS", "draw_lens", "draw_noise", "target_data"]

WIDTH: Final = 720
HEIGHT: Final = 420
_LEFT, _RIGHT, _TOP, _BOTTOM = 150, 706, 12, 346
TARGET_COLUMNS: Final = ("x", "y", "key", "series", "head", "says", "behind")
"""What is known of a point: its place, its row of the profile, its series, and its words."""
_REACH: Final = 13
"""Radius of the disc that answers to the pointer."""
_MOST_TICKS: Final = 6
_STEPS: Final = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5)

Values = Mapping[str, Mapping[str, Any]]
Columns = Mapping[str, Sequence[float]]
Place = Callable[[float], int]


def target_data(points: Sequence[tuple[Any, ...]]) -> dict[str, list[Any]]:
    """Points, each with a value for every one of `TARGET_COLUMNS`, as columns."""
    return {name: [point[i] for point in points] for i, name in enumerate(TARGET_COLUMNS)}


def draw_lens(values: Values, title: str) -> Markup:
    """Sharpness against aperture from the values of `lens_chart`."""
    top = float(values["y_range"]["end"])
    step = next((s for s in _STEPS if top / s <= _MOST_TICKS), 1.0)
    marks = [k * step for k in range(int(top / step) + 1)]
    across, up = _scales(values, marks_up=lambda v: v)
    best = values.get("best_line", {}).get("location")
    lines = [] if best is None else [f"M{across(best)} {_TOP}V{_BOTTOM}"]
    series = [
        (z, values[f"{z}_line"]["data"], values[f"{z}_points"]["data"], values.get(f"{z}_usual"))
        for z in ZONES
    ]
    digits = 2 if step >= 0.01 else 3
    names = [
        f'<text x="{_LEFT - 10}" y="{up(v) + 7}" class="e cpp" data-cpp="{v:g}">{v:.{digits}f}</text>'
        for v in marks
    ]
    label = 'MTF50, <tspan class="unit-name">cycles per pixel</tspan>'
    return _drawing(values, title, across, up, marks, names, lines, label, "aperture, f/", series)


def draw_noise(values: Values, title: str) -> Markup:
    """Signal to noise against ISO from the values of `snr_chart`."""
    across, up = _scales(values, marks_up=math.log)
    overrides = values["y_axis"]["labels"]
    marks = list(values["y_ticks"]["ticks"])
    names = []
    for v in marks:
        *over, own = str(overrides[v]).split("\n")
        text = "".join(f'<tspan x="{_LEFT - 10}" dy="-.9em">{escape(t)}</tspan>' for t in over)
        after = f'<tspan x="{_LEFT - 10}" dy=".95em">{own}</tspan>' if over else own
        names.append(f'<text x="{_LEFT - 10}" y="{up(v) + 7}" class="e">{text}{after}</text>')
    limits = (values[k] for k in ("excellent", "acceptable") if k in values)
    lines = [f"M{_LEFT} {up(limit['location'])}H{_RIGHT}" for limit in limits]
    series = [
        (n.replace("_", "-"), values[n]["data"], values[n]["data"], None)
        for n in palette.TONE_NAMES
        if n in values
    ]
    label = str(escape(values["y_axis"]["title"]))
    return _drawing(values, title, across, up, marks, names, lines, label, "ISO", series)


def _scales(values: Values, marks_up: Callable[[float], float]) -> tuple[Place, Place]:
    x0, x1 = (float(values["x_range"][k]) for k in ("start", "end"))
    y0, y1 = (marks_up(float(values["y_range"][k])) for k in ("start", "end"))

    def across(x: float) -> int:
        return round(_LEFT + (x - x0) / (x1 - x0) * (_RIGHT - _LEFT))

    def up(y: float) -> int:
        share = (marks_up(y) - y0) / (y1 - y0)
        return round(_BOTTOM - min(max(share, -0.02), 1.02) * (_BOTTOM - _TOP))

    return across, up


def _path(points: Iterable[tuple[int, int]]) -> str:
    """The line through points: where it starts, then steps."""
    out, last = "", (0, 0)
    for i, (x, y) in enumerate(points):
        out += f"M{x} {y}" if not i else f"l{x - last[0]} {y - last[1]}"
        last = (x, y)
    return out


def _series(name: str, line: Columns, points: Columns, usual: Any, across: Place, up: Place) -> str:
    """One zone or tone: the band of its interval, its line, its points with whiskers."""
    at = [across(x) for x in line["x"]]
    low, high = ([up(v) for v in line[k]] for k in ("low", "high"))
    band = _path([*zip(at, low, strict=True), *zip(at[::-1], high[::-1], strict=True)])
    curve = _path(zip(at, (up(v) for v in line["y"]), strict=True))
    columns = (points[k] for k in ("x", "low", "high", "y"))
    whiskers, dots = "", ""
    for x, a, b, y in zip(*columns, strict=True):
        whiskers += f"M{across(x)} {up(a)}V{up(b)}"
        dots += f"M{across(x)} {up(y)}h0"
    dash = ""
    if usual is not None:
        pairs = zip(usual["data"]["x"], usual["data"]["y"], strict=True)
        dash = "".join(f"M{across(x) - 9} {up(y)}h18" for x, y in pairs)
    parts = (
        ("b", f"{band}z" if band else ""),
        ("l", curve),
        ("w", whiskers),
        ("d", dots),
        ("u", dash),
    )
    drawn = "".join(f'<path class="{kind}" d="{d}"/>' for kind, d in parts if d)
    return f'<g class="s {name}">{drawn}</g>'


def _targets(values: Values, across: Place, up: Place) -> str:
    rows = zip(*(values["targets"]["data"][name] for name in TARGET_COLUMNS), strict=True)
    return "".join(
        f'<circle class="t" cx="{across(x)}" cy="{up(y)}" r="{_REACH}" data-key="{key}" data-series="{series}">'
        f"<title>{escape(head)}: {escape(says)}, {escape(behind)}</title></circle>"
        for x, y, key, series, head, says, behind in rows
    )


def _drawing(
    values: Values, title: str, across: Place, up: Place, marks: Sequence[float],
    names: Sequence[str], lines: Sequence[str], up_label: str, along_label: str,
    series: Sequence[tuple[str, Columns, Columns, Any]],
) -> Markup:  # fmt: skip
    ticks = values["x_ticks"]["ticks"]
    labels = values["x_axis"]["labels"]
    grid = "".join(f"M{_LEFT} {up(v)}H{_RIGHT}" for v in marks)
    grid += "".join(f"M{across(t)} {_TOP}V{_BOTTOM}" for t in ticks)
    below = "".join(
        f'<text x="{across(t)}" y="{_BOTTOM + 26}" class="m">{escape(labels[t])}</text>'
        for t in ticks
    )
    middle = (_LEFT + _RIGHT) // 2
    return Markup(
        f'<svg class="plot" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escape(title)}">'
        f'<path class="g" d="{grid}"/><path class="i" d="{"".join(lines)}"/>'
        + "".join(_series(*one, across, up) for one in series)
        + _targets(values, across, up)
        + "".join(names)
        + below
        + f'<text x="{middle}" y="{HEIGHT - 12}" class="m">{escape(along_label)}</text>'
        f'<text transform="translate(20 {(_TOP + _BOTTOM) // 2}) rotate(-90)" class="m">{up_label}</text>'
        "</svg>"
    )
