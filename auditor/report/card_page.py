"""Profile to `card.html`: one page of A6 (or a phone's screen) to carry into the field."""

from __future__ import annotations

from typing import Any, Final

from markupsafe import Markup

from auditor.report import card_data, palette, words
from auditor.report.first_screen import role_of
from auditor.report.profile_parts import Block, blocks, criterion
from auditor.report.rendering import environment, static
from auditor.report.summary import by_frames, filter_words, too_few_for_noise

__all__ = ["contents", "render_card"]

LINES: Final = 31
"""Lines of the smallest type that fit the A6 page under its head."""
RANGES: Final = 3
"""So many focal ranges of one lens, those with most frames."""

TITLE_CHARACTERS: Final = 64
"""A lens's name in the largest type breaks once at most."""
NAME_LINES: Final = 1.6
"""Height of a lens's name in `LINES` while it fits one line ..."""
RANGE_LINES: Final = 2.4
"""... of a focal range with its hyperfocal distances ..."""
ROW_LINES: Final = 1.2
"""... of a band of light in the table of bodies ..."""
HEAD_LINES: Final = 4.0
"""... of the head of that table ..."""
INTERVAL_LINES: Final = 0.7
"""... of a line of intervals under a figure ..."""
FILTER_LINES: Final = 3.0
"""... and of the words that say which frames are looked at."""


def _lens_item(lens: Block, blur_px: float) -> dict[str, Any] | None:
    """A lens with those of its focal ranges of which the best aperture is known, the most used
    first; None without any."""
    parts = blocks(lens, "focal_ranges")
    known = [p for p in parts if p.get("sweet_spot")]
    most = sorted(known, key=lambda p: -(words.number(p.get("frames")) or 0))[:RANGES]
    ranges = card_data.card_ranges(
        {**lens, "focal_ranges": [p for p in known if p in most]}, blur_px
    )
    if not ranges:
        return None
    name = words.shorten(words.lens_name(lens), TITLE_CHARACTERS)
    lines = NAME_LINES + (len(name) > words.SHORT_NAME_CHARACTERS)
    lines += sum(RANGE_LINES + bool(r.avoid and r.note) for r in ranges)
    beside = words.body_beside(lens.get("lens"), lens.get("body"))
    body = words.shorten(beside, words.SHORT_NAME_CHARACTERS)
    return {"name": name, "body": body, "ranges": ranges, "lines": lines}


def _bodies(profile: Block) -> tuple[card_data.CardBodies | None, float]:
    """Limits of the bodies in use that were used most, as many as stand side by side, and how many
    lines they take."""
    used = [
        b
        for b in by_frames(blocks(profile, "bodies"), "body")
        if role_of(profile, b, "body") == "in use" and not too_few_for_noise(b)
    ]
    groups = card_data.card_bodies({"bodies": used})
    if not groups:
        return None, 0.0
    # Under three bodies side by side the two intervals of a cell take a line each.
    under = INTERVAL_LINES if any(map(any, groups[0].intervals)) else 0.0
    under *= 1 if len(groups[0].bodies) < card_data.SIDE_BY_SIDE else 2
    return groups[0], HEAD_LINES + len(groups[0].rows) * (ROW_LINES + under)


def contents(profile: Block) -> dict[str, Any]:
    """`lenses` and `bodies` of the card: gear in use of which something is known, the most used first,
    as much as fits one page; `left` lenses did not."""
    blur_px = criterion(profile, "coc_pixels")
    bodies, need = _bodies(profile)
    room = LINES - need - (FILTER_LINES if filter_words(profile) else 0.0)
    lenses = by_frames(blocks(profile, "lenses"), "lens")
    used = [x for x in lenses if role_of(profile, x, "lens") in ("in use", "thin")]
    items = [item for x in used if (item := _lens_item(x, blur_px)) is not None]
    kept: list[dict[str, Any]] = []
    for item in items:
        if item["lines"] <= room:
            kept.append(item)
            room -= item["lines"]
    return {"lenses": kept, "bodies": bodies, "left": len(items) - len(kept)}


def render_card(profile: Block) -> str:
    """The card as one HTML text."""
    pitches = {
        p for x in profile.get("lenses") or () if (p := words.number(x.get("pixel_pitch_um")))
    }
    blur_px = criterion(profile, "coc_pixels")
    context = {
        "page": contents(profile),
        "filter": filter_words(profile),
        "blur_px": blur_px,
        "circles": [f"{blur_px * p:.3g}" for p in sorted(pitches)],
        "pin": words.percent(criterion(profile, "pin_sharp")),
        "fine": words.percent(criterion(profile, "acceptable")),
        "css": Markup(static("card.css")),
        "day": Markup(palette.css_variables(night=False)),
        "night": Markup(palette.css_variables(night=True)),
    }
    return environment().get_template("card.html.j2").render(context)
