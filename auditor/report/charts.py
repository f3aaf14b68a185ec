"""The charts, as SVG drawings: of a focal range its sharpness against aperture, of a body its signal to noise
against ISO. The same on the screen, on paper and for readers without scripts.

Colours come from the page's style sheet; coordinates are whole numbers and mostly relative, so that hundreds of
drawings weigh little. Every figure has an unseen disc over it that says the figure in words, and by whose `data-key`
the page finds the frames behind it. A drawing holds no text that came out of a file.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final, NamedTuple

from markupsafe import Markup, escape

from auditor.model import Aperture, Body, CurvePoint, FocalRange, Lens, Tone
from auditor.record import TONE_SIGNALS, ZONES
from auditor.report import words
from auditor.report.scales import Mark, iso_of, iso_stops, stops, whole_iso_stops, whole_stops

__all__ = ["highest", "lens_chart", "shown_tones", "snr_chart"]

_WIDTH: Final = 720
"""Width of the drawing in units of its own, of which the text of its style sheet is 22 high."""
_HEIGHT: Final = 420
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
"""Share of the field by which a figure beyond its ends is still drawn outside."""


class _Point(NamedTuple):
    """A figure `y` at `x`, in stops, with the ends of its interval."""

    x: float
    y: float
    low: float
    high: float
    key: int = 0
    """Its row of the profile."""
    says: str = ""
    measured: bool = True
    """Whether it was measured, and so has a dot and whiskers."""


class _Scale:
    """Where the values of a scale stand on the drawing."""

    def __init__(
        self, ends: tuple[float, float], at: tuple[int, int], to: Callable[[float], float] = float
    ) -> None:
        self._to = to
        self._low, self._high = map(to, ends)
        self._first, self._last = at

    def __call__(self, value: float) -> int:
        share = (self._to(value) - self._low) / (self._high - self._low)
        share = min(max(share, -_BEYOND), 1 + _BEYOND)
        return round(self._first + share * (self._last - self._first))


class _Field:
    """The scales of a chart, and what is drawn on them."""

    def __init__(
        self, across: tuple[float, float], up: tuple[float, float], to: Callable[[float], float]
    ) -> None:
        self.x = _Scale(across, (_LEFT, _RIGHT))
        self.y = _Scale(up, (_BOTTOM, _TOP), to)

    def _path(self, places: Iterable[tuple[float, float]]) -> str:
        """The line through places: where it starts, then steps."""
        out, last = "", (0, 0)
        for x, y in places:
            here = (self.x(x), self.y(y))
            out += f"l{here[0] - last[0]} {here[1] - last[1]}" if out else f"M{here[0]} {here[1]}"
            last = here
        return out

    def series(
        self, name: str, line: Sequence[_Point], points: Sequence[_Point],
        usual: Iterable[tuple[float, float]] = (), beyond: Iterable[_Point] = (),
    ) -> str:  # fmt: skip
        """One zone or tone: the band of the interval, the line, the points with whiskers and discs; `usual` as faint
        dashes, what lies `beyond` the measured as a dotted line. `name` is the class of its colour."""
        x, y = self.x, self.y
        band = [*((p.x, p.low) for p in line), *((p.x, p.high) for p in reversed(line))]
        measured = [p for p in points if p.measured]
        parts = {
            "p": self._path((p.x, p.y) for p in beyond),
            "b": self._path(band) + "z" if band else "",
            "l": self._path((p.x, p.y) for p in line),
            "w": "".join(f"M{x(p.x)} {y(p.low)}V{y(p.high)}" for p in measured),
            "d": "".join(f"M{x(p.x)} {y(p.y)}h0" for p in measured),
            "u": "".join(f"M{x(at) - _DASH} {y(value)}h{2 * _DASH}" for at, value in usual),
        }
        drawn = "".join(f'<path class="{kind}" d="{d}"/>' for kind, d in parts.items() if d)
        discs = "".join(
            f'<circle class="t" cx="{x(p.x)}" cy="{y(p.y)}" r="{_TARGET_RADIUS}" data-key="{p.key}">'
            f"<title>{escape(p.says)}</title></circle>"
            for p in points
        )
        return f'<g class="s {name}">{drawn}{discs}</g>'

    def drawing(
        self, title: str, series: Iterable[str], across: tuple[str, Sequence[Mark]],
        up: tuple[str, Sequence[Mark]], best: float | None = None, limits: Iterable[float] = (),
    ) -> Markup:  # fmt: skip
        """The chart as one SVG element; `title` says what it is to readers who cannot see it. A line stands at the
        `best`, lines lie at `limits`."""
        x, y = self.x, self.y
        grid = "".join(f"M{_LEFT} {y(m.at)}H{_RIGHT}" for m in up[1])
        grid += "".join(f"M{x(m.at)} {_TOP}V{_BOTTOM}" for m in across[1])
        lines = "" if best is None else f"M{x(best)} {_TOP}V{_BOTTOM}"
        lines += "".join(f"M{_LEFT} {y(limit)}H{_RIGHT}" for limit in limits)
        below = [(x(m.at), _BOTTOM + _BELOW, m.text) for m in across[1]]
        below.append(((_LEFT + _RIGHT) // 2, _HEIGHT - _BOTTOM_MARGIN, across[0]))
        return Markup(
            f'<svg class="plot" viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{escape(title)}">'
            f'<path class="g" d="{grid}"/><path class="i" d="{lines}"/>{"".join(series)}'
            + "".join(
                f'<text x="{_LEFT - _GAP}" y="{y(m.at) + _BASE}" class="e">{m.text}</text>'
                for m in up[1]
            )
            + "".join(
                f'<text x="{at}" y="{base}" class="m">{text}</text>' for at, base, text in below
            )
            + f'<text transform="translate(20 {(_TOP + _BOTTOM) // 2}) rotate(-90)" class="m">{up[0]}</text></svg>'
        )


_MARGIN_F_STOPS: Final = 0.6
"""Stops that the scale goes beyond the outermost apertures: the ends of curves stay clear of the frame."""
_LEAST_STOPS: Final = 4
"""A lens used at one aperture still shows two stops to either side."""
_ABOVE_CPP: Final = 1.08
"""Factor by which the scale goes above the highest figure."""
_MOST_TICKS: Final = 6
"""Steps of the scale up at most."""
_STEPS: Final = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0)
"""Steps that it may have, in cycles per pixel; they have two digits."""


def highest(lens: Lens) -> tuple[float | None, float | None]:
    """The highest figure of a lens (c/px), and the highest end of an interval, so that its charts share one scale."""
    rows: Any = [
        row for part in lens.get("focal_ranges") or () for row in part.get("apertures") or ()
    ]
    zones = [block for row in rows for zone in ZONES if (block := row.get(zone))]
    best = max((block["mtf50_cpp"] or 0 for block in zones), default=0)
    top = max((block.get("high") or 0 for block in zones), default=0)
    return best or None, max(best, top) or None


def lens_chart(
    focal_range: FocalRange, top_cpp: float, span: tuple[float, float], pitch_um: float | None
) -> Markup | None:
    """The chart of one focal range, or None when nothing was measured.

    `top_cpp` (c/px) is the highest figure and `span` the outer f-numbers of the whole lens, so that
    its focal ranges compare at sight; `pitch_um` adds figures in line pairs per millimetre.
    """
    low, high = stops(span[0]) - _MARGIN_F_STOPS, stops(span[1]) + _MARGIN_F_STOPS
    more = max(_LEAST_STOPS - (high - low), 0) / 2
    low, high, top = low - more, high + more, top_cpp * _ABOVE_CPP
    field = _Field((low, high), (0, top), float)
    apertures, curve = focal_range.get("apertures") or (), focal_range.get("curve") or ()
    series, measured = [], False
    for zone in ZONES:
        points = _zone_points(apertures, zone, pitch_um)
        measured |= bool(points)
        line = _zone_points(curve, zone, None)
        # The lens can do more than the photographer usually got.
        usual: Any = [(row.get("f_number"), row.get(f"usual_{zone}_cpp")) for row in apertures]
        dashes = [(stops(n), y) for n, y in usual if n and y is not None and zone != "middle"]
        series.append(field.series(zone, line if len(line) > 1 else points, points, dashes))
    if not measured:
        return None
    step = next(s for s in _STEPS if top / s <= _MOST_TICKS or s == _STEPS[-1])
    ticks = [k * step for k in range(int(top / step) + 1)]
    best = words.best_aperture(focal_range)
    return field.drawing(
        f"Sharpness against aperture at {words.focal(focal_range.get('focal_mm'))}",
        series,
        ("aperture, f/", [Mark(stops(n), words.aperture(n)[2:]) for n in whole_stops(low, high)]),
        (
            'MTF50, <tspan class="unit-name">cycles per pixel</tspan>',
            [Mark(t, f'<tspan class="cpp" data-cpp="{t:g}">{t:.2f}</tspan>') for t in ticks],
        ),
        best=stops(best) if best else None,
    )


def _zone_points(
    rows: Sequence[Aperture] | Sequence[CurvePoint], zone: str, pitch_um: float | None
) -> list[_Point]:
    """A zone's figures; an unknown interval has no length."""
    found = []
    for i, row in enumerate(rows):
        block: Any = row.get(zone) or {}
        n, y = row.get("f_number"), block.get("mtf50_cpp")
        if not n or y is None:
            continue
        low, high = (y if end is None else end for end in (block.get("low"), block.get("high")))
        ends = words.interval(block)
        says = f"{words.aperture(n)}, {zone}: {y:.3f} c/px" + (f" ({ends})" if ends else "")
        says += f", {1000 * y / pitch_um:.0f} lp/mm" if pitch_um else ""
        says += f", {words.count(block.get('frames', row.get('frames')))} behind it"
        found.append(_Point(stops(n), y, low, high, i, says))
    return found


_TONES: Final = ("deep shadow", "shadow", "mid-tone", "bright")
"""Words for every other one of `TONE_SIGNALS`, two stops apart: those that are drawn."""
_MARGIN_ISO_STOPS: Final = 0.4
"""Stops that the scale goes beyond the outermost ISO values."""
_ABOVE_SNR: Final = 1.4
"""Factor by which it goes beyond the lowest and the highest ratio."""
_LABEL_SHARE: Final = 0.1
"""Share of the drawing's height that a mark of two lines and the one beside it need."""
_SNR_TICKS: Final = (1, 2, 5, 10, 20, 40, 100, 200, 400, 1000, 2000)
"""Ratios that are marked: about a stop apart, those of ISO 12232 among them."""


def shown_tones(body: Body) -> list[tuple[str, float, str]]:
    """Class of its colour, signal level (linear, 1 = white) and words for each tone drawn that is known of the body."""
    known = {t.get("signal") for t in body.get("tones") or () if t.get("snr")}
    tones = zip(TONE_SIGNALS[::2], _TONES, strict=True)
    return [(f"tone-{word.split()[0]}", s, word) for s, word in tones if s in known]


def snr_chart(body: Body, thresholds: Mapping[str, float]) -> Markup | None:
    """The chart of one body, or None when nothing was measured.

    `thresholds` maps 'excellent' and 'acceptable' to a signal-to-noise ratio. Their names stand at
    the axis, where no curve can cross them. Ratios are those at the output size for which these limits hold.
    """
    tones = body.get("tones") or ()
    drawn = {name: _tone_points(tones, signal) for name, signal, _ in shown_tones(body)}
    points = [p for of in drawn.values() for p in of]
    if not points:
        return None
    isos, levels = [p.x for p in points], [*(p.y for p in points), *thresholds.values()]
    across = (min(isos) - _MARGIN_ISO_STOPS, max(isos) + _MARGIN_ISO_STOPS)
    up = (min(levels) / _ABOVE_SNR, max(levels) * _ABOVE_SNR)
    field = _Field(across, up, math.log)
    series = []
    for name, of in drawn.items():
        # A curve from the first to the last that was measured, dots beside and beyond where noise is only predicted.
        places = [i for i, p in enumerate(of) if p.measured]
        line = of[places[0] : places[-1] + 1] if places else []
        beyond = of if len(places) < len(of) else []
        series.append(field.series(name, line, of, (), beyond))
    named = {level: key for key, level in thresholds.items()}
    megapixels = body.get("output_megapixels")
    size = f"at {megapixels:g} megapixels" if megapixels else "at the output size"
    ticks = whole_iso_stops(*across) or [round(across[0])]
    return field.drawing(
        "Signal to noise against ISO",
        series,
        ("ISO", [Mark(k, f"{round(iso_of(k))}") for k in ticks]),
        (
            f"signal to noise, {size}",
            [Mark(t, _ratio(t, named.get(t))) for t in _snr_marks(*up, named)],
        ),
        limits=named,
    )


def _ratio(value: float, name: str | None) -> str:
    """'40:1', under its name where it has one."""
    if not name:
        return f"{value:g}:1"
    x = _LEFT - _GAP
    return f'<tspan x="{x}" dy="-.9em">{name}</tspan><tspan x="{x}" dy=".95em">{value:g}:1</tspan>'


def _snr_marks(low: float, high: float, named: Iterable[float] = ()) -> list[float]:
    """Ratios to mark on the axis. Beside the `named` ones, which take two lines, there must be room."""
    kept = [level for level in named if low <= level <= high]
    gap = math.log(high / low) * _LABEL_SHARE
    free = (t for t in _SNR_TICKS if all(abs(math.log(t / k)) > gap for k in kept))
    return sorted({*kept, *(t for t in free if low <= t <= high)})


def _tone_points(tones: Sequence[Tone], signal: float) -> list[_Point]:
    """A tone's figures, the lowest ISO first."""
    found = []
    for i, tone in enumerate(tones):
        iso, snr, predicted = tone.get("iso"), tone.get("snr"), bool(tone.get("predicted"))
        if tone.get("signal") != signal or not iso or not snr:
            continue
        shown = tone.get("snr_output") or snr
        low, high = tone.get("low"), tone.get("high")
        low, high = (
            low and low * shown / snr,
            high and high * shown / snr,
        )  # the interval is the noise's
        says = f"{words.iso(iso)}, signal {words.percent(signal)} of white: {shown:.1f}:1"
        says += f" ({low:.1f} to {high:.1f})" if low and high else ""
        says += ", predicted" if predicted else f", {words.count(tone.get('frames'))} behind it"
        floor = shown / 100  # a scale of logarithms has no zero
        ends = (shown if low is None else max(low, floor), shown if high is None else high)
        found.append(_Point(iso_stops(iso), shown, *ends, i, says, not predicted))
    return sorted(found)
