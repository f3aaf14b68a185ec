"""The chart of one body: signal to noise against ISO at up to four signal levels.

It is drawn at the output size at which the limits of excellent and acceptable hold, where the
profile states it; per pixel otherwise, and without the limits. Marks and whiskers stand where noise
was measured; a curve is drawn between them, and dotted beyond, where it is only predicted.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from markupsafe import escape

from auditor.model import Body, Tone
from auditor.record import MID_GREY
from auditor.report import words
from auditor.report.scales import Mark, iso_of, iso_stops, whole_iso_stops
from auditor.report.svg_charts import TONE_NAMES, Chart, Point, Series, Target

__all__ = ["at_output", "reduced_for_output", "shown_signals", "snr_chart"]

_MARGIN_STOPS: Final = 0.4
"""Stops that the scale goes beyond the outermost ISO values."""
_ABOVE: Final = 1.4
"""Factor by which it goes beyond the lowest and the highest ratio."""
_LABEL_SHARE: Final = 0.1
"""Share of the drawing's height that a mark of two lines and the one beside it need."""
_SNR_TICKS: Final = (1, 2, 5, 10, 20, 40, 100, 200, 400, 1000, 2000)
"""Ratios that are marked: about a stop apart, those of ISO 12232 among them."""


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


def reduced_for_output(body: Body) -> bool:
    """Whether any frame is larger than the output, so that its pixels there are less noisy than its own."""
    tones = body.get("tones") or ()
    return any((t.get("snr_output") or 0) != (t.get("snr") or 0) for t in tones)


def snr_chart(body: Body, thresholds: Mapping[str, float]) -> Chart | None:
    """The chart of one body, or None when nothing was measured.

    `thresholds` maps 'excellent' and 'acceptable' to a signal-to-noise ratio. Their names stand at
    the axis, where no curve can cross them.
    """
    output = at_output(body)
    tones = body.get("tones") or ()
    series = [_series(tones, name, s, output) for name, s in shown_signals(body).items()]
    points = [t.at for one in series for t in one.targets]
    if not points:
        return None
    limits = thresholds if output else {}
    across = (min(p.x for p in points) - _MARGIN_STOPS, max(p.x for p in points) + _MARGIN_STOPS)
    levels = [*(p.y for p in points), *limits.values()]
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
        series=series,
        logarithmic=True,
        limits=list(limits.values()),
    )


def _ratio(value: float) -> str:
    return f"{round(value)}:1" if value == round(value) else f"{value:g}:1"


def _marks(low: float, high: float, named: Iterable[float] = ()) -> list[float]:
    """Ratios to mark on the axis. Beside the `named` ones, which take two lines, there must be room."""
    found = [t for t in _SNR_TICKS if low <= t <= high]
    kept = [level for level in named if low <= level <= high]
    gap = math.log(high / low) * _LABEL_SHARE
    return sorted({*kept, *(t for t in found if all(abs(math.log(t / k)) > gap for k in kept))})


def _series(tones: Sequence[Tone], name: str, signal: float, output: bool) -> Series:
    """Marks where noise was measured, a curve from the first of them to the last, dots beside it."""
    of_signal = [(i, t) for i, t in enumerate(tones) if t.get("signal") == signal]
    targets = [_target(t, i, output) for i, t in of_signal if t.get("iso") and t.get("snr")]
    targets.sort()
    measured = [i for i, t in enumerate(targets) if t.measured]
    line = targets[measured[0] : measured[-1] + 1] if measured else []
    beyond = targets if len(measured) < len(targets) else []
    return Series(name.replace("_", "-"), [t.at for t in line], targets, (), [t.at for t in beyond])


def _target(tone: Tone, i: int, output: bool) -> Target:
    snr, low, high = tone["snr"] or 0.0, tone.get("low"), tone.get("high")
    scale = (tone.get("snr_output") or snr) / snr if output else 1.0  # the interval is the noise's
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
