"""Profile to `card.html`: one page of A6 (or a phone's screen) to carry into the field."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from typing import Final, NamedTuple

from markupsafe import Markup

from auditor import optics
from auditor.model import Body, FocalRange, Lens, Profile
from auditor.report import words
from auditor.report.first_screen import answered, by_frames, role_of
from auditor.report.iso_words import (
    LEVELS,
    IsoLimit,
    band_name,
    by_light,
    iso_limit,
    settled_bands,
)
from auditor.report.rendering import environment, static
from auditor.report.scales import RangeKey, all_used, ends_intervals, stops, used_span
from auditor.report.summary import filter_words
from auditor.report.words import criterion

__all__ = [
    "Card",
    "CardLens",
    "avoid",
    "best_between",
    "contents",
    "ends_uncertainty",
    "hyperfocals",
    "iso_rows",
    "largest_uncertainty",
    "render_card",
    "sensor_pitch",
]

OUTSIDE: Final = 1.06
"""Factor beyond an acceptable end (half of a third of a stop) from which on apertures in use are to be avoided."""

SIDE_BY_SIDE: Final = 3
"""Bodies in one table of the card."""

DASH: Final = "\u2060–\u2060"
"""A dash at which no line breaks: '640–1000' stays together."""


class CardLens(NamedTuple):
    """A lens, those of its focal ranges that the card shows, and how many lines it takes."""

    lens: Lens
    parts: list[FocalRange]
    lines: float


class Card(NamedTuple):
    """What the card shows: gear in use of which something is known, the most used first."""

    lenses: list[CardLens]
    omitted: int
    """Lenses that do not fit the page."""
    bodies: list[Body]
    rows: list[tuple[str, list[list[IsoLimit]]]]
    """(light, for each body its limits of both `LEVELS`), the brightest first."""


def hyperfocals(
    part: FocalRange, pitch_um: float | None, blur_px: float
) -> list[tuple[float, float]]:
    """(f-number, hyperfocal distance in metres) at a range's shortest focal length, for its best aperture
    and the ends towards small apertures, where depth of field is sought.

    H = f^2 / (N c) + f with c = blur_px * pitch (geometric optics, `optics.hyperfocal_m`).
    """
    focal_mm, _ = words.pair(part.get("focal_mm"))
    if not pitch_um or not focal_mm or focal_mm <= 0:
        return []
    ends = (words.pair(part.get(k))[1] for k in _RANGES)
    found = sorted({n for n in (words.best_aperture(part), *ends) if n})
    coc = optics.circle_of_confusion_um(pitch_um, blur_px)
    return [(n, optics.hyperfocal_m(focal_mm, n, coc)) for n in found]


def sensor_pitch(bodies: Mapping[str | None, Body], lens: Lens) -> float | None:
    """The sensor's own pixel pitch in um, whatever the size of the files from which the lens was judged: the
    next picture is taken at full size. None where it is not known."""
    body = bodies.get(lens.get("body"))
    return body.get("pixel_pitch_um") if body else None


def avoid(part: FocalRange) -> str:
    """Apertures used but outside the acceptable range, in words."""
    span, (low, high) = used_span([part]), words.pair(part.get("acceptable"))
    if span is None or not low or not high:
        return ""
    below = f"below {words.aperture(low)}" if span[0] < low / OUTSIDE else ""
    above = f"beyond {words.aperture(high)}" if span[1] > high * OUTSIDE else ""
    return words.join([below, above])


_RANGES: Final[tuple[RangeKey, ...]] = ("pin_sharp", "acceptable")
_THIRDS: Final = ("", "⅓", "⅔")


def largest_uncertainty(
    ends: Sequence[float | None] | None, intervals: Sequence[Sequence[float | None]] | None
) -> str:
    """'±⅓', '±1⅔': the largest distance, in thirds of a stop, between an end of a range and its
    interval's; '' where the profile has no intervals."""
    pairs = zip(ends or (), intervals or (), strict=False)
    distances = [
        abs(stops(end) - stops(side)) for end, both in pairs for side in both if end and side
    ]
    if not distances:
        return ""
    thirds = round(max(distances) * 3)
    return "±" + (f"{thirds // 3 or ''}{_THIRDS[thirds % 3]}" or "0")


def ends_uncertainty(part: FocalRange, key: RangeKey) -> str:
    """How far off a range's ends may be, as `largest_uncertainty` has it; 'all used' where the archive holds nothing
    outside it.
    """
    intervals = ends_intervals(part, key)
    return "all used" if all_used(part, key) else largest_uncertainty(part.get(key), intervals)


def best_between(part: FocalRange) -> str:
    """'f/7.1 to f/9', '±0' where the interval is that very aperture, '' where none is known; that it is an end of
    the apertures used, where it is: then the interval holds among those alone."""
    sweet, at_end = part.get("sweet_spot"), words.best_at_end(part)
    ends = words.aperture_range([sweet.get("low"), sweet.get("high")]) if sweet else ""
    if ends == words.aperture(words.best_aperture(part)):
        return at_end or "±0"
    return ", ".join(text for text in (ends, at_end) if text)


def iso_rows(bodies: Sequence[Body]) -> list[tuple[str, list[list[IsoLimit]]]]:
    """(light, for each body its limits of both levels), of the light of which any is known."""
    bands = [settled_bands(body) for body in bodies]
    limits = [{band_name(b): [iso_limit(b, level) for level in LEVELS] for b in of} for of in bands]
    lights = dict.fromkeys(band_name(b) for b in by_light([b for of in bands for b in of]))
    return [(light, [of.get(light, []) for of in limits]) for light in lights]


LINES: Final = 31
"""Lines of the smallest type that fit the A6 page under its head."""
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
"""... and of the words that say which frames are included."""


def _card_lens(lens: Lens) -> CardLens:
    """A lens with those of its focal ranges of which the best aperture is known, the most used."""
    parts = answered(lens)
    lines = NAME_LINES + (len(words.lens_name(lens)) > words.SHORT_NAME_CHARACTERS)
    lines += sum(RANGE_LINES + bool(avoid(p) and p.get("evidence") == "thin") for p in parts)
    return CardLens(lens, parts, lines)


def _iso_lines(rows: Sequence[tuple[str, list[list[IsoLimit]]]]) -> float:
    """Lines that the table of bodies takes; beside two others the two intervals of a cell take one each."""
    if not rows:
        return 0.0
    cells = [cell for _, row in rows for cell in row]
    under = INTERVAL_LINES if any(limit.between() for cell in cells for limit in cell) else 0.0
    under *= 1 if len(rows[0][1]) < SIDE_BY_SIDE else 2
    return HEAD_LINES + len(rows) * (ROW_LINES + under)


def contents(profile: Profile) -> Card:
    """What the card shows, as much as fits one page."""
    used = [b for b in profile.get("bodies") or [] if role_of(profile, b) == "in use"]
    bodies = [b for b in by_frames(used, "body") if settled_bands(b)][:SIDE_BY_SIDE]
    rows = iso_rows(bodies)
    free_lines = LINES - _iso_lines(rows) - (FILTER_LINES if filter_words(profile) else 0.0)
    lenses = [x for x in profile.get("lenses") or [] if role_of(profile, x) in ("in use", "thin")]
    items = [item for x in by_frames(lenses, "lens") if (item := _card_lens(x)).parts]
    shown: list[CardLens] = []
    for item in items:
        if item.lines <= free_lines:
            shown.append(item)
            free_lines -= item.lines
    return Card(shown, len(items) - len(shown), bodies, rows)


def render_card(profile: Profile) -> str:
    """The card as one HTML text."""
    card, blur_px = contents(profile), criterion(profile, "coc_pixels")
    pitch = partial(sensor_pitch, {b.get("body"): b for b in profile.get("bodies") or []})
    pitches = {p for item in card.lenses if (p := pitch(item.lens))}
    context = {
        "card": card,
        "criterion": partial(criterion, profile),
        "filter": filter_words(profile),
        "hyperfocals": partial(hyperfocals, blur_px=blur_px),
        "pitch": pitch,
        "avoid": avoid,
        "ends_uncertainty": ends_uncertainty,
        "best_between": best_between,
        "dash": DASH,
        "predicted": any(x.predicted for _, row in card.rows for cell in row for x in cell),
        "circles": [f"{blur_px * p:.3g}" for p in sorted(pitches)],
        "css": Markup(static("card.css")),
        "day": Markup(static("day.css")),
        "night": Markup(static("night.css")),
    }
    return environment().get_template("card.html.j2").render(context)
