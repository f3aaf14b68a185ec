"""Profile to `card.html`: pages of A6 (or a phone's screen) to carry into the field."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from markupsafe import Markup

from auditor.report import card, palette, words
from auditor.report.paper import environment, static
from auditor.report.summary import filter_words

__all__ = ["pages", "render_card"]

LINES_PER_PAGE: Final = 31
"""Lines of the smallest type that fit one A6 page under its head."""

Block = Mapping[str, Any]


def _lens_item(lens: Block, blur_px: float) -> dict[str, Any]:
    ranges = card.card_ranges(lens, blur_px)
    name = words.shorten(words.lens_name(lens), 64)
    lines = 1.6 + (len(name) > 40) + sum(2.4 + bool(r.avoid and r.note) for r in ranges)
    return {
        "name": name,
        "body": words.shorten(words.body_beside(lens.get("lens"), lens.get("body")), 40),
        "ranges": ranges,
        "lines": lines,
    }


def pages(profile: Block) -> list[dict[str, Any]]:
    """Pages with `lenses` and `bodies`, the most used lenses first; bodies come on the last page."""
    blur_px = words.number((profile.get("criteria") or {}).get("coc_pixels")) or card.BLUR_PX
    lenses = sorted(
        (x for x in profile.get("lenses") or () if x.get("focal_ranges")),
        key=lambda x: -(words.number(x.get("frames")) or 0),
    )
    out: list[dict[str, Any]] = [{"lenses": [], "bodies": []}]
    room = float(LINES_PER_PAGE) - (3.0 if filter_words(profile) else 0.0)
    for item in [_lens_item(x, blur_px) for x in lenses]:
        if item["lines"] > room and out[-1]["lenses"]:
            out.append({"lenses": [], "bodies": []})
            room = float(LINES_PER_PAGE)
        out[-1]["lenses"].append(item)
        room -= item["lines"]
    for group in card.card_bodies(profile):
        # Under three bodies side by side the two intervals of a cell take a line each.
        under = (0.7 if len(group.bodies) < 3 else 1.4) if any(map(any, group.intervals)) else 0.0
        need = 4.0 + len(group.rows) * (1.2 + under)
        if need > room:
            out.append({"lenses": [], "bodies": []})
            room = float(LINES_PER_PAGE)
        out[-1]["bodies"].append(group)
        room -= need
    return out


def render_card(profile: Block) -> str:
    """The card as one HTML text."""
    pitches = {
        p for x in profile.get("lenses") or () if (p := words.number(x.get("pixel_pitch_um")))
    }
    blur_px = words.number((profile.get("criteria") or {}).get("coc_pixels")) or card.BLUR_PX
    context = {
        "pages": pages(profile),
        "filter": filter_words(profile),
        "blur_px": blur_px,
        "circles": [f"{blur_px * p:.3g}" for p in sorted(pitches)],
        "pin": words.percent((profile.get("criteria") or {}).get("pin_sharp")),
        "fine": words.percent((profile.get("criteria") or {}).get("acceptable")),
        "css": Markup(static("card.css")),
        "day": Markup(palette.css_variables(night=False)),
        "night": Markup(palette.css_variables(night=True)),
    }
    return environment().get_template("card.html.j2").render(context)
