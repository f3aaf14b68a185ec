"""The first screen: which gear, which aperture and ISO, what accessories, habits and faults cost, the worst first."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, Literal, NamedTuple, TypeVar, cast

from auditor.model import (
    Band,
    Body,
    Comparison,
    FocalRange,
    Gear,
    Lens,
    Profile,
    Use,
)
from auditor.report import words
from auditor.report.iso_words import (
    IsoLimit,
    band_name,
    iso_limit,
    settled_bands,
    short_frames,
)

__all__ = [
    "ADVICE",
    "ROLES",
    "BodyLine",
    "LensLine",
    "answered",
    "body_lines",
    "by_frames",
    "distinct",
    "found_first",
    "lens_lines",
    "other_lenses",
    "role_of",
    "use_of",
    "within_rows",
]

ROLES: Final = {
    "in use": "",
    "thin": "Thin evidence",
    "seldom used": "Seldom used",
    "single frames": "A few frames",
    "borrowed": "Borrowed or tried for a few weeks",
    "phone": "Phones and other small cameras of one aperture",
    "not named": "Named neither lens nor body",
}
"""Roles of gear, in the order in which the page lists them, with the heads of their closed lines."""

ADVICE: Final = {
    "shake": "a faster shutter, or a tripod",
    "focus in front": "focus on the magnified picture, a little further away",
    "focus behind": "focus on the magnified picture, a little nearer",
    "missed focus": "focus on the magnified picture, then check it",
    "too small an aperture": "open up towards the table's best",
    "open-aperture corners": "close down to the table's best",
    "underexposure": "expose brighter",
    "high ISO": "a lower ISO, by a slower shutter, a tripod or a wider aperture",
    "noise at a low ISO": "expose brighter, lift shadows less",
    "noise": "expose brighter, or a lower ISO",
}
"""What helps against each cause (common practice, no source)."""


FEWEST_LENSES: Final = 3
"""Where fewer lenses are settled than this, some with thin evidence are listed too."""

RANGES: Final = 3
"""So many focal ranges of one lens, those with most frames, stand on the first screen and on the card."""

Entry = TypeVar("Entry", Lens, Body)


class LensLine(NamedTuple):
    """One lens on one body, and those of its focal ranges that have an answer, the shortest first."""

    place: int
    """In the order of the page."""
    lens: Lens
    parts: list[FocalRange]
    """At most `RANGES`, those with most frames; none where no best aperture is known."""


class BodyLine(NamedTuple):
    """How far ISO may go on one body, in the brightest and in the darkest light in which any ISO is acceptable; and
    the light in which none that was used is."""

    place: int
    """In the order of the page."""
    body: Body
    limits: list[tuple[str, IsoLimit, int | None]]
    """(light, limit of the acceptable, frames in that light)."""


def by_frames(entries: Sequence[Entry], what: Literal["lens", "body"]) -> list[Entry]:
    """Lenses or bodies, as `what` says, with most frames first; the nameless after all others."""
    return sorted(
        entries, key=lambda x: (not words.known_name(x.get(what)), -(x.get("frames") or 0))
    )


def use_of(profile: Profile, entry: Lens | Body) -> Use:
    """How much a lens or body of the profile was used; one of whose use nothing is said is in use."""
    gear: Gear = profile.get("gear") or {}
    lens = "focal_ranges" in entry
    keys = ("lens", "body", "converter") if lens else ("body",)
    wanted = [words.known_name(entry.get(k)) for k in keys]
    for use in (gear.get("lenses") if lens else gear.get("bodies")) or []:
        if [words.known_name(use.get(k)) for k in keys] == wanted:
            return use
    return {"role": "in use"}


def settled(lens: Lens) -> bool:
    """Whether more than thin evidence is there of a best aperture."""
    parts = lens.get("focal_ranges") or []
    return any(p.get("sweet_spot") and p.get("evidence") != "thin" for p in parts)


def role_of(profile: Profile, entry: Lens | Body) -> str:
    """One of `ROLES` for a lens or body of the profile; a lens in use that nothing is known of is
    'thin'. Profiles that say nothing of use have everything in use."""
    role = str(use_of(profile, entry).get("role"))
    if not words.known_name(entry.get("lens")) and not words.known_name(entry.get("body")):
        return "not named"
    if role == "in use" and "focal_ranges" in entry and not settled(cast(Lens, entry)):
        return "thin"
    return role


def answered(lens: Lens, most: int = RANGES) -> list[FocalRange]:
    """Focal ranges of which the best aperture is known, at most so many: those with most frames, in the
    lens's own order."""
    known = [p for p in lens.get("focal_ranges") or [] if words.best_aperture(p)]
    chosen = sorted(known, key=lambda p: -(p.get("frames") or 0))[:most]
    return [p for p in known if any(p is one for one in chosen)]


def within_rows(lines: Sequence[LensLine], rows: int) -> list[LensLine]:
    """As many lines as there are `rows`; where rows are left, further focal ranges, of the first lenses first."""
    shown = list(lines[:rows])
    left = rows - len(shown)
    for i, line in enumerate(shown):
        parts = answered(line.lens, 1 + min(left, RANGES - 1))
        left -= max(len(parts) - 1, 0)
        shown[i] = line._replace(parts=parts)
    return shown


def lens_lines(profile: Profile, lenses: Sequence[Lens]) -> list[LensLine]:
    """Lines of the lenses in use, those with an answer first; `lenses` in the order of the page."""
    out = []
    for i, lens in enumerate(lenses):
        if lens.get("focal_ranges") and role_of(profile, lens) in ("in use", "thin"):
            out.append(LensLine(i, lens, answered(lens)))

    def thin(line: LensLine) -> bool:
        return all(p.get("evidence") == "thin" for p in line.parts)

    def unknown(line: LensLine) -> bool:
        return not line.parts

    settled_lines = [line for line in out if not unknown(line) and not thin(line)]
    if len(settled_lines) >= FEWEST_LENSES:
        return settled_lines
    out.sort(key=lambda line: (unknown(line), thin(line), -(line.lens.get("frames") or 0)))
    return out[:FEWEST_LENSES]


def body_lines(profile: Profile, bodies: Sequence[Body]) -> list[BodyLine]:
    """Lines of the bodies in use of which a limit is known; `bodies` in the order of the page."""
    out = []
    for i, body in enumerate(bodies):
        bands = settled_bands(body) if role_of(profile, body) == "in use" else []
        limits = _limits(bands)
        if limits:
            out.append(BodyLine(i, body, limits))
    return out


def _limits(bands: Sequence[Band]) -> list[tuple[str, IsoLimit, int | None]]:
    known = [(b, iso_limit(b, "acceptable")) for b in bands]
    usable = [(b, limit) for b, limit in known if limit.iso]
    missed = [(b, limit) for b, limit in known if not limit.iso]
    groups = [usable[:1], usable[1:][-1:]] + [[one] for one in missed]
    if usable and usable[0][1] == usable[-1][1]:
        groups[:2] = [usable]
    out: list[tuple[str, IsoLimit, int | None]] = []
    for group in groups:
        if group:
            bright, dark = group[0][0], group[-1][0]
            name = band_name(dark)
            if len(group) > 1:
                name += f" to {band_name(bright)}"
            out.append((name, group[0][1], sum(short_frames(b) or 0 for b, _ in group)))
    return out


def other_lenses(lenses: Sequence[Lens], shown: Sequence[Lens]) -> int:
    """How many lenses there are beside those shown, each once on however many bodies."""
    return len(distinct(lenses, "lens") - distinct(shown, "lens"))


def distinct(entries: Sequence[Lens] | Sequence[Body], one: str) -> set[tuple[str, Any]]:
    """(name, which): each lens or body once, on however many bodies, with and without a converter. Copies of one
    name are told apart by serial number, lenses without a name by the body."""
    names = [(words.known_name(x.get(one)), x) for x in entries]
    return {(name, x.get("lens_serial" if name else "body")) for name, x in names}


def found_first(comparisons: Sequence[Comparison]) -> list[Comparison]:
    """Comparisons as a table has them: first the labels of which a difference was found."""

    def sides(c: Comparison) -> tuple[str, ...]:
        return tuple(words.clean(k) for k in (c.get("label"), c.get("against"), c.get("lens")))

    found = {sides(c) for c in comparisons if (c.get("low") or 0) > 0 or (c.get("high") or 0) < 0}
    return sorted(comparisons, key=lambda c: sides(c) not in found)
