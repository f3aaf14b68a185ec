"""The chart of one body: signal to noise against ISO at up to four signal levels.

It is drawn at the output size at which the limits of excellent and acceptable hold, where the
profile states it; per pixel otherwise, and without the limits. Marks and whiskers stand where noise
was measured; a curve is drawn between them, and dotted beyond, where it is only predicted.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from markupsafe import escape

from auditor.model import Body, Tone
from auditor.record import MID_GREY
from auditor.report import words
from auditor.report.faults import chart_alone
from auditor.report.scales import iso_of, iso_stops, whole_iso_stops
from auditor.report.svg_charts import TONE_NAMES, Chart, Mark, Series, Target

__all__ = ["at_output", "shown_signals", "snr_chart"]

_POINT: Final = ("x", "y", "low", "high")
_BESIDE: Final = 0.4
"""Stops that the scale goes beyond the outermost ISO values."""
_ABOVE: Final = 1.4
"""Factor by which it goes beyond the lowest and the highest ratio."""
_LABEL_SHARE: Final = 0.1
"""Share of the drawing's height that a mark of two lines and the one beside it need."""
_SNR_TICKS: Final = (1, 2, 5, 10, 20, 40, 100, 200, 400, 1000, 2000)
"""Ratios that are marked: about a stop apart, those of ISO 12232 among them."""
_MOST_POWERS: Final = 8
"""Powers of ten that are marked at most where the range is wider."""


def shown_signals(body: Body) -> dict[str, float]:
    """Colour name -> signal level (linear, 1 = white): the mid-tone, two darker, one brighter."""
    known = {t.get("signal") for t in body.get("tones") or () if t.get("snr")}
    ordered = sorted(s for s in known if s)
    if not ordered:
        return {}
    middle = min(ordered, key=lambda s: abs(math.log2(s / MID_GREY)))
    below = [s for s in ordered if s < middle]
    out = {"tone_mid": middle}
    if below:
        out["tone_deep"] = below[0]
        out["tone_shadow"] = below[(len(below) - 1) // 2 + (len(below) > 1)]
    if ordered[-1] > middle:
        out["tone_high"] = ordered[-1]
    if out.get("tone_shadow") == out.get("tone_deep"):
        out.pop("tone_shadow", None)
    return {name: out[name] for name in TONE_NAMES if name in out}


def at_output(body: Body) -> bool:
    """Whether the profile has every signal to noise of a body at the output size too."""
    tones = [t for t in body.get("tones") or () if t.get("snr")]
    return bool(tones) and all(t.get("snr_output") for t in tones)


@chart_alone("its chart of signal to noise")
def snr_chart(body: Body, thresholds: Mapping[str, float]) -> Chart | None:
    """The chart of one body, or None when nothing was measured.

    `thresholds` maps 'excellent' and 'acceptable' to a signal-to-noise ratio. Their names stand at
    the axis, where no curve can cross them.
    """
    signals, output = shown_signals(body), at_output(body)
    lines = {
        tone: _line(body.get("tones") or (), signal, output) for tone, signal in signals.items()
    }
    points = [p for line in lines.values() for p in zip(line["x"], line["y"], strict=True)]
    if not points:
        return None
    limits = thresholds if output else {}
    across = (min(x for x, _ in points) - _BESIDE, max(x for x, _ in points) + _BESIDE)
    levels = [y for _, y in points] + list(limits.values())
    up = (min(levels) / _ABOVE, max(levels) * _ABOVE)
    named = {level: key for key, level in limits.items()}
    megapixels = body.get("output_megapixels")
    size = f"at {megapixels:g} megapixels" if megapixels else "at the output size"
    return Chart(
        across=across,
        up=up,
        across_marks=[
            Mark(k, f"{round(iso_of(k))}") for k in whole_iso_stops(*across) or [round(across[0])]
        ],
        up_marks=[Mark(t, _ratio(t), named.get(t, "")) for t in _marks(*up, limits.values())],
        across_title="ISO",
        up_title=escape(f"signal to noise, {size if output else 'per pixel'}"),
        series=[_series(t, line) for t, line in lines.items()],
        targets=[t for tone, line in lines.items() for t in _targets(tone, line, signals[tone])],
        logarithmic=True,
        limits=list(limits.values()),
    )


def _ratio(value: float) -> str:
    return f"{round(value)}:1" if value == round(value) else f"{value:g}:1"


def _marks(low: float, high: float, named: Iterable[float] = ()) -> list[float]:
    """Ratios to mark on the axis; whole powers of ten where the range is too wide for more. Beside
    the `named` ones, which take two lines, there must be room."""
    if high <= 2 * _SNR_TICKS[-1]:
        found: list[float] = [t for t in _SNR_TICKS if low <= t <= high]
    else:
        powers = range(max(math.ceil(math.log10(low)), 0), math.floor(math.log10(high)) + 1)
        found = [10**p for p in powers[:: 1 + len(powers) // _MOST_POWERS]]
    kept = [level for level in named if low <= level <= high]
    room = math.log(high / low) * _LABEL_SHARE
    return sorted({*kept, *(t for t in found if all(abs(math.log(t / k)) > room for k in kept))})


def _line(tones: Sequence[Tone], signal: float, output: bool) -> dict[str, list[Any]]:
    rows = []
    for index, tone in enumerate(tones):
        iso, snr, low, high = tone.get("iso"), tone.get("snr"), tone.get("low"), tone.get("high")
        if not iso or iso <= 0 or tone.get("signal") != signal or snr is None or snr <= 0:
            continue
        if output:  # the interval is that of the noise; the size is known
            scale = (tone.get("snr_output") or snr) / snr
            snr, low, high = scale * snr, low and scale * low, high and scale * high
        low, high = snr if low is None else max(low, snr / 100), snr if high is None else high
        frames, predicted = tone.get("frames"), bool(tone.get("predicted"))
        rows.append((iso_stops(iso), snr, low, high, iso, index, frames, predicted))
    rows.sort()
    names = (*_POINT, "iso", "key", "frames", "predicted")
    return {k: [r[i] for r in rows] for i, k in enumerate(names)}


def _series(tone: str, line: dict[str, list[Any]]) -> Series:
    """Marks where noise was measured, a curve from the first of them to the last, dots beside it."""
    seen = [i for i, predicted in enumerate(line["predicted"]) if not predicted]
    span = range(seen[0], seen[-1] + 1) if seen else ()
    drawn, marks = ({k: [line[k][i] for i in at] for k in _POINT} for at in (span, seen))
    beyond = {k: line[k] for k in ("x", "y")} if any(line["predicted"]) else None
    return Series(tone.replace("_", "-"), drawn, marks, predicted=beyond)


def _targets(tone: str, line: dict[str, list[Any]], signal: float) -> list[Target]:
    found = []
    for i, snr in enumerate(line["y"]):
        head = f"{words.iso(line['iso'][i])}, signal {words.percent(signal)} of white"
        says = f"{snr:.1f}:1 ({line['low'][i]:.1f} to {line['high'][i]:.1f})"
        frames = words.count(line["frames"][i])
        behind = "predicted" if line["predicted"][i] else f"{frames} behind it"
        found.append(Target(line["x"][i], snr, line["key"][i], tone, head, says, behind))
    return found
