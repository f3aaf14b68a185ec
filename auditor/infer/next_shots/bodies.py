"""Frames that would settle how far a body's ISO may go, how it compares, and its read noise."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
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


def body_requests(
    bodies: Sequence[Block], iso_matches: Sequence[Block]
) -> list[tuple[Shot, float]]:
    """Requests for test frames of bodies: noise in each kind of file, and read noise.

    Parameters
    ----------
    bodies : sequence of mapping
        The profile's `bodies`; those without a name are passed over.
    iso_matches : sequence of mapping
        The profile's `iso_matches`.

    Returns
    -------
    list of (Shot, float)
        Each with what it is worth: frames concerned, times how far the figure may be off, as a share.
    """
    frames = {b["body"]: b.get("frames_used") or 0 for b in bodies}
    out: list[tuple[Shot, float]] = []
    for body in bodies:
        if body["body"] in (None, "unknown body"):
            continue
        measured = [
            k
            for k in (body, *body["other_kinds"])
            if k["kind"] and (_used(k) or not k["brightness"])
        ]
        if not measured:  # no frame showed its noise, or only at ISO values that no camera has
            out += _unmeasured(body)
            continue
        shot = [k for k in measured if k["kind"] in ("camera", "raw")]
        for kind in shot or measured[:1]:
            out += _noise(body["body"], kind, frames, iso_matches)
        out += _read_noise(body)
    return out


def _request(
    body: str, isos: Iterable[int], why: str, gain: str, kind: str = "noise", how: str = _HOW
) -> Shot:
    steps = sorted(set(isos))
    chosen = [steps[i] for i in evenly(len(steps), MOST_STEPS)]
    return shot_of(kind, _EACH * len(chosen), how, why, body=body, iso=chosen, gain=gain)


def _unmeasured(body: Block) -> list[tuple[Shot, float]]:
    """A body of which no frame tells its noise."""
    reasons = [r["reason"] for r in body.get("left_out") or ()]
    why = "nothing is known of its noise"
    shot = _request(
        body["body"],
        _UNKNOWN_ISOS,
        why=why + (f": every frame {' or '.join(reasons)}" if reasons else ""),
        gain="usable ISO in bright and in dark scenes",
    )
    return [(shot, _PER_STOP * _BELOW_STOPS * body["frames"])]


def _noise(
    body: str, kind: Block, frames: Mapping[str, int], matches: Sequence[Block]
) -> list[tuple[Shot, float]]:
    isos: set[int] = set()
    reasons: dict[str, None] = {}
    weight = 0.0
    for band in kind["brightness"]:
        open_stops = 0.0
        for name, detail in band["usable_iso_detail"].items():
            low, high = detail["low"], detail["high"]
            figure = f"{name} ISO in {band['band']}"
            if band["usable_iso"][name] is None:
                # Light that the body has not met yet can wait.
                wanted = _below(kind) if band["frames"] else []
                why = f"{figure} lies below ISO {_lowest(kind)}, the lowest used"
                stops = _BELOW_STOPS
            elif detail["reason"]:
                continue  # it lies above every ISO used: the frames so far did without
            else:
                stops = _stops(low, high)
                wide = stops > _WIDE_STOPS and band["frames"]
                wanted = _between(kind, low, high) if wide else []
                why = f"{figure} known only to ISO {low} to {high}"
            if wanted:
                isos |= set(wanted)
                reasons[why] = None
                open_stops = max(open_stops, stops)
        weight += _PER_STOP * open_stops * band["frames"]
    for why, wanted, match_weight in _matches(body, kind, frames, matches):
        isos |= set(wanted)
        reasons[why] = None
        weight += match_weight
    if not isos:
        return []
    source = {"raw": "raw files: ", "camera": ""}.get(
        kind["kind"], f"known from {kind['kind']} files only; "
    )
    shot = _request(
        body,
        isos,
        why=source + "; ".join(list(reasons)[:4]),
        gain="how far ISO may go in bright and in dark scenes",
        how=f"raw files; {_HOW}" if kind["kind"] == "raw" else _HOW,
    )
    return [(shot, weight)]


def _matches(
    body: str, kind: Block, frames: Mapping[str, int], matches: Sequence[Block]
) -> Iterable[tuple[str, list[int], float]]:
    """Comparisons with other bodies that are open within the ISO values both used, asked of the body
    with fewer frames."""
    widest: dict[str, Block] = {}
    for m in matches:
        if m["body"] != body or m["kind"] != kind["kind"] or m["predicted"]:
            continue
        other = m["reference_body"]
        if (frames.get(other, 0), other) < (frames.get(body, 0), body):
            continue
        old = widest.get(other)
        if old is None or _stops(m["low"], m["high"]) > _stops(old["low"], old["high"]):
            widest[other] = m
    for other, m in widest.items():
        stops = _stops(m["low"], m["high"])
        if stops > _WIDE_STOPS:
            why = (
                f"ISO {m['reference_iso']} on the {other} matches ISO {m['low']} to {m['high']} "
                "here, no closer"
            )
            yield (
                why,
                _between(kind, m["low"], m["high"]),
                _PER_STOP * stops * m["frames"],
            )


def _read_noise(body: Block) -> list[tuple[Shot, float]]:
    reason = (body.get("sensor") or {}).get("level_reason")
    if not reason:
        return []
    used = [row["iso"] for row in body["sensor"]["by_iso"] if row["read_noise_e"] is not None]
    wanted = [i for i in _DARK_ISOS if i not in used]
    if len(used) >= len(_DARK_ISOS):
        wanted = [nominal_iso(max(used) * 2.0**s) for s in (1, 2)]
    shot = _request(
        body["body"],
        wanted,
        kind="read noise",
        how=_HOW_RAW,
        why=f"read noise by ISO is open: {reason}",
        gain="read noise, and the ISO from which raising it no longer helps",
    )
    return [(shot, SLIGHT_SHARE * body["frames"])]


def _used(kind: Block) -> list[int]:
    return sorted({int(t["iso"]) for t in kind.get("tones") or ()})


def _lowest(kind: Block) -> int:
    return _used(kind)[0]


def _below(kind: Block) -> list[int]:
    """Whole stops down to the sensor's usual base; none where the body was used there."""
    lowest = _lowest(kind)
    out: list[int] = []
    while lowest > _NEAR_BASE * _BASE and len(out) < 2:
        lowest = max(nominal_iso(lowest / 2), _BASE)
        out.append(lowest)
    return out


def _between(kind: Block, low: int, high: int) -> list[int]:
    """Whole stops across an interval, its ends among them, but nothing lower than cameras have."""
    low = max(low, min(_BASE, _lowest(kind)))
    if high <= low:
        return [low]
    count = max(round(_stops(low, high)), 1)
    return [nominal_iso(low * (high / low) ** (i / count)) for i in range(count + 1)]


def _stops(low: float | None, high: float | None) -> float:
    return math.log2(high / low) if low and high else _BELOW_STOPS
