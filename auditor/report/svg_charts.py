"""Charts as SVG drawings: the same on the screen, on paper and for readers without scripts.

Colours come from the page's style sheet; coordinates are whole numbers and mostly relative, so that
hundreds of drawings weigh little. Every figure has an unseen disc over it that says the figure in
words, and by whose `data-key` the page finds the frames behind it. A drawing holds no text that came
out of a file.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from markupsafe import Markup, escape

from auditor.report.scales import Mark

__all__ = [
    "COLOURS",
    "TONE_NAMES",
    "TONE_WORDS",
    "Chart",
    "Point",
    "Series",
    "Target",
    "css_variables",
    "draw",
]

WIDTH: Final = 720
"""Width of the drawing in units of its own, of which the text of its style sheet is 22 high."""
HEIGHT: Final = 420
"""Its height."""
_LEFT: Final = 150
"""Left end of the field of the curves; beside it stand the figures of the scale."""
_RIGHT: Final = 706
"""Its right end."""
_TOP: Final = 12
"""Its upper end."""
_BOTTOM: Final = 346
"""Its lower end."""
_GAP: Final = 10
"""Between the field and the figures left of it."""
_BASE: Final = 7
"""From the middle of a line of figures down to its base."""
_BELOW: Final = 26
"""From the field down to the base of the figures under it."""
_BOTTOM_MARGIN: Final = 12
"""From the title of the scale across to the lower end of the drawing."""
_DASH: Final = 9
"""Half the length of a dash."""
_TARGET_RADIUS: Final = 13
"""Radius of the disc that answers to the pointer."""
_BEYOND: Final = 0.02
"""Share of the field's height by which a figure beyond its ends is still drawn outside."""


class Point(NamedTuple):
    """A figure `y` at `x`, with the ends of its interval."""

    x: float
    y: float
    low: float
    high: float


class Target(NamedTuple):
    """A figure that can be pointed at: its place, its row of the profile, and its words."""

    at: Point
    key: int
    head: str
    says: str
    behind: str
    measured: bool = True
    """Whether it was measured, and so has a dot and whiskers."""


@dataclass(frozen=True, slots=True)
class Series:
    """One zone or tone: a curve with the band of its interval, and the figures on it."""

    name: str
    """Class of its colour."""
    line: Sequence[Point]
    targets: Sequence[Target]
    usual: Sequence[tuple[float, float]] = ()
    """What the photographer usually got: faint dashes."""
    predicted: Sequence[Point] = ()
    """Where the curve goes on past what was measured: a dotted line without a band."""


@dataclass(frozen=True, slots=True)
class Chart:
    """What a chart shows, in the units of its scales."""

    across: tuple[float, float]
    """Ends of the scale across, in stops."""
    up: tuple[float, float]
    """Ends of the scale up."""
    across_marks: Sequence[Mark]
    up_marks: Sequence[Mark]
    across_title: str
    up_title: Markup
    series: Sequence[Series]
    logarithmic: bool = False
    """Whether the scale up is one of logarithms."""
    per_pixel: bool = False
    """Whether its figures are cycles per pixel, which the page can show in other units."""
    best: float | None = None
    """Where across the best stands: a line upwards."""
    limits: Sequence[float] = ()
    """Figures on the scale up that are limits: lines across."""


class _Field:
    """Places of a chart's figures on the drawing."""

    def __init__(self, chart: Chart) -> None:
        self._first, self._last = chart.across
        self._scale = math.log if chart.logarithmic else float
        self._low, self._high = (self._scale(end) for end in chart.up)

    def across(self, x: float) -> int:
        share = (x - self._first) / (self._last - self._first)
        return round(_LEFT + share * (_RIGHT - _LEFT))

    def up(self, y: float) -> int:
        share = (self._scale(y) - self._low) / (self._high - self._low)
        return round(_BOTTOM - min(max(share, -_BEYOND), 1 + _BEYOND) * (_BOTTOM - _TOP))


def _path(points: Iterable[tuple[int, int]]) -> str:
    """The line through points: where it starts, then steps."""
    out, last = "", (0, 0)
    for i, (x, y) in enumerate(points):
        out += f"M{x} {y}" if not i else f"l{x - last[0]} {y - last[1]}"
        last = (x, y)
    return out


def _series(one: Series, field: _Field) -> str:
    """The band of the interval, the line, the points with whiskers, the dashes."""
    across, up = field.across, field.up
    low = [(across(p.x), up(p.low)) for p in one.line]
    high = [(across(p.x), up(p.high)) for p in one.line]
    band = _path([*low, *high[::-1]])
    measured = [t.at for t in one.targets if t.measured]
    parts = {
        "p": _path((across(p.x), up(p.y)) for p in one.predicted),
        "b": f"{band}z" if band else "",
        "l": _path((across(p.x), up(p.y)) for p in one.line),
        "w": "".join(f"M{across(p.x)} {up(p.low)}V{up(p.high)}" for p in measured),
        "d": "".join(f"M{across(p.x)} {up(p.y)}h0" for p in measured),
        "u": "".join(f"M{across(x) - _DASH} {up(y)}h{2 * _DASH}" for x, y in one.usual),
    }
    drawn = "".join(f'<path class="{kind}" d="{d}"/>' for kind, d in parts.items() if d)
    return f'<g class="s {one.name}">{drawn}</g>'


def _target(t: Target, series: str, field: _Field) -> str:
    return (
        f'<circle class="t" cx="{field.across(t.at.x)}" cy="{field.up(t.at.y)}" r="{_TARGET_RADIUS}" '
        f'data-key="{t.key}" data-series="{series}">'
        f"<title>{escape(t.head)}: {escape(t.says)}, {escape(t.behind)}</title></circle>"
    )


def _up_mark(mark: Mark, field: _Field, per_pixel: bool) -> str:
    x = _LEFT - _GAP
    text = str(escape(mark.text))
    if mark.over:
        text = f'<tspan x="{x}" dy="-.9em">{escape(mark.over)}</tspan><tspan x="{x}" dy=".95em">{text}</tspan>'
    kind = f'"e cpp" data-cpp="{mark.at:g}"' if per_pixel else '"e"'
    return f'<text x="{x}" y="{field.up(mark.at) + _BASE}" class={kind}>{text}</text>'


def draw(chart: Chart, title: str) -> Markup:
    """The chart as one SVG element; `title` says what it is to readers who cannot see it."""
    field = _Field(chart)
    across, up = field.across, field.up
    grid = "".join(f"M{_LEFT} {up(m.at)}H{_RIGHT}" for m in chart.up_marks)
    grid += "".join(f"M{across(m.at)} {_TOP}V{_BOTTOM}" for m in chart.across_marks)
    lines = "" if chart.best is None else f"M{across(chart.best)} {_TOP}V{_BOTTOM}"
    lines += "".join(f"M{_LEFT} {up(limit)}H{_RIGHT}" for limit in chart.limits)
    middle = (_LEFT + _RIGHT) // 2
    return Markup(
        f'<svg class="plot" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escape(title)}">'
        f'<path class="g" d="{grid}"/><path class="i" d="{lines}"/>'
        + "".join(_series(one, field) for one in chart.series)
        + "".join(_target(t, one.name, field) for one in chart.series for t in one.targets)
        + "".join(_up_mark(mark, field, chart.per_pixel) for mark in chart.up_marks)
        + "".join(
            f'<text x="{across(m.at)}" y="{_BOTTOM + _BELOW}" class="m">{escape(m.text)}</text>'
            for m in chart.across_marks
        )
        + f'<text x="{middle}" y="{HEIGHT - _BOTTOM_MARGIN}" class="m">{escape(chart.across_title)}</text>'
        f'<text transform="translate(20 {(_TOP + _BOTTOM) // 2}) rotate(-90)" class="m">{chart.up_title}</text>'
        "</svg>"
    )


COLOURS: Final[dict[str, tuple[str, str]]] = {
    "ground": ("#f1f2f1", "#171a1c"),
    "sheet": ("#fbfcfb", "#1f2326"),
    "sunk": ("#e6e9e8", "#2a2f33"),
    "ink": ("#1c2226", "#e7eae8"),
    "quiet": ("#586067", "#a4adb1"),
    "line": ("#ccd2d2", "#3b4247"),
    "index": ("#a8431a", "#f0925e"),
    "link": ("#1d5673", "#8cc3e0"),
    "centre": ("#17506e", "#6db8e0"),
    "middle": ("#7f8a91", "#98a2a8"),
    "corner": ("#c9721f", "#f0a04f"),
    "pin_sharp": ("#4787a8", "#3f7f9f"),
    "acceptable": ("#a6c6d6", "#2d4a59"),
    "tone_deep": ("#5a49b0", "#8a63a6"),
    "tone_shadow": ("#a8467a", "#c177a5"),
    "tone_mid": ("#17202a", "#f4f6f5"),
    "tone_high": ("#a87412", "#e6bb5a"),
    "on_strip": ("#fdfefe", "#0d1113"),
    "on_pale": ("#12303f", "#dcecf4"),
}
"""Each name: a colour on light ground, one on dark. Marks that must be distinguished also differ in shape
or dash (the page's style sheet); that their colours stay apart for colour-blind readers is tested with the
dichromacy simulation of Machado, Oliveira and Fernandes (IEEE TVCG 15(6), 2009)."""

TONE_WORDS: Final = {
    "tone_deep": "deep shadow",
    "tone_shadow": "shadow",
    "tone_mid": "mid-tone",
    "tone_high": "bright",
}
TONE_NAMES: Final = tuple(TONE_WORDS)


def css_variables(night: bool) -> str:
    """CSS custom properties, one per colour."""
    return "".join(f"--{name.replace('_', '-')}:{pair[night]};" for name, pair in COLOURS.items())
