"""Test series that would settle what an archive leaves open of its lenses and bodies.

A series is proposed where it would change what the card says or how far that is to be trusted:
the sweet spot is not known to a third of a stop, the curve is still rising where the archive ends,
apertures between are missing, the evidence is thin or fair, or usable ISO is known to no better than a stop. What is
settled is not named.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Final

from auditor.exposure import F_NUMBERS, f_number_index, nominal_iso
from auditor.infer.frame_values import evenly
from auditor.infer.lenses.evidence import NOT_YET
from auditor.model import Shot, shot_of
from auditor.record.pools import EXPORTS
from auditor.settings.names import range_from_name

__all__ = [
    "SMALLEST_STOP",
    "body_requests",
    "lens_series",
    "unnamed",
    "widest_named",
]

Block = Mapping[str, Any]

_WANTED: Final = 0.03
"""Half-width (share of MTF50) that a series is planned for."""
_UNKNOWN: Final = 0.3
"""What a curve (share of MTF50) or a body's noise may be off by where nothing is known."""
_MOST_STEPS: Final = 5
"""Apertures or ISO values of one request: a round of them is taken within the minutes that light stays the
same, and two stops apart they hold the whole range of a body."""
_FRAMES_EACH: Final = 4
"""Frames at an aperture or ISO: the scatter of four tells whether one of them is off, and good frames from a tripod, which
scatter by some 4% (common practice, no source), are then known to `_WANTED`."""
_UNKNOWN_TO: Final = 11.0
"""f-number up to which a curve of which nothing is known is wanted at least: where diffraction surely has taken over
(common practice, no source)."""
SMALLEST_STOP: Final = 22.0
"""Where most lenses end (common practice, no source): none is asked for a smaller aperture than it was used at, past
this one."""
_STILL_RISING: Final = 8.0
"""A lens that still gets sharper at an f-number below this is wanted further."""
_WHOLE_STOP: Final = 3
"""Thirds of a stop in a whole one."""
_F_NUMBERS: Final = re.compile(r"f/\d+(?:\.\d+)?(?:, f/\d+(?:\.\d+)?)*")
"""A run of apertures in a reason."""
_REWRITTEN: Final = ("edited", EXPORTS)
"""Kinds of file that no camera writes."""
_HOW: Final = (
    "files as the camera writes them, at full size; tripod, self-timer or remote release, a detailed subject that is flat and far (a façade, "
    "a wood's edge), focused once on the magnified picture; all apertures within minutes, ISO 100 "
    "to 400, refocus after every round"
)


def lens_series(lenses: Sequence[Block]) -> list[tuple[Shot, float]]:
    """A test series for every focal range of which something is open.

    Parameters
    ----------
    lenses : sequence of mapping
        The profile's `lenses`; those without a name are left out where the body has no name either.

    Returns
    -------
    list of (Shot, float)
        Each with what it is worth: frames of the range, times how far its curve may be off, as a share.
    """
    found = [
        _series(lens, part)
        for lens in lenses
        if not (unnamed(lens, "lens") and unnamed(lens, "body"))
        for part in lens["focal_ranges"]
    ]
    return [series for series in found if series is not None]


def unnamed(entry: Block, what: str) -> bool:
    """Whether an entry has no lens or body that anybody could find."""
    return entry[what] in (None, f"unknown {what}")


def _series(lens: Block, part: Block) -> tuple[Shot, float] | None:
    wanted: set[float] = set()
    reasons: list[str] = []
    widths = {a["f_number"]: _zone_width(a) for a in part["apertures"]}
    spot = part["sweet_spot"]
    if spot is None:
        kept = _unknown(lens, part, wanted, reasons)
    else:
        kept = {spot["f_number"]}
        _sweet_spot(spot, widths, wanted, reasons)
        _gaps(sorted(widths), wanted, reasons)
        _evidence(part, widths, wanted, reasons)
    if not wanted:
        return None
    apertures = _few(wanted, kept)
    worst = max(widths.get(n, math.inf) for n in apertures)
    # What edited or reduced files show is not known of files as the camera writes them.
    known = math.isfinite(worst) and lens.get("source") not in _REWRITTEN
    gain = "a best aperture" if spot is None else "curve at these apertures"
    gain += f"; the worst of these apertures known to ±{100 * worst:.0f}% now" if known else ""
    error = max(worst if known else _UNKNOWN, _WANTED)
    few_days = any("outing" in reason for reason in part["reasons"])
    shot = shot_of(
        "sharpness", _FRAMES_EACH * len(apertures),
        _HOW + ("; on another day" if few_days else ""), "; ".join(reasons), lens,
        focal_mm=_short_end(part), apertures=apertures, gain=gain,
    )  # fmt: skip
    return shot, part["frames"] * error


def _few(wanted: set[float], kept: set[float]) -> list[float]:
    """At most `_MOST_STEPS` of some apertures: both ends, those kept, and of the others those furthest apart, the
    smaller ones first, as the best lies among them more often than wide open."""
    steps = sorted(wanted)
    while len(steps) > _MOST_STEPS:
        inner = range(1, len(steps) - 1)
        free = [i for i in inner if steps[i] not in kept] or inner
        place = [f_number_index(f) for f in steps]
        del steps[min(free, key=lambda i: place[i + 1] - place[i - 1])]
    return steps


def _short_end(part: Block) -> float | None:
    """Shortest focal length (mm) of a range, None where it is unknown: zooms are widest there, so that every
    aperture used in the range can be set."""
    return round(part["focal_mm"][0], 1) if part.get("focal_mm") else None


def _unknown(lens: Block, part: Block, wanted: set[float], reasons: list[str]) -> set[float]:
    """No sweet spot at all: whole stops from the widest aperture, as the lens's name or use tells it, and the
    apertures of which frames are missing by the reason; the ends of each run of these are returned, as more of them
    would leave no room where the best may lie."""
    used = [a["f_number"] for a in part["apertures"]]
    first = min(used + widest_named(lens, part), default=4.0)
    index = f_number_index(first)
    last = max(f_number_index(_UNKNOWN_TO), index + 2 * _WHOLE_STOP)
    last = min(last, f_number_index(SMALLEST_STOP))
    if last < index:
        return set()
    stated = next((r for r in part["reasons"] if r.startswith(NOT_YET)), None)
    if lens.get("source") == "edited":
        # Frames as the camera writes them begin a curve of their own, so those of this one are not counted on.
        reasons.append("no best aperture can be told from its edited files so far")
    else:
        reasons.append(stated or "no sweet spot can be told from the apertures used so far")
    # A lens named f/1.7 whose frames say f/1.8 has one opening there.
    first = next((f for f in used if f_number_index(f) == index), first)
    missing: set[float] = set()
    for run in _F_NUMBERS.findall(stated or ""):
        listed = [float(n.removeprefix("f/")) for n in run.split(", ")]
        wanted.update(listed)
        missing |= {min(listed), max(listed)}
    wanted.add(first)
    for i in range(index + 2, last + 1):
        if i % _WHOLE_STOP == 0:  # f/1 has a whole place
            # Frames at an aperture that was used tell more than frames a third of a stop beside it.
            near = [f for f in used if abs(f_number_index(f) - i) <= 1]
            wanted.add(min(near, key=lambda f: abs(f_number_index(f) - i), default=F_NUMBERS[i]))
    return missing


def widest_named(lens: Block, part: Block) -> list[float]:
    """The widest aperture that the bare lens's name states for a focal range: none or one."""
    ranges = range_from_name(lens["lens"] or "")
    if ranges is None or lens["converter"] is not None:
        return []
    short = part["focal_mm"] is not None and part["focal_mm"][0] <= ranges.short_mm
    stop = ranges.f_short if short else ranges.f_long
    return [] if stop is None else [stop]


def _sweet_spot(
    spot: Block, widths: Mapping[float, float], wanted: set[float], reasons: list[str]
) -> None:
    at, low, high = (f_number_index(spot[k]) for k in ("f_number", "low", "high"))
    between = [f for f in widths if spot["low"] <= f <= spot["high"]]
    known = [widths[f] for f in between if math.isfinite(widths[f])]
    # A flat top needs no test: candidates that differ by less than that are as good as each other.
    if max(at - low, high - at) > 1 and max(known, default=0.0) > _WANTED:
        wanted.update(between)
        reasons.append(f"sweet spot known only to f/{spot['low']:g} to f/{spot['high']:g}")
    if spot["f_number"] == max(widths) and at < f_number_index(_STILL_RISING):
        beyond = [F_NUMBERS[at + _WHOLE_STOP * step] for step in (1, 2)]
        wanted.update([spot["f_number"], *beyond])
        reasons.append(f"still getting sharper at f/{spot['f_number']:g}, the smallest used")


def _gaps(used: Sequence[float], wanted: set[float], reasons: list[str]) -> None:
    """Apertures in the middle of wide gaps between those used."""
    gaps = []
    for low, high in itertools.pairwise(used):
        thirds = f_number_index(high) - f_number_index(low)
        if thirds >= 2 * _WHOLE_STOP:  # the closed form alone says what lies between
            # One aperture alone could be held against none.
            wanted.update((low, F_NUMBERS[f_number_index(low) + thirds // 2], high))
            gaps.append(f"between f/{low:g} and f/{high:g}")
    if gaps:
        reasons.append(f"no frame {' or '.join(gaps)}")


def _evidence(
    part: Block, widths: Mapping[float, float], wanted: set[float], reasons: list[str]
) -> None:
    """Where the evidence is thin or fair, the apertures that are known worst and the sweet spot."""
    if part["evidence"] not in ("thin", "fair"):
        return
    worst = sorted(widths, key=lambda f: -widths[f])
    wanted.update([part["sweet_spot"]["f_number"], *worst[:3]])
    # More than one reason is not read.
    text = f"the evidence is {part['evidence']}"
    reasons.append(f"{text} ({part['reasons'][0]})" if part["reasons"] else text)


def _zone_width(aperture: Block) -> float:
    """Half-width of the interval of the zone that is known worst, as a share; infinite where none is known."""
    known = [
        (z["high"] - z["low"]) / 2 / z["mtf50_cpp"]
        for z in (aperture["centre"], aperture["corner"])
        if z is not None
    ]
    return max(known, default=math.inf)


_WIDE_STOPS: Final = 1.0
"""Width of an interval of ISO, in stops, from which on it is worth a test."""
_PER_STOP: Final = 0.5 * math.log(2) / 2
"""Share by which noise is off for each stop of an interval's width: half of it is the error, and noise
goes with the root of ISO (photon noise)."""
_UNKNOWN_ISOS: Final = (100, 400, 1600, 6400)
"""ISO values of a body of which nothing is known: two stops apart, as noise goes with the root of ISO."""
_HOW_NOISE: Final = (
    "tripod, a scene with even areas from dark to bright (walls, cloth, overcast sky), exposed as "
    "usual; no long exposures, noise reduction as always, files as the camera writes them"
)


def body_requests(bodies: Sequence[Block]) -> list[tuple[Shot, float]]:
    """Requests for test frames of bodies, for noise as their files show it.

    Parameters
    ----------
    bodies : sequence of mapping
        The profile's `bodies`; those without a name are passed over.

    Returns
    -------
    list of (Shot, float)
        Each with what it is worth: frames concerned, times how far the figure may be off, as a share.
    """
    out: list[tuple[Shot, float]] = []
    for body in bodies:
        if body["body"] in (None, "unknown body"):
            continue
        kinds = [k for k in (body, *body["other_kinds"]) if k["kind"] and _used(k)]
        # Files as the camera writes them tell more than edited ones, unless none of them shows noise.
        kinds.sort(key=lambda k: (_shows_none(k), k["kind"] not in ("camera", "raw")))
        if kinds:
            out += _noise(body["body"], kinds[0])
        else:  # no frame showed its noise, or only at ISO values that no camera has
            out += _unmeasured(body)
    return out


def _request(body: str, isos: Iterable[int], why: str, gain: str, how: str = _HOW_NOISE) -> Shot:
    steps = sorted(set(isos))
    chosen = [steps[i] for i in evenly(len(steps), _MOST_STEPS)]
    return shot_of("noise", _FRAMES_EACH * len(chosen), how, why, body=body, iso=chosen, gain=gain)


def _unmeasured(body: Block) -> Iterator[tuple[Shot, float]]:
    """A body of which no frame tells its noise."""
    reasons = [r["reason"] for r in body.get("left_out") or ()]
    why = "nothing is known of its noise"
    why += f": every frame {' or '.join(reasons)}" if reasons else ""
    gain = "usable ISO in bright and in dark scenes"
    shot = _request(body["body"], _UNKNOWN_ISOS, why, gain)
    yield shot, _UNKNOWN * body["frames"]


def _noise(body: str, kind: Block) -> Iterator[tuple[Shot, float]]:
    """Limits that are known to no better than a stop, in light that the body has met."""
    ends: list[int] = []
    reasons: list[str] = []
    weight, lowest = 0.0, _used(kind)[0]
    for band in kind["brightness"]:
        widths = [0.0]
        for name, detail in band["usable_iso_detail"].items():
            low, high = detail["low"], detail["high"]
            # What lies above every ISO used is open too, but the frames so far did without; what lies below, the
            # body may not have.
            if not band["frames"] or band["usable_iso"][name] is None or detail["reason"]:
                continue
            if low and high and math.log2(high / low) > _WIDE_STOPS:
                widths.append(math.log2(high / low))
                ends += [max(low, lowest), high]
                reasons.append(f"{name} ISO in {band['band']} known only to ISO {low} to {high}")
        weight += _PER_STOP * max(widths) * (band["frames"] or 0)
    if ends:
        isos = _whole_stops(min(ends), max(ends))
        source = {"raw": "raw files: ", "camera": ""}.get(
            kind["kind"], f"known from {kind['kind']} files only; "
        )
        how = f"raw files; {_HOW_NOISE}" if kind["kind"] == "raw" else _HOW_NOISE
        gain = "how far ISO may go in bright and in dark scenes"
        yield _request(body, isos, source + "; ".join(reasons[:4]), gain, how=how), weight


def _shows_none(kind: Block) -> bool:
    return all(tone["snr"] is None for tone in kind["tones"])


def _used(kind: Block) -> list[int]:
    return sorted({int(t["iso"]) for t in kind.get("tones") or ()})


def _whole_stops(low: float, high: float) -> list[int]:
    """Whole stops across an interval, its ends among them."""
    if high <= low:
        return [nominal_iso(low)]
    count = max(round(math.log2(high / low)), 1)
    return [nominal_iso(low * (high / low) ** (i / count)) for i in range(count + 1)]
