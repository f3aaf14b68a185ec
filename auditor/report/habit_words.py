"""Habits in sentences: how long a photographer holds still, and which setting to watch."""

from __future__ import annotations

import re
from typing import Final

from auditor.report import words
from auditor.report.profile_parts import Block, blocks, common, named

__all__ = ["handheld_lines", "inside_acceptable", "setting_lines"]

WIDE_STOPS: Final = 4.0
"""A handheld limit whose interval is wider than this is not told: it would advise nothing."""


def handheld_lines(profile: Block) -> list[str]:
    """The photographer's own handheld limit, a sentence per lens that has one."""
    out = []
    for h in blocks(profile, "handheld"):
        limit, low, high = (words.number(h.get(k)) for k in ("limit_stops", "low", "high"))
        if limit is None or low is None or high is None or high - low > WIDE_STOPS:
            continue
        name = named(words.lens_name(h)) if words.known_name(h.get("lens")) else "the unnamed lens"
        out.append(
            f"Held by hand, {name}: one frame in ten is shaken at {words.against_rule(limit)} "
            f"(90% interval {words.stops_between(low, high)}; {words.count(h.get('frames'))})."
        )
    return out


def setting_lines(profile: Block) -> list[str]:
    """The setting that stands out most, a sentence; [] where none does."""

    def excess(row: Block, key: str) -> float:
        return (words.number(row.get(key)) or 0) - (words.number(row.get("usual_share")) or 0)

    rows = [s for s in blocks(profile, "settings") if s.get("setting")]
    if not rows:
        return []
    worst = max(rows, key=lambda s: max(excess(s, "soft_share"), excess(s, "noisy_share")))
    key = "soft" if excess(worst, "soft_share") >= excess(worst, "noisy_share") else "noisy"
    text = f"Watch {words.clean(worst.get('setting'))}"
    text += f" on the {named(worst.get('lens'))}" if worst.get("lens") else ""
    if words.number(worst.get(f"{key}_share")) is None:
        return []
    share = words.percent(worst.get(f"{key}_share"))
    ends = [words.number(worst.get(k)) for k in ("low", "high")]
    known = worst.get("fault") in (None, key) and None not in ends
    inside = (
        f" (90% interval {words.percent(ends[0])} to {words.percent(ends[1])})" if known else ""
    )
    text += f": {share} of {words.count(worst.get('frames'))} came out {key}{inside}"
    if words.number(worst.get("usual_share")) is not None:
        text += f", where {words.percent(worst.get('usual_share'))} is usual"
    if inside_acceptable(profile, worst):
        text += f". {words.clean(worst.get('setting'))} is acceptable in the weaker of centre and "
        text += "corner, by which the ranges go; over the whole frame it is not"
    return [text + "."]


def inside_acceptable(profile: Block, row: Block) -> bool:
    """Whether a setting that came out soft is an aperture inside the lens's acceptable range, at
    every focal length: the ranges go by the weaker of centre and corner, softness by the whole frame.
    """
    known = re.fullmatch(r"f/(\d+(?:\.\d+)?)", str(row.get("setting")))
    if known is None or row.get("fault") == "noisy":
        return False
    n = float(known[1])
    for lens in blocks(profile, "lenses"):
        if all(lens.get(k) == row.get(k) for k in ("lens", "body")):
            ends = common(blocks(lens, "focal_ranges"), "acceptable")
            if ends and ends[0] <= n <= ends[1]:
                return True
    return False
