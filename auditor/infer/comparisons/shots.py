"""Which pairs to shoot next, to settle what an accessory costs."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any, Final

from auditor.infer.comparisons.verdict import USUAL_PAIRS

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


def pairs_to_shoot(comparisons: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Series for accessories of which the verdict is open, in the form of `next_shots`.

    Only what was asked about or names an accessory: no mood or place is worth a test.
    """
    wanted: dict[tuple[Any, Any, Any], dict[str, Any]] = {}
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
        series = wanted.setdefault(
            (c["label"], c["against"], c["lens"]),
            {
                "kind": "comparison", "iso": [], "lens": c["lens"], "body": None, "converter": None, "focal_mm": None,
                "apertures": [c["f_number"]] if c.get("f_number") else [],
                "frames": 0, "how": _HOW, "open": [], "label": c["label"], "against": c["against"],
            },
        )  # fmt: skip
        series["frames"] = max(series["frames"], 2 * more)
        if c["what"] not in series["open"]:
            series["open"].append(c["what"])
    out = []
    for series in sorted(wanted.values(), key=lambda s: s["frames"])[:_LIMIT]:
        what = " and ".join(series.pop("open"))
        series["why"] = (
            f"{series['frames'] // 2} more pairs, {series['label']} against {series['against']}: "
            f"the {what} cannot be told yet"
        )
        series["gain"] = "a verdict that rules a loss in or out"
        out.append(series)
    return out
