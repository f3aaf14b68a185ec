"""All requests together, the most telling first.

What a request would settle is weighed by the frames that its answer is about times how far the figure
may be off now, as a share (a stop of ISO changes noise by a factor of root two).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from auditor.infer.criteria import Criteria
from auditor.infer.next_shots.bodies import body_requests
from auditor.infer.next_shots.handheld import handheld_requests
from auditor.infer.next_shots.series import lens_series, nameless

__all__ = ["next_shots", "open_note"]

Block = Mapping[str, Any]

_LIMIT: Final = 12


def next_shots(
    lenses: Sequence[Block],
    bodies: Sequence[Block],
    iso_matches: Sequence[Block],
    handheld: Sequence[Block],
    criteria: Criteria,
) -> tuple[list[dict[str, Any]], int]:
    """Requests for test frames, the most telling first, and how many more there are than are given.

    Each names `kind` ("sharpness", "noise", "read noise", "handheld"), lens, body, converter, focal_mm,
    apertures, iso, frames, how, why and gain; what a request does not ask for is None or empty. Lenses
    without a name come last, and are left out where the body has no name either: nobody would know
    what to take out of the bag.
    """
    found = [
        *lens_series(lenses, criteria),
        *body_requests(bodies, iso_matches),
        *handheld_requests(lenses, handheld),
    ]
    found.sort(key=lambda s: (s["kind"] == "sharpness" and nameless(s, "lens"), -s["weight"]))
    for request in found:
        del request["weight"]
    return found[:_LIMIT], max(len(found) - _LIMIT, 0)


def open_note(profile: Block) -> str | None:
    """One sentence on what to do where test frames cannot be named; None where nothing is open.

    `profile` has frames, lenses, bodies and next_shots.
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
        return (
            "No lens could be judged: give files that still name lens and aperture, as the camera "
            "wrote them, or shoot one series from a tripod, five apertures from wide open to f/16, "
            "three frames at each."
        )
    if all(nameless(lens, "lens") and nameless(lens, "body") for lens in lenses):
        return (
            "What is open belongs to frames that name neither lens nor body: give the files as the "
            "camera wrote them."
        )
    return None
