"""All requests together: what one afternoon can settle, those that settle most first.

What a request would settle is weighed by the frames that its answer is about times how far the figure
may be off now, as a share (a stop of ISO changes noise by a factor of root two). Only gear in use is
asked for, apertures and ISO values that it has, and no more than can be shot in two hours.
"""

from __future__ import annotations

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
    iso_matches: Sequence[Block],
    handheld: Sequence[Block],
    criteria: Criteria,
    gear: Block | None = None,
    requested: Sequence[Shot] = (),
) -> tuple[list[Shot], int]:
    """Requests for the test frames of one afternoon, those that settle most first.

    Parameters
    ----------
    lenses, bodies, iso_matches, handheld : sequence of mapping
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
        *body_requests(bodies, iso_matches),
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

    def name(value: Any) -> Any:
        return None if value in ("unknown lens", "unknown body") else value

    return next(
        (g for g in (gear or {}).get(many) or () if all(g[k] == name(v) for k, v in names.items())),
        None,
    )


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
    shot["apertures"] = _within(apertures, _apertures(shot, lenses)) if apertures else []
    shot["iso"] = _within(isos, _isos(shot, gear)) if isos else []
    for wanted, kept in ((apertures, shot["apertures"]), (isos, shot["iso"])):
        if not wanted:
            continue
        # One aperture or one ISO alone settles nothing that others are compared with.
        if not kept or (len(kept) < 2 <= len(wanted)):
            return None
        if shot["kind"] != "handheld":
            shot["frames"] = round((shot["frames"] or 0) / len(wanted) * len(kept))
    return shot


def _within(wanted: Sequence[float], span: tuple[float, float] | None) -> list[float]:
    """The values that lie within a span, all of them where it is not known."""
    if span is None:
        return list(wanted)
    return [v for v in wanted if span[0] <= v <= span[1]]


def _apertures(request: Block, lenses: Sequence[Block]) -> tuple[float, float] | None:
    parts = [(x, part) for x in lenses if _same_copy(x, request) for part in x["focal_ranges"]]
    used = [a["f_number"] for _, part in parts for a in part["apertures"]]
    if not used:
        return None
    widest = min(used + [n for x, part in parts for n in widest_named(x, part)])
    small = all(like_a_phone(x, part) for x, part in parts)
    return widest, max(used) if small else max(max(used), SMALLEST_STOP)


def _same_copy(lens: Block, of: Block) -> bool:
    """Whether a request or entry is about this lens, by its serial too where one name has several copies."""
    names = ("lens", "body", "converter", "lens_serial")
    return all(lens.get(k) == of.get(k) for k in names)


def _isos(request: Block, gear: Block | None) -> tuple[float, float] | None:
    body = _used(gear, "bodies", body=request["body"]) or {}
    low, high = body.get("iso_low"), body.get("iso_high")
    return None if low is None or high is None else (low, high * ISO_ABOVE)


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
    if not frames["found"]:
        return (
            "No photograph was found: give the folder that holds the files as the camera wrote them "
            "(raw, JPEG, HEIC), then run again."
        )
    if not frames["measured"]:
        return (
            "No file could be measured: look at the reasons under 'set aside', and give the files as "
            "the camera wrote them."
        )
    if profile["next_shots"]:
        return None
    if not any(part["sweet_spot"] for lens in lenses for part in lens["focal_ranges"]):
        series = (
            "one series from a tripod, five apertures from wide open to f/16, three frames at each"
        )
        parts = [(lens, part) for lens in lenses for part in lens["focal_ranges"]]
        if parts and all(one_aperture(lens, part) for lens, part in parts):
            return "Every lens here was used at its one aperture, as phones have: there is none to choose."
        if not all(unnamed(lens, "lens") for lens in lenses):
            return f"No lens has frames enough to be judged: shoot {series}, with the one you use most."
        return (
            "No lens could be judged: give files that still name lens and aperture, as the camera "
            f"wrote them, or shoot {series}."
        )
    if all(unnamed(lens, "lens") and unnamed(lens, "body") for lens in lenses):
        return (
            "What is open belongs to frames that name neither lens nor body: give the files as the "
            "camera wrote them."
        )
    return None


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
        lens, part = _usual(lenses, entry)
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


def _usual(lenses: Sequence[Block], entry: Block) -> tuple[Block, Block]:
    """The lens of an entry and its focal range with most frames; both empty where there is none."""
    for lens in lenses:
        if _same_copy(lens, entry) and lens["focal_ranges"]:
            return lens, max(lens["focal_ranges"], key=lambda p: p["frames"])
    return {}, {}
