"""All requests together: what one afternoon can settle, those that settle most first.

What a request would settle is weighed by the frames that its answer is about times how far the figure
may be off now, as a share (a stop of ISO changes noise by a factor of root two). Only gear in use is
asked for, apertures and ISO values that it has, and no more than can be shot in two hours.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from auditor.gear.phones import like_a_phone, one_aperture
from auditor.infer.next_shots.series import (
    SMALLEST_STOP,
    unnamed,
    widest_named,
)
from auditor.model import Shot

__all__ = ["next_shots", "open_note"]

Block = Mapping[str, Any]

AFTERNOON_MIN: Final = 120.0
"""What one afternoon holds."""
SET_UP_MIN: Final = 8.0
"""Minutes to find a subject, set up and focus (common practice, no source)."""
PER_FRAME_MIN: Final = 0.4
"""Minutes a frame takes on a tripod, the self-timer's ten seconds and focusing anew included (the same)."""
ISO_ABOVE: Final = 2.0
"""A body is trusted to have the next whole stop above the highest ISO it was used at, no more."""


def next_shots(
    found: Iterable[tuple[Shot, float]],
    lenses: Sequence[Block],
    gear: Block | None = None,
    requested: Sequence[Shot] = (),
) -> tuple[list[Shot], int]:
    """Requests for the test frames of one afternoon, those that settle most first.

    Parameters
    ----------
    found : iterable of (Shot, float)
        Requests, each with what it is worth: from `lens_series` and `body_requests`.
    lenses : sequence of mapping
        Entries of the profile.
    gear : mapping, optional
        From `gear.usage.gear_in_use`: what is not in use is not asked for.
    requested : sequence of Shot
        Requests in the same form that the photographer's own questions need; they fill what time remains.

    Returns
    -------
    shots : list of Shot
        Each names `kind` ("sharpness", "noise", "comparison", ...), lens, body,
        converter, focal_mm, apertures, iso, frames, minutes, how, why and gain; what a request does not ask
        for is None or empty. Lenses without a name come last, and are left out where the body has no name
        either: nobody would know what to take out of the bag.
    unlisted : int
        How many more there are than fit into the afternoon.
    """
    kept = [
        (shot, weight)
        for request, weight in found
        if _in_use(request, gear) and (shot := _feasible(request, lenses, gear)) is not None
    ]
    kept.sort(key=lambda s: (s[0]["kind"] == "sharpness" and unnamed(s[0], "lens"), -s[1]))
    wanted = [shot for shot, _ in kept] + [shot.copy() for shot in requested]
    chosen, minutes_left = [], AFTERNOON_MIN
    for shot in wanted:
        shot["minutes"] = round(SET_UP_MIN + PER_FRAME_MIN * (shot["frames"] or 0))
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
        if wanted:
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
