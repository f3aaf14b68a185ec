"""Profile to `card.html`: one page of A6 (or a phone's screen) to carry into the field."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from markupsafe import Markup

from auditor import optics
from auditor.model import Body, FocalRange, Lens, Profile, SweetSpot
from auditor.report import words
from auditor.report.first_screen import role_of
from auditor.report.iso_words import LEVELS, band_name, firm_bands, highest_used, iso_limit
from auditor.report.rendering import environment, static
from auditor.report.scales import stops, used_span
from auditor.report.summary import by_frames, filter_words
from auditor.report.svg_charts import css_variables
from auditor.report.words import criterion

__all__ = [
    "CardBodies",
    "CardRange",
    "card_bodies",
    "card_ranges",
    "contents",
    "hyperfocals",
    "render_card",
]

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


def _apertures_that_matter(part: FocalRange) -> list[float]:
    """Best aperture and the ends towards small apertures: where depth of field is sought."""
    found = [words.best_aperture(part), *(words.pair(part.get(k))[1] for k in _RANGES)]
    return sorted({n for n in found if n})


def _avoid(part: FocalRange) -> str:
    """Apertures used but outside the acceptable range, in words."""
    span, (low, high) = used_span([part]), words.pair(part.get("acceptable"))
    if span is None or not low or not high:
        return ""
    below = f"below {words.aperture(low)}" if span[0] < low / OUTSIDE else ""
    above = f"beyond {words.aperture(high)}" if span[1] > high * OUTSIDE else ""
    return words.join([below, above])


_RANGES: Final[tuple[Literal["pin_sharp", "acceptable"], ...]] = ("pin_sharp", "acceptable")
_THIRDS: Final = ("", "⅓", "⅔")


def _within(
    ends: Sequence[float | None] | None, around: Sequence[Sequence[float | None]] | None
) -> str:
    """'±⅓', '±1⅔': the largest distance, in thirds of a stop, between an end of a range and its
    interval's; '' where the profile has no intervals."""
    pairs = zip(ends or (), around or (), strict=False)
    far = [abs(stops(end) - stops(side)) for end, both in pairs for side in both if end and side]
    if not far:
        return ""
    thirds = round(max(far) * 3)
    return "±" + (f"{thirds // 3 or ''}{_THIRDS[thirds % 3]}" or "0")


def _best_between(sweet: SweetSpot) -> str:
    """'f/7.1 to f/9', '±0' where the interval is that very aperture, '' where none is known."""
    ends = words.aperture_range([sweet.get("low"), sweet.get("high")])
    return "±0" if ends == words.aperture(sweet.get("f_number")) else ends


def card_ranges(lens: Lens, blur_px: float) -> list[CardRange]:
    """The lens's focal ranges; a range without a best aperture says so in its note."""
    out = []
    pitch = lens.get("pixel_pitch_um")
    for part in lens.get("focal_ranges") or ():
        sweet, best = part.get("sweet_spot"), words.best_aperture(part)
        focal_mm, _ = words.pair(part.get("focal_mm"))
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
                best_between=_best_between(sweet) if sweet and best else "",
                use_within=_within(part.get("pin_sharp"), part.get("pin_sharp_intervals")),
                accept_within=_within(part.get("acceptable"), part.get("acceptable_intervals")),
                use=words.aperture_range(part.get("pin_sharp")),
                accept=words.aperture_range(part.get("acceptable")),
                avoid=_avoid(part),
                hyperfocal=tuple(pairs),
                hyperfocal_at=words.focal(focal_mm) if pairs else "",
                note=note,
            )
        )
    return out


def _limits(body: Body) -> dict[str, tuple[float, str, str]]:
    """Light -> its lower edge, a body's limits of both levels in it, their intervals."""
    out = {}
    for band in firm_bands(body):
        both = [iso_limit(band, level, highest_used(body)) for level in LEVELS]
        if any(limit.iso for limit in both):
            between = [limit.between(DASH) for limit in both]
            low, _ = words.pair(band.get("ev100"))
            out[band_name(band)] = (
                NO_LIGHT_EV if low is None else low,
                " / ".join(limit.short for limit in both),
                " / ".join(b or "–" for b in between) if any(between) else "",
            )
    return out


def card_bodies(bodies: Sequence[Body]) -> CardBodies | None:
    """ISO limits by light, brightest first, of the first bodies of which any is known; None without."""
    found = [(b, limits) for b in bodies if (limits := _limits(b))][:SIDE_BY_SIDE]
    if not found:
        return None
    edges = {light: told[0] for _, limits in reversed(found) for light, told in limits.items()}
    lights = sorted(edges, key=lambda light: -edges[light])
    cells = [[limits.get(light, (0, "", "")) for _, limits in found] for light in lights]
    return CardBodies(
        tuple(words.known_name(b.get("body")) or "Unnamed body" for b, _ in found),
        tuple((t, tuple(c[1] for c in row)) for t, row in zip(lights, cells, strict=True)),
        tuple(tuple(c[2] for c in row) for row in cells),
    )


LINES: Final = 31
"""Lines of the smallest type that fit the A6 page under its head."""
RANGES: Final = 3
"""So many focal ranges of one lens, those with most frames."""

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


def _lens_item(lens: Lens, blur_px: float) -> dict[str, Any] | None:
    """A lens with those of its focal ranges of which the best aperture is known, the most used
    first; None without any."""
    parts = lens.get("focal_ranges") or []
    known = [p for p in parts if p.get("sweet_spot")]
    most = sorted(known, key=lambda p: -(p.get("frames") or 0))[:RANGES]
    kept: Lens = {**lens, "focal_ranges": [p for p in known if p in most]}
    ranges = card_ranges(kept, blur_px)
    if not ranges:
        return None
    name = words.shorten(words.lens_name(lens))
    lines = NAME_LINES + (len(name) > words.SHORT_NAME_CHARACTERS)
    lines += sum(RANGE_LINES + bool(r.avoid and r.note) for r in ranges)
    beside = words.body_beside(lens.get("lens"), lens.get("body"))
    body = words.shorten(beside, words.SHORT_NAME_CHARACTERS)
    return {"name": name, "body": body, "ranges": ranges, "lines": lines}


def _bodies(profile: Profile) -> tuple[CardBodies | None, float]:
    """Limits of the bodies in use that were used most, as many as stand side by side, and how many
    lines they take."""
    used = [
        b
        for b in by_frames((profile.get("bodies") or []), "body")
        if role_of(profile, b) == "in use"
    ]
    group = card_bodies(used)
    if group is None:
        return None, 0.0
    # Under three bodies side by side the two intervals of a cell take a line each.
    under = INTERVAL_LINES if any(map(any, group.intervals)) else 0.0
    under *= 1 if len(group.bodies) < SIDE_BY_SIDE else 2
    return group, HEAD_LINES + len(group.rows) * (ROW_LINES + under)


def contents(profile: Profile) -> dict[str, Any]:
    """`lenses` and `bodies` of the card: gear in use of which something is known, the most used first,
    as much as fits one page; `left` lenses did not."""
    blur_px = criterion(profile, "coc_pixels")
    bodies, need = _bodies(profile)
    room = LINES - need - (FILTER_LINES if filter_words(profile) else 0.0)
    lenses = by_frames((profile.get("lenses") or []), "lens")
    used = [x for x in lenses if role_of(profile, x) in ("in use", "thin")]
    items = [item for x in used if (item := _lens_item(x, blur_px)) is not None]
    kept: list[dict[str, Any]] = []
    for item in items:
        if item["lines"] <= room:
            kept.append(item)
            room -= item["lines"]
    return {"lenses": kept, "bodies": bodies, "left": len(items) - len(kept)}


def render_card(profile: Profile) -> str:
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
        "day": Markup(css_variables(night=False)),
        "night": Markup(css_variables(night=True)),
    }
    return environment().get_template("card.html.j2").render(context)
