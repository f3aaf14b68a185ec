"""What the page says of decisions: visible or not, lens against lens, changes, dust, focus."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import groupby
from typing import Any, Final

from auditor.model import LensChoice, Profile, Rival, VisibleLoss
from auditor.report import words

__all__ = ["decisions_view"]

_WIDTH: Final = 640
"""Width of the drawing of lenses by focal length, in units of its own, of which its text is 13 high."""
_LEFT: Final = 200
"""Where its scale of focal lengths begins; to the left stand the names."""
_ROW: Final = 26
"""Height of a lens's row: a line of text and air ..."""
_TOP: Final = 6
"""... of the air above its bar ..."""
_BAR: Final = (4, 12)
"""... and of the bar: least, and how much the sharpest lens adds to that."""
_END: Final = 4
"""By so much a bar goes beyond its ends, so that one focal length is seen."""
_SCALE: Final = 24
"""Height of the figures under the rows."""
_MARGIN: Final = 1.15
"""Factor by which the scale goes beyond the outermost focal lengths."""
_TICKS_MM: Final = (14, 20, 24, 35, 50, 85, 135, 200, 400)
"""Focal lengths that are marked: usual fixed ones (common practice, no source)."""
_MOST_SPOTS: Final = 12
"""Spots of dust that are shown; more are counted."""


def decisions_view(profile: Profile) -> dict[str, Any] | None:
    """What the template fragment shows; None where there is nothing to say."""
    rivals, dust = profile.get("rivals") or [], profile.get("dust") or []
    view = {
        "visible": _visible(profile),
        "noise": profile.get("noise_visible"),
        "rivals": sorted((r for r in rivals if not r.get("declined")), key=_unnamed),
        "declined": [r for r in rivals if r.get("declined")],
        "choices": _choices(profile.get("lens_choice") or []),
        "changes": profile.get("changes"),
        "dust": dust[:_MOST_SPOTS],
        "more_dust": max(len(dust) - _MOST_SPOTS, 0),
        "focus": profile.get("focus_bias"),
        "failed": profile.get("decisions_failed"),
    }
    return view if any(view.values()) else None


def _unnamed(rival: Rival) -> bool:
    return not any(z.get("sharper") for z in (rival.get("zones") or {}).values())


def _visible(profile: Profile) -> list[list[VisibleLoss]]:
    """Losses, which lie lens by lens and range by range, a list for each."""

    def place(row: VisibleLoss) -> list[Any]:
        return [row.get("lens"), row.get("body"), row.get("converter"), row.get("focal_mm")]

    return [list(rows) for _, rows in groupby(profile.get("visible") or [], key=place)]


def _choices(rows: Sequence[LensChoice]) -> list[dict[str, Any]]:
    """One picture for each body: a bar for each lens over the focal lengths it covers."""
    out = []
    for body in dict.fromkeys(r["body"] for r in rows):
        mine = sorted((r for r in rows if r["body"] == body), key=lambda r: r["focal_mm"][0] or 0)
        ends = [f for r in mine for f in r["focal_mm"] if f]
        low, high = math.log(min(ends) / _MARGIN), math.log(max(ends) * _MARGIN)
        best = max(r["mtf50_cpp"] for r in mine)

        def at(focal: float | None, low: float = low, high: float = high) -> float:
            return _LEFT + (_WIDTH - _LEFT) * (math.log(focal or 1) - low) / (high - low)

        bars = []
        for i, row in enumerate(mine):
            first, last = at(row["focal_mm"][0]), at(row["focal_mm"][1])
            bars.append(
                {
                    "x": round(first - _END, 1),
                    "width": round(last - first + 2 * _END, 1),
                    "y": i * _ROW + _TOP,
                    "height": round(_BAR[0] + _BAR[1] * row["mtf50_cpp"] / best, 1),
                    "name": words.lens_name(row),
                    "take": row.get("take"),
                    "says": f"{words.lens_name(row)} at {words.focal(row['focal_mm'])}: "
                    f"{row['mtf50_cpp']:.3f} c/px at f/{row['f_number']:g}"
                    + ("; the one to take" if row.get("take") == "yes" else ""),
                }
            )
        ticks = [f for f in _TICKS_MM if low < math.log(f) < high]
        out.append(
            {
                "body": words.known_name(body),
                "bars": bars,
                "ticks": [(round(at(f), 1), f) for f in ticks],
                "width": _WIDTH,
                "height": len(bars) * _ROW + _SCALE,
            }
        )
    return out
