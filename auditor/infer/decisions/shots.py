"""What to shoot or do next because of a decision: few requests, each with its reason."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from auditor.infer.decisions.sensor_dust import REFERENCE_F_NUMBER
from auditor.model import Decisions, DustSpot, FocusBias, GearChange, Shot

__all__ = ["decision_shots"]

_FLAT_FRAMES: Final = 6
"""Three frames, and three with the camera upside down."""
_FOCUS_FRAMES: Final = 10
"""Five focused as usual, and five on the magnified picture."""
_FLAT: Final = "tripod, a detailed subject that is flat and far, focused on the magnified picture"


def decision_shots(decisions: Decisions) -> list[Shot]:
    """Requests for test frames that would settle decisions, in the shape of the profile's `next_shots`.

    Parameters
    ----------
    decisions : Decisions
        From `decide`; missing lists count as empty.

    Returns
    -------
    list of Shot
        Changes of lenses first, then focus, then dust (one request for each body whose spots have not gone).
    """
    return [
        *(_change(c) for c in decisions.get("changes", ()) if c["lens"]),
        *(_focus(f) for f in decisions.get("focus_bias", ())),
        *_dust(decisions.get("dust", ())),
    ]


def _request(
    kind: str, of: GearChange | FocusBias, frames: int, how: str, why: str, focal_mm: Any = None
) -> Shot:  # fmt: skip
    return {
        "kind": kind, "lens": of["lens"], "body": of["body"], "converter": of["converter"],
        "lens_serial": of.get("lens_serial"),
        "focal_mm": focal_mm, "gain": None, "apertures": [], "iso": [], "frames": frames, "how": how,
        "why": why,
    }  # fmt: skip


def _change(entry: GearChange) -> Shot:
    return _request(
        "change", entry,
        frames=_FLAT_FRAMES, how=f"{_FLAT}; three frames, then three with the camera turned upside down",
        why=f"{entry['text'][0].lower()}{entry['text'][1:]}: frames of one flat subject tell whether "
        "lens or habit changed",
    )  # fmt: skip


def _focus(entry: FocusBias) -> Shot:
    return _request(
        "focus", entry,
        focal_mm=entry["focal_mm"], frames=_FOCUS_FRAMES,
        how="tripod, widest aperture, a flat subject with a ruler running away from the camera beside "
        "it; five frames focused as usual, five on the magnified picture",
        why=entry["text"],
    )  # fmt: skip


def _dust(spots: Sequence[DustSpot]) -> list[Shot]:
    """One request for a body whose spots have not gone."""
    remaining: dict[str | None, list[DustSpot]] = {}
    for spot in spots:
        if not spot["gone_by"]:
            remaining.setdefault(spot["body"], []).append(spot)
    return [
        {
            "kind": "dust", "lens": None, "body": body, "converter": None, "focal_mm": None,
            "gain": None, "apertures": [REFERENCE_F_NUMBER], "iso": [100], "frames": 3,
            "how": "the plain sky or a white wall out of focus, the camera moved between the frames; once "
            "before and once after cleaning the sensor",
            "why": f"{'a spot of dust was' if len(own) == 1 else f'{len(own)} spots of dust were'} last seen "
            f"on {max(s['last'] for s in own)}",
        }
        for body, own in remaining.items()
    ]  # fmt: skip
