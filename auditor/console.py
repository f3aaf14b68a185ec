"""What the terminal shows: progress with rate and time left, and single frames in words."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from auditor.crawl.names import as_text, printable
from auditor.record import MID_GREY, ZONES, row_to_object
from auditor.report import words
from auditor.units import HOUR_S, MINUTE_S

if TYPE_CHECKING:
    from auditor.cli_frame import Terminal
    from auditor.engine import Progress

__all__ = ["frame_line", "frame_lines", "progress_display"]

_PLAIN_EVERY_S: Final = 10.0
"""Seconds between two lines where there is no terminal: a night's log stays readable."""
_FIRST_AFTER_S: Final = 2.0
"""Seconds to the first, which shows that something goes on."""
_SHOWN_PX: Final = 0.05
"""The least shift of a colour that is not told as 0.0 px."""
_LONGEST: Final = 1.5
"""A time up to so many of the next larger unit is given in the smaller one: 90 s, 90 min."""


@contextmanager
def progress_display(terminal: Terminal) -> Iterator[Callable[[Progress], None]]:
    """A line on how far a scan is: written anew in its place on a terminal, elsewhere every ten seconds.

    Parameters
    ----------
    terminal : auditor.cli_frame.Terminal
        Where lines go, and what keeps a terminal that went away from ending the run.

    Yields
    ------
    callable
        Takes a `Progress` and shows it.
    """
    live = sys.stderr.isatty()
    last = time.monotonic() - _PLAIN_EVERY_S + _FIRST_AFTER_S

    def show(event: Progress) -> None:
        nonlocal last
        now = time.monotonic()
        if live or now - last >= _PLAIN_EVERY_S:
            last = now
            total = event.total if event.total is not None else f"{event.found} found so far"
            terminal.to_stderr(f"measured {event.done} of {total}{_pace(event)}", in_place=live)

    try:
        yield show
    finally:
        if live:
            terminal.to_stderr("", in_place=True)


def _pace(event: Progress) -> str:
    parts = [event.note] if event.note else []
    if event.set_aside:
        parts.append(f"{event.set_aside} set aside")
    if event.rate:
        parts.append(f"{event.rate:.1f} a second")
    if event.eta_s is not None:
        parts.append(f"about {_duration(event.eta_s)} left")
    return "".join(f", {part}" for part in parts)


def _duration(seconds: float) -> str:
    if seconds < _LONGEST * MINUTE_S:
        return f"{seconds:.0f} s"
    if seconds < _LONGEST * HOUR_S:
        return f"{seconds / MINUTE_S:.0f} min"
    return f"{seconds / HOUR_S:.1f} h"


def frame_line(row: Mapping[str, Any]) -> str:
    """A frame as one JSON object on one line.

    Parameters
    ----------
    row : mapping
        Values by the names of `record.COLUMNS`.

    Returns
    -------
    str
        ASCII, as `auditor measure --json` prints it.
    """
    frame = row_to_object(row)
    shown = {**frame, "path": as_text(frame["path"])}
    return json.dumps(shown, ensure_ascii=True, allow_nan=False)


def frame_lines(row: Mapping[str, Any]) -> list[str]:
    """A frame in words, for a person at a terminal.

    Parameters
    ----------
    row : mapping
        Values by the names of `record.COLUMNS`.

    Returns
    -------
    list of str
        Lines: settings, MTF50 by zone, noise, fringing; one line with the reason for a file set aside.
    """
    frame = row_to_object(row)
    path = printable(frame["path"])
    if frame["status"] != "measured":
        return [f"{path}: set aside: {frame['reason']}"]
    s = frame["settings"]
    settings_used = [str(s[k]) for k in ("body", "lens", "converter") if s[k]]
    formats = {
        "focal_length_mm": words.focal, "f_number": words.aperture,
        "exposure_time_s": words.shutter, "iso": words.iso,
    }  # fmt: skip
    settings_used += [write(s[k]) for k, write in formats.items() if s[k]]
    lines = [f"{path}: {', '.join(settings_used) or 'no settings in the file'}"]
    for zone in ZONES:
        lines.append(f"  {zone:<7} {_zone_words(frame['sharpness'][zone], s)}")
    if frame["sharpness"]["note"]:
        lines.append(f"  {frame['sharpness']['note']}")
    noise = frame["noise"]
    if noise["sigma_code8"] is not None:
        middle = next((t for t in noise["tones"] if t["signal"] == MID_GREY), None)
        snr = f", signal to noise {middle['snr']:.0f}:1 at mid-grey" if middle else ""
        lines.append(f"  noise   {noise['sigma_code8']:.2f} code values of 255{snr}")
    elif noise["note"]:
        lines.append(f"  noise   not measured: {noise['note']}")
    fringes = _fringe_words(frame["fringing"])
    return lines + ([f"  fringes {fringes}"] if fringes else [])


def _fringe_words(fringing: Mapping[str, Any] | None) -> str:
    found = fringing or {}
    names = (("red", "lateral_red_px"), ("blue", "lateral_blue_px"))
    parts = [
        f"{name} {abs(found[k]):.1f} px off green"
        for name, k in names
        if abs(found.get(k) or 0) >= _SHOWN_PX
    ]
    seam = found.get("fringe_width_px")
    if seam is not None:
        parts.append(f"coloured seams {seam:.1f} px wide" if seam else "no coloured seams")
    return ", ".join(parts)


def _zone_words(zone: Mapping[str, Any] | None, settings: Mapping[str, Any]) -> str:
    if zone is None:
        return "not measured"
    value = zone["mtf50_cpp"]
    parts = [f"MTF50 {value:.3f} cycles per pixel (standard error {zone['stderr_cpp'] or 0:.3f})"]
    if settings["width_px"] and settings["height_px"]:
        # Line widths per picture height count both the light and the dark line of a cycle.
        height = min(settings["width_px"], settings["height_px"])
        parts.append(f"{2 * value * height:.0f} line widths per picture height")
    if settings["pixel_pitch_um"]:
        parts.append(f"{value * 1000 / settings['pixel_pitch_um']:.0f} line pairs per mm")
    parts.append(f"from {words.count(zone['edges'], 'edge')}")
    return ", ".join(parts)
