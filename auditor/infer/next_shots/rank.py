"""All requests together: what one afternoon can settle, those that settle most first.

What a request would settle is weighed by the frames that its answer is about times how far the figure
may be off now, as a share (a stop of ISO changes noise by a factor of root two). Only gear in use is
asked for, apertures and ISO values that it has, and no more than can be shot in two hours.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

from auditor.gear.phones import like_a_phone, one_aperture
from auditor.infer.criteria import Criteria
from auditor.infer.next_shots.bodies import body_requests
from auditor.infer.next_shots.series import (
    SLIGHT_SHARE,
    lens_series,
    short_end,
    unnamed,
    widest_named,
)
from auditor.model import Shot, shot_of

__all__ = ["handheld_requests", "next_shots", "open_note"]

Block = Mapping[str, Any]

AFTERNOON_MIN: Final = 120.0
"""What one afternoon holds."""
SET_UP_MIN: Final = 8.0
"""Minutes to find a subject, set up and focus (common practice, no source)."""
PER_FRAME_MIN: Final = {"handheld": 0.1}
"""Minutes a frame takes held by hand ..."""
ON_TRIPOD_MIN: Final = 0.4
"""... and on a tripod, the self-timer's ten seconds and focusing anew included (the same)."""
SMALLEST_STOP: Final = 22.0
"""No lens is asked for a smaller aperture than it was used at, past this one."""
ISO_ABOVE: Final = 2.0
"""A body is trusted to have the next whole stop above the highest ISO it was used at, no more."""


def next_shots(
    lenses: Sequence[Block],
    bodies: Sequence[Block],
    handheld: Sequence[Block],
    criteria: Criteria,
    gear: Block | None = None,
    requested: Sequence[Shot] = (),
) -> tuple[list[Shot], int]:
    """Requests for the test frames of one afternoon, those that settle most first.

    Parameters
    ----------
    lenses, bodies, handheld : sequence of mapping
        Entries of the profile.
    criteria : Criteria
        Interval.
    gear : mapping, optional
        From `gear.usage.gear_in_use`: what is not in use is not asked for.
    requested : sequence of Shot
        Requests in the same form that the photographer's own questions need; they fill what time remains.

    Returns
    -------
    shots : list of Shot
        Each names `kind` ("sharpness", "noise", "read noise", "handheld", "comparison"), lens, body,
        converter, focal_mm, apertures, iso, frames, minutes, how, why and gain; what a request does not ask
        for is None or empty. Lenses without a name come last, and are left out where the body has no name
        either: nobody would know what to take out of the bag.
    unlisted : int
        How many more there are than fit into the afternoon.
    """
    found = [
        *lens_series(lenses, criteria),
        *body_requests(bodies),
        *handheld_requests(lenses, handheld),
    ]
    kept = [
        (shot, weight)
        for request, weight in found
        if _in_use(request, gear) and (shot := _feasible(request, lenses, gear)) is not None
    ]
    kept.sort(key=lambda s: (s[0]["kind"] == "sharpness" and unnamed(s[0], "lens"), -s[1]))
    wanted = [shot for shot, _ in kept] + [shot.copy() for shot in requested]
    chosen, minutes_left = [], AFTERNOON_MIN
    for shot in wanted:
        each = PER_FRAME_MIN.get(shot["kind"] or "", ON_TRIPOD_MIN)
        shot["minutes"] = round(SET_UP_MIN + each * (shot["frames"] or 0))
        if shot["minutes"] <= minutes_left:
            chosen.append(shot)
            minutes_left -= shot["minutes"]
    return chosen, len(wanted) - len(chosen)


def _used(gear: Block | None, many: str, **names: Any) -> Block | None:
    """The entry of `gear` with these names; None where there is none."""
    known = {k: None if name == f"unknown {k}" else name for k, name in names.items()}
    found = (gear or {}).get(many) or ()
    return next((g for g in found if known.items() <= g.items()), None)


def _in_use(request: Block, gear: Block | None) -> bool:
    if not gear:
        return True
    body = _used(gear, "bodies", body=request["body"])
    if request["lens"] is None:
        if body is None or body["role"] != "in use":
            return False
        # A scanner states no ISO, so none can be set.
        return not request["iso"] or body["iso_low"] is not None
    names = {k: request[k] for k in ("lens", "body", "converter")}
    lens = _used(gear, "lenses", **names)
    return lens is not None and lens["role"] == "in use"


def _feasible(shot: Shot, lenses: Sequence[Block], gear: Block | None) -> Shot | None:
    """The request with apertures and ISO values that the gear has; None where none is left."""
    apertures, isos = shot["apertures"] or [], shot["iso"] or []
    own, own_isos = _within(apertures, _apertures(shot, lenses)), _within(isos, _isos(shot, gear))
    shot["apertures"], shot["iso"] = own, own_isos
    for wanted, kept in ((apertures, own), (isos, own_isos)):
        # One aperture or one ISO alone settles nothing that others are compared with.
        if wanted and len(kept) < min(len(wanted), 2):
            return None
        if wanted and shot["kind"] != "handheld":
            shot["frames"] = round((shot["frames"] or 0) / len(wanted) * len(kept))
    return shot


def _within(wanted: Sequence[float], span: tuple[float, float]) -> list[float]:
    return [v for v in wanted if span[0] <= v <= span[1]]


def _apertures(request: Block, lenses: Sequence[Block]) -> tuple[float, float]:
    """Ends of the apertures that a lens has, as far as is known."""
    parts = [(x, part) for x in lenses if _same_copy(x, request) for part in x["focal_ranges"]]
    used = [a["f_number"] for _, part in parts for a in part["apertures"]]
    if not used:
        return 0.0, math.inf
    widest = min(used + [n for x, part in parts for n in widest_named(x, part)])
    small = all(like_a_phone(x, part) for x, part in parts)
    return widest, max(used) if small else max(*used, SMALLEST_STOP)


def _isos(request: Block, gear: Block | None) -> tuple[float, float]:
    """Ends of the ISO values that a body has, as far as is known."""
    body = _used(gear, "bodies", body=request["body"]) or {}
    return body.get("iso_low") or 0.0, (body.get("iso_high") or math.inf) * ISO_ABOVE


def _same_copy(lens: Block, of: Block) -> bool:
    """Whether a request or entry is about this lens, by its serial too where one name has several copies."""
    names = ("lens", "body", "converter", "lens_serial")
    return all(lens.get(k) == of.get(k) for k in names)


def open_note(profile: Block) -> str | None:
    """One sentence on what to do where no test frames can be named.

    Parameters
    ----------
    profile : mapping
        Profile with `frames`, `lenses`, `bodies` and `next_shots`.

    Returns
    -------
    str or None
        None where nothing is open.
    """
    frames, lenses = profile["frames"], profile["lenses"]
    files = "give the files as the camera wrote them"
    if not frames["found"]:
        return f"No photograph was found: {files}, in the folder that holds them, then run again."
    if not frames["measured"]:
        return f"No file could be measured: look at the reasons under 'set aside', and {files}."
    parts = [(lens, part) for lens in lenses for part in lens["focal_ranges"]]
    if profile["next_shots"] or any(part["sweet_spot"] for _, part in parts):
        return None
    if parts and all(one_aperture(lens, part) for lens, part in parts):
        return (
            "Every lens here was used at its one aperture, as phones have: there is none to choose."
        )
    series = "one series from a tripod, five apertures from wide open to f/16, three frames at each"
    if not all(unnamed(lens, "lens") for lens in lenses):
        return f"No lens has frames enough to be judged: shoot {series}, with the one you use most."
    return (
        f"No lens could be judged: {files}, which still name lens and aperture, or shoot {series}."
    )


_EACH: Final = 8
"""Frames at each shutter time: of eight at the limit about one is shaken."""
_STEPS: Final = 4
"""Stops between the fastest and the slowest shutter time: none and nearly all are shaken there."""


def handheld_requests(
    lenses: Sequence[Block], handheld: Sequence[Block]
) -> list[tuple[Shot, float]]:
    """A request for each lens whose handheld limit its frames left open.

    Parameters
    ----------
    lenses, handheld : sequence of mapping
        Entries of the profile.

    Returns
    -------
    list of (Shot, float)
        Each with what it is worth.
    """
    out: list[tuple[Shot, float]] = []
    for entry in handheld:
        if entry["limit_stops"] is not None or entry["lens"] in (None, "unknown lens"):
            continue
        slowest = _STEPS - 1
        steady = entry.get("steady_to_stops")
        if steady is not None and steady >= slowest:
            continue  # the series would reach no further than the frames that are there
        parts = [(x, p) for x in lenses if _same_copy(x, entry) for p in x["focal_ranges"]]
        # The focal range with most frames.
        unknown: tuple[Block, Block] = ({}, {})
        lens, part = max(parts, key=lambda found: found[1]["frames"], default=unknown)
        spot = part.get("sweet_spot")
        if spot is None and like_a_phone(lens, part):
            continue  # phones choose the time themselves
        how = (
            "held as always, a detailed subject that stands still; "
            f"{_EACH} frames at each of {_STEPS + 1} shutter times, a stop apart, from one stop "
            f"faster to {slowest} stops slower than 1 / focal length in full-frame terms; "
            "the ISO sets the exposure"
        )
        shot = shot_of(
            "handheld", _EACH * (_STEPS + 1), how, f"no handheld limit: {entry['text']}", entry,
            focal_mm=short_end(part),
            apertures=[] if spot is None else [spot["f_number"]],
            gain="the shutter time at which one frame in ten is shaken",
        )  # fmt: skip
        out.append((shot, SLIGHT_SHARE * entry["frames"]))
    return out
