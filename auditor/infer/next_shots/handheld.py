"""Frames held by hand that would tell from which shutter time on a photographer shakes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from auditor.infer.next_shots.series import usual_focal
from auditor.model import Shot

__all__ = ["handheld_requests"]

Block = Mapping[str, Any]

_EACH: Final = 8
"""Frames at each shutter time: of eight at the limit about one is shaken."""
_STEPS: Final = 4
"""Stops between the fastest and the slowest shutter time: none and nearly all are shaken there."""
_SHARE: Final = 0.02
"""How far the figures of a lens may be off where the limit is open: by the shaken frames among its own
(common practice, no source)."""


def handheld_requests(
    lenses: Sequence[Block], handheld: Sequence[Block]
) -> list[tuple[Shot, float]]:
    """A request for each lens whose limit its frames left open, and what it is worth."""
    out: list[tuple[Shot, float]] = []
    for entry in handheld:
        if entry["limit_stops"] is not None or entry["lens"] in (None, "unknown lens"):
            continue
        focal, spot = _usual(lenses, entry)
        slowest = _STEPS - 1
        shot: Shot = {
            "kind": "handheld",
            "lens": entry["lens"],
            "body": entry["body"],
            "converter": entry["converter"],
            "focal_mm": focal,
            "apertures": [] if spot is None else [spot],
            "iso": [],
            "frames": _EACH * (_STEPS + 1),
            "how": "held as always, a detailed subject that stands still; "
            f"{_EACH} frames at each of {_STEPS + 1} shutter times, a stop apart, from one stop "
            f"faster to {slowest} stops slower than 1 / focal length in full-frame terms; "
            "the ISO sets the exposure",
            "why": f"no handheld limit: {entry['text']}",
            "gain": "the shutter time at which one frame in ten is shaken",
        }
        out.append((shot, _SHARE * entry["frames"]))
    return out


def _usual(lenses: Sequence[Block], entry: Block) -> tuple[float | None, float | None]:
    """Focal length and sweet spot of the focal range with most frames."""
    for lens in lenses:
        same = all(lens[k] == entry[k] for k in ("lens", "body", "converter"))
        if same and lens["focal_ranges"]:
            part = max(lens["focal_ranges"], key=lambda p: p["frames"])
            spot = part["sweet_spot"]
            return usual_focal(part), None if spot is None else spot["f_number"]
    return None, None
