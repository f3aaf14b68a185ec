"""What the page says of decisions: visible or not, lens against lens, changes, dust, focus."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

from auditor.report import words
from auditor.report.profile_parts import Block

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


def decisions_view(profile: Block) -> dict[str, Any] | None:
    """Plain values for the template fragment; None where there is nothing to say."""
    rivals = [
        {**r, "seen": _by_verdict(r.get("seen"))}
        for r in (profile.get("rivals") or [])
        if not r.get("declined")
    ]
    view = {
        "visible": _visible(profile),
        "noise": _noise(profile),
        "rivals": [r for r in rivals if _named(r)] + [r for r in rivals if not _named(r)],
        "declined": [r for r in (profile.get("rivals") or []) if r.get("declined")],
        "choices": _choices(profile.get("lens_choice") or []),
        "changes": (profile.get("changes") or []),
        "dust": (profile.get("dust") or [])[:_MOST_SPOTS],
        "more_dust": max(len(profile.get("dust") or []) - _MOST_SPOTS, 0),
        "focus": (profile.get("focus_bias") or []),
        "failed": [f for f in profile.get("decisions_failed") or () if isinstance(f, str)],
    }
    return view if any(view.values()) else None


def _named(rival: Block) -> bool:
    return any(z.get("sharper") for z in (rival.get("zones") or {}).values())


def _by_verdict(seen: Any) -> dict[str, list[str]]:
    """Ways of viewing by what can be told of them."""
    out: dict[str, list[str]] = {}
    for viewing, word in (seen or {}).items():
        out.setdefault(word, []).append(viewing)
    return out


def _visible(profile: Block) -> list[dict[str, Any]]:
    """By lens and focal range: the viewings across, the apertures down."""
    groups: dict[Any, dict[str, Any]] = {}
    for row in profile.get("visible") or []:
        focal = tuple(row.get("focal_mm") or ())
        key = (row.get("lens"), row.get("body"), row.get("converter"), focal)
        group = groups.setdefault(
            key,
            {
                "name": words.lens_name(row),
                "body": words.known_name(row.get("body")),
                "focal": words.focal(row.get("focal_mm")),
                "against": row.get("against_f_number"),
                "evidence": row.get("evidence"),
                "viewings": [],
                "apertures": {},
            },
        )
        if row["viewing"] not in group["viewings"]:
            group["viewings"].append(row["viewing"])
        group["apertures"].setdefault(row["f_number"], []).append(row)
    return list(groups.values())


def _noise(profile: Block) -> dict[str, Any] | None:
    """Bodies by ways of viewing: from which ISO on noise shows."""
    bodies: dict[str, dict[str, str]] = {}
    viewings: list[str] = []
    for row in profile.get("noise_visible") or []:
        name = words.known_name(row.get("body")) or "Unnamed body"
        hidden, seen = row.get("iso"), row.get("first_seen_iso")
        if seen is None:
            told = f"not up to ISO {hidden}, the highest used"
        else:
            told = f"ISO {seen}" + (", the lowest used" if hidden is None else "")
        bodies.setdefault(name, {})[row["viewing"]] = told
        if row["viewing"] not in viewings:
            viewings.append(row["viewing"])
    return {"bodies": bodies, "viewings": viewings} if bodies else None


def _choices(rows: Sequence[Block]) -> list[dict[str, Any]]:
    """One picture for each body: a bar for each lens over the focal lengths it covers."""
    out = []
    for body in dict.fromkeys(r["body"] for r in rows):
        mine = sorted((r for r in rows if r["body"] == body), key=lambda r: r["focal_mm"][0])
        ends = [f for r in mine for f in r["focal_mm"]]
        low, high = math.log(min(ends) / _MARGIN), math.log(max(ends) * _MARGIN)
        best = max(r["mtf50_cpp"] for r in mine)

        def at(focal: float, low: float = low, high: float = high) -> float:
            return _LEFT + (_WIDTH - _LEFT) * (math.log(focal) - low) / (high - low)

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
