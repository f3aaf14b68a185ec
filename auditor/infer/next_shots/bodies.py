"""Frames that would settle how far a body's ISO may go."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Final

from auditor.exposure import nominal_iso
from auditor.infer.frame_values import evenly
from auditor.infer.next_shots.series import MOST_STEPS
from auditor.model import Shot, shot_of

__all__ = ["body_requests"]

Block = Mapping[str, Any]

_WIDE_STOPS: Final = 1.0
"""Width of an interval of ISO, in stops, from which on it is worth a test."""
_UNKNOWN_STOPS: Final = 2.0
"""How far the ISO of a body may be off of which nothing is known."""
_PER_STOP: Final = 0.5 * math.log(2) / 2
"""Share by which noise is off for each stop of an interval's width: half of it is the error, and noise
goes with the root of ISO (photon noise)."""
_EACH: Final = 4
"""Frames at each ISO: the scatter of four tells whether one of them is off."""
_UNKNOWN_ISOS: Final = (100, 400, 1600, 6400)
"""ISO values of a body of which nothing is known: two stops apart, as noise goes with the root of ISO."""
_HOW: Final = (
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


def _request(body: str, isos: Iterable[int], why: str, gain: str, how: str = _HOW) -> Shot:
    steps = sorted(set(isos))
    chosen = [steps[i] for i in evenly(len(steps), MOST_STEPS)]
    return shot_of("noise", _EACH * len(chosen), how, why, body=body, iso=chosen, gain=gain)


def _unmeasured(body: Block) -> Iterator[tuple[Shot, float]]:
    """A body of which no frame tells its noise."""
    reasons = [r["reason"] for r in body.get("left_out") or ()]
    why = "nothing is known of its noise"
    why += f": every frame {' or '.join(reasons)}" if reasons else ""
    gain = "usable ISO in bright and in dark scenes"
    shot = _request(body["body"], _UNKNOWN_ISOS, why, gain)
    yield shot, _PER_STOP * _UNKNOWN_STOPS * body["frames"]


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
        how = f"raw files; {_HOW}" if kind["kind"] == "raw" else _HOW
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
