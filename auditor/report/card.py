"""Profile to `card.html`: one page of A6 (or a phone's screen) to carry into the field."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from markupsafe import Markup

from auditor import optics
from auditor.report import palette, words
from auditor.report.first_screen import role_of
from auditor.report.iso_words import LEVELS, band_name, highest_used, iso_limit
from auditor.report.profile_parts import Block, criterion
from auditor.report.rendering import environment, static
from auditor.report.scales import stops, used_span
from auditor.report.summary import by_frames, by_light, filter_words, too_few_for_noise

OUTSIDE: Final = 1.06
"""Factor beyond an acceptable end (half of a third of a stop) from which on apertures in use are to be avoided."""

NO_LIGHT_EV: Final = -99.0
"""Where a band without a lower edge is put: below any scene."""

SIDE_BY_SIDE: Final = 3
"""Bodies in one table of the card."""

DASH: Final = "\u2060–\u2060"
"""A dash at which no line breaks: '640–1000' stays together."""


@dataclass(frozen=True, slots=True)
class CardRange:
    """One focal range of one lens. Texts are plain, not yet escaped."""

    focal: str
    best: str
    best_between: str
    """The 90% interval of the best aperture."""
    use: str
    accept: str
    use_within: str
    accept_within: str
    """How far the 90% intervals of a range's ends reach: '±⅓' of a stop."""
    avoid: str
    hyperfocal: tuple[tuple[str, str], ...]
    """(aperture, distance), at the range's shortest focal length."""
    hyperfocal_at: str
    note: str


@dataclass(frozen=True, slots=True)
class CardBodies:
    """ISO limits of some bodies side by side."""

    bodies: tuple[str, ...]
    rows: tuple[tuple[str, tuple[str, ...]], ...]
    """(light, per body 'clean to / usable to')."""
    intervals: tuple[tuple[str, ...], ...]
    """Row by row, per body: the 90% intervals of both; '' where none is known."""


def hyperfocals(
    focal_mm: float, f_numbers: list[float], pitch_um: float, blur_px: float
) -> list[tuple[float, float]]:
    """(f-number, hyperfocal distance in metres) with a blur circle of `blur_px` pixels.

    H = f^2 / (N c) + f with c = blur_px * pitch (geometric optics, `optics.hyperfocal_m`).
    """
    coc = optics.circle_of_confusion_um(pitch_um, blur_px)
    return [(n, optics.hyperfocal_m(focal_mm, n, coc)) for n in f_numbers]


def _apertures_that_matter(part: Block) -> list[float]:
    """Best aperture and the ends towards small apertures: where depth of field is sought."""
    found = [(part.get("sweet_spot") or {}).get("f_number")]
    for key in ("pin_sharp", "acceptable"):
        ends = list(part.get(key) or ())
        found.append(words.number(ends[-1]) if ends else None)
    return sorted({n for n in found if n and n > 0})


def _avoid(part: Block) -> str:
    """Apertures used but outside the acceptable range, in words."""
    span, fine = used_span([part]), part.get("acceptable") or ()
    known = [words.number(v) for v in fine]
    if span is None or len(known) != 2 or not known[0] or not known[1]:
        return ""
    below = f"below {words.aperture(known[0])}" if span[0] < known[0] / OUTSIDE else ""
    above = f"beyond {words.aperture(known[1])}" if span[1] > known[1] * OUTSIDE else ""
    return words.join([below, above])


_THIRDS: Final = ("", "⅓", "⅔")


def _within(part: Block, key: str) -> str:
    """'±⅓', '±1⅔': the largest distance, in thirds of a stop, between an end of a range and its
    interval's; '' where the profile has no intervals."""
    ends, around = part.get(key) or (), part.get(f"{key}_intervals") or ()
    far = 0.0
    known = False
    for end, pair in zip(ends, around, strict=False):
        for side in pair or ():
            a, b = words.number(end), words.number(side)
            if a and b and a > 0 and b > 0:
                known, far = True, max(far, abs(stops(a) - stops(b)))
    thirds = round(far * 3)
    if not known:
        return ""
    return "±" + (f"{thirds // 3 or ''}{_THIRDS[thirds % 3]}" or "0")


def _best_between(sweet: Block) -> str:
    """'f/7.1 to f/9', '±0' where the interval is that very aperture, '' where none is known."""
    ends = words.aperture_range([sweet.get("low"), sweet.get("high")])
    return "±0" if ends == words.aperture(sweet.get("f_number")) else ends


def card_ranges(lens: Block, blur_px: float) -> list[CardRange]:
    """The lens's focal ranges; a range without a best aperture says so in its note."""
    out = []
    pitch = lens.get("pixel_pitch_um")
    for part in lens.get("focal_ranges") or ():
        sweet = part.get("sweet_spot") or {}
        best = sweet.get("f_number")
        ends = [words.number(v) for v in part.get("focal_mm") or ()]
        focal_mm = ends[0] if ends else None
        pairs: list[tuple[str, str]] = []
        if pitch and focal_mm and focal_mm > 0:
            pairs = [
                (words.aperture(n), words.metres(h))
                for n, h in hyperfocals(focal_mm, _apertures_that_matter(part), pitch, blur_px)
            ]
        note = "" if best else "not enough frames yet"
        if best and part.get("evidence") == "thin":
            note = "thin evidence"
        out.append(
            CardRange(
                focal=words.focal(part.get("focal_mm")),
                best=words.aperture(best) if best else "",
                best_between=_best_between(sweet) if best else "",
                use_within=_within(part, "pin_sharp"),
                accept_within=_within(part, "acceptable"),
                use=words.aperture_range(part.get("pin_sharp")),
                accept=words.aperture_range(part.get("acceptable")),
                avoid=_avoid(part),
                hyperfocal=tuple(pairs),
                hyperfocal_at=words.focal(focal_mm) if pairs else "",
                note=note,
            )
        )
    return out


def card_bodies(profile: Block) -> list[CardBodies]:
    """ISO limits by light, brightest first, for up to three bodies side by side; bodies without
    any limit are left out."""
    known: list[tuple[str, dict[str, tuple[str, str]]]] = []
    lights: dict[str, float] = {}
    for body in profile.get("bodies") or ():
        limits: dict[str, tuple[str, str]] = {}
        for band in by_light(body):
            both = [iso_limit(band, level, highest_used(body)) for level in LEVELS]
            if any(limit.iso for limit in both):
                between = [limit.between(DASH) for limit in both]
                limits[band_name(band)] = (
                    " / ".join(limit.short for limit in both),
                    " / ".join(b or "–" for b in between) if any(between) else "",
                )
                low = words.number([*(band.get("ev100") or ()), None][0])
                lights.setdefault(band_name(band), NO_LIGHT_EV if low is None else low)
        if limits:
            known.append((words.known_name(body.get("body")) or "Unnamed body", limits))
    out = []
    for start in range(0, len(known), SIDE_BY_SIDE):
        group = known[start : start + SIDE_BY_SIDE]
        order = [
            light
            for light in sorted(lights, key=lambda name: -lights[name])
            if any(light in limits for _, limits in group)
        ]
        cells = [[limits.get(light, ("not known", "")) for _, limits in group] for light in order]
        out.append(
            CardBodies(
                tuple(name for name, _ in group),
                tuple(
                    (light, tuple(c[0] for c in row))
                    for light, row in zip(order, cells, strict=True)
                ),
                tuple(tuple(c[1] for c in row) for row in cells),
            )
        )
    return out


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
    parts = lens.get("focal_ranges") or []
    known = [p for p in parts if p.get("sweet_spot")]
    most = sorted(known, key=lambda p: -(p.get("frames") or 0))[:RANGES]
    ranges = card_ranges({**lens, "focal_ranges": [p for p in known if p in most]}, blur_px)
    if not ranges:
        return None
    name = words.shorten(words.lens_name(lens), TITLE_CHARACTERS)
    lines = NAME_LINES + (len(name) > words.SHORT_NAME_CHARACTERS)
    lines += sum(RANGE_LINES + bool(r.avoid and r.note) for r in ranges)
    beside = words.body_beside(lens.get("lens"), lens.get("body"))
    body = words.shorten(beside, words.SHORT_NAME_CHARACTERS)
    return {"name": name, "body": body, "ranges": ranges, "lines": lines}


def _bodies(profile: Block) -> tuple[CardBodies | None, float]:
    """Limits of the bodies in use that were used most, as many as stand side by side, and how many
    lines they take."""
    used = [
        b
        for b in by_frames((profile.get("bodies") or []), "body")
        if role_of(profile, b, "body") == "in use" and not too_few_for_noise(b)
    ]
    groups = card_bodies({"bodies": used})
    if not groups:
        return None, 0.0
    # Under three bodies side by side the two intervals of a cell take a line each.
    under = INTERVAL_LINES if any(map(any, groups[0].intervals)) else 0.0
    under *= 1 if len(groups[0].bodies) < SIDE_BY_SIDE else 2
    return groups[0], HEAD_LINES + len(groups[0].rows) * (ROW_LINES + under)


def contents(profile: Block) -> dict[str, Any]:
    """`lenses` and `bodies` of the card: gear in use of which something is known, the most used first,
    as much as fits one page; `left` lenses did not."""
    blur_px = criterion(profile, "coc_pixels")
    bodies, need = _bodies(profile)
    room = LINES - need - (FILTER_LINES if filter_words(profile) else 0.0)
    lenses = by_frames((profile.get("lenses") or []), "lens")
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
    pitches = {p for x in profile.get("lenses") or () if (p := x.get("pixel_pitch_um"))}
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
