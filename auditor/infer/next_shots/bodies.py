"""Frames that would settle how far a body's ISO may go, and its read noise."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Final

from auditor.exposure import nominal_iso
from auditor.infer.frame_values import evenly
from auditor.infer.next_shots.series import MOST_STEPS, SLIGHT_SHARE
from auditor.model import Shot, shot_of

__all__ = ["body_requests"]

Block = Mapping[str, Any]

_WIDE_STOPS: Final = 1.0
"""Width of an interval of ISO, in stops, from which on it is worth a test."""
_BELOW_STOPS: Final = 2.0
"""What an answer counts as that lies below every ISO used: the frames of that light fall short."""
_PER_STOP: Final = 0.5 * math.log(2) / 2
"""Share by which noise is off for each stop of an interval's width: half of it is the error, and noise
goes with the root of ISO (photon noise)."""
_EACH: Final = 4
"""Frames at each ISO: the scatter of four tells whether one of them is off."""
_BASE: Final = 100
"""The usual ISO at which a sensor fills (common practice, no source)."""
_UNKNOWN_ISOS: Final = (100, 400, 1600, 6400)
"""ISO values of a body of which nothing is known: two stops apart, as noise goes with the root of ISO."""
_NEAR_BASE: Final = 1.2
"""ISO values within this factor of the base are the base, as bodies with ISO 120 or 125 have it."""
_DARK_ISOS: Final = (100, 400, 1600)
"""ISO values at which read noise is asked for: it falls up to where the amplifier outweighs the converter, as a
rule in these four stops (common practice, no source)."""
_HOW: Final = (
    "tripod, a scene with even areas from dark to bright (walls, cloth, overcast sky), exposed as "
    "usual; no long exposures, noise reduction as always, files as the camera writes them"
)
_HOW_RAW: Final = (
    "raw files, tripod, shutter under a second, a scene whose even areas reach from near black to "
    "bright, such as a wall with a deep shadow"
)


def body_requests(bodies: Sequence[Block]) -> list[tuple[Shot, float]]:
    """Requests for test frames of bodies: noise as their files show it, and read noise.

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
        # Files as the camera writes them tell more than edited ones.
        kinds.sort(key=lambda k: k["kind"] not in ("camera", "raw"))
        if kinds:
            out += _noise(body["body"], kinds[0])
            out += _read_noise(body)
        else:  # no frame showed its noise, or only at ISO values that no camera has
            out += _unmeasured(body)
    return out


def _request(
    body: str, isos: Iterable[int], why: str, gain: str, kind: str = "noise", how: str = _HOW
) -> Shot:
    steps = sorted(set(isos))
    chosen = [steps[i] for i in evenly(len(steps), MOST_STEPS)]
    return shot_of(kind, _EACH * len(chosen), how, why, body=body, iso=chosen, gain=gain)


def _unmeasured(body: Block) -> Iterator[tuple[Shot, float]]:
    """A body of which no frame tells its noise."""
    reasons = [r["reason"] for r in body.get("left_out") or ()]
    why = "nothing is known of its noise"
    why += f": every frame {' or '.join(reasons)}" if reasons else ""
    gain = "usable ISO in bright and in dark scenes"
    shot = _request(body["body"], _UNKNOWN_ISOS, why, gain)
    yield shot, _PER_STOP * _BELOW_STOPS * body["frames"]


def _noise(body: str, kind: Block) -> Iterator[tuple[Shot, float]]:
    """Limits that lie below every ISO used, or are known to no better than a stop, in light that the body has met."""
    isos: set[int] = set()
    reasons: list[str] = []
    weight = 0.0
    for band in kind["brightness"]:
        open_stops = 0.0
        for name, detail in band["usable_iso_detail"].items():
            low, high = detail["low"], detail["high"]
            figure = f"{name} ISO in {band['band']}"
            if band["usable_iso"][name] is None:
                stops, wanted = _BELOW_STOPS, _below(kind)
                why = f"{figure} lies below ISO {_used(kind)[0]}, the lowest used"
            else:
                stops = math.log2(high / low) if low and high else _BELOW_STOPS
                # What lies above every ISO used is open too, but the frames so far did without.
                wide = stops > _WIDE_STOPS and not detail["reason"]
                wanted = _between(kind, low, high) if wide else []
                why = f"{figure} known only to ISO {low} to {high}"
            if wanted and band["frames"]:
                isos |= set(wanted)
                reasons.append(why)
                open_stops = max(open_stops, stops)
        weight += _PER_STOP * open_stops * band["frames"]
    if isos:
        source = {"raw": "raw files: ", "camera": ""}.get(
            kind["kind"], f"known from {kind['kind']} files only; "
        )
        how = f"raw files; {_HOW}" if kind["kind"] == "raw" else _HOW
        gain = "how far ISO may go in bright and in dark scenes"
        yield _request(body, isos, source + "; ".join(reasons[:4]), gain, how=how), weight


def _read_noise(body: Block) -> Iterator[tuple[Shot, float]]:
    reason = (body.get("sensor") or {}).get("level_reason")
    if not reason:
        return
    used = [row["iso"] for row in body["sensor"]["by_iso"] if row["read_noise_e"] is not None]
    wanted = [i for i in _DARK_ISOS if i not in used]
    if not wanted:
        wanted = [nominal_iso(max(used) * 2.0**s) for s in (1, 2)]
    why = f"read noise by ISO is open: {reason}"
    gain = "read noise, and the ISO from which raising it no longer helps"
    shot = _request(body["body"], wanted, why, gain, kind="read noise", how=_HOW_RAW)
    yield shot, SLIGHT_SHARE * body["frames"]


def _used(kind: Block) -> list[int]:
    return sorted({int(t["iso"]) for t in kind.get("tones") or ()})


def _below(kind: Block) -> list[int]:
    """Whole stops down to the sensor's usual base; none where the body was used there."""
    lowest = _used(kind)[0]
    steps = [max(nominal_iso(lowest / factor), _BASE) for factor in (2, 4)]
    return steps if lowest > _NEAR_BASE * _BASE else []


def _between(kind: Block, low: int, high: int) -> list[int]:
    """Whole stops across an interval, its ends among them, but nothing lower than cameras have."""
    low = max(low, min(_BASE, _used(kind)[0]))
    if high <= low:
        return [low]
    count = max(round(math.log2(high / low)), 1)
    return [nominal_iso(low * (high / low) ** (i / count)) for i in range(count + 1)]
