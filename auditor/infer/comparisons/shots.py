"""Which pairs to shoot next, to settle what an accessory costs."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

from auditor.infer.comparisons.verdict import USUAL_PAIRS
from auditor.model import Comparison, Shot

__all__ = ["pairs_to_shoot"]

_LIMIT: Final = 4
"""Series asked for at most: an afternoon holds no more."""
_MOST_PAIRS: Final = 24
"""Pairs of a series at most, likewise."""
_WANTED: Final = re.compile(r"about (\d+) pairs")
_HOW: Final = (
    "tripod, self-timer or remote release, a detailed scene in steady light; every scene once with "
    "and once without, within minutes, at one aperture, refocused every time, white balance fixed"
)


def pairs_to_shoot(comparisons: Sequence[Comparison]) -> list[Shot]:
    """Series for accessories of which the verdict is open, in the form of `next_shots`.

    Only what was asked about or names an accessory: no mood or place is worth a test.
    """
    wanted: dict[tuple[str | None, str | None, str | None], tuple[Shot, list[str]]] = {}
    for c in comparisons:
        verdict = str(c.get("verdict") or "")
        if not c.get("asked") or not verdict.startswith("cannot tell"):
            continue
        if c["zone"] is not None:
            continue  # the frame as a whole speaks for its zones
        found = _WANTED.search(verdict)
        more = min(int(found[1]) if found else USUAL_PAIRS, _MOST_PAIRS) - int(c["pairs"] or 0)
        if more < 1:
            continue
        series: Shot = {
            "kind": "comparison", "iso": [], "lens": c["lens"], "body": None, "converter": None,
            "focal_mm": None, "apertures": [c["f_number"]] if c.get("f_number") else [],
            "frames": 0, "how": _HOW, "label": c["label"], "against": c["against"],
            "gain": "a verdict that rules a loss in or out",
        }  # fmt: skip
        series, unsettled = wanted.setdefault((c["label"], c["against"], c["lens"]), (series, []))
        series["frames"] = max(series["frames"] or 0, 2 * more)
        if c["what"] not in unsettled:
            unsettled.append(c["what"])
    out = []
    for series, unsettled in sorted(wanted.values(), key=lambda s: s[0]["frames"] or 0)[:_LIMIT]:
        series["why"] = (
            f"{(series['frames'] or 0) // 2} more pairs, {series['label']} against "
            f"{series['against']}: the {' and '.join(unsettled)} cannot be told yet"
        )
        out.append(series)
    return out
