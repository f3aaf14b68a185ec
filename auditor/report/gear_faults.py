"""What seems to be wrong with the gear itself, in sentences for the first screen and the end of a run."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Any, Final, cast

from auditor.model import Body, FocalRange, GearChange, Lens, Profile
from auditor.report import words
from auditor.report.first_screen import role_of
from auditor.report.sentences import on_body
from auditor.report.words import named

__all__ = ["gear_faults"]

MOST: Final = 3
"""So many are told at once; the page holds all of them."""
_DECENTRED: Final = "probably decentred"
"""How the verdict on a lens's sides begins where one is softer."""

_CHANCE: Final = 0.1
"""Chance, over all lenses and focal ranges whose sides were looked at, that a sound one is named (Bonferroni; the
share of settings to avoid that may be named by chance is the same). By 95% for each, one in a dozen sound lenses
would be: scenes have sides of their own."""

_COUNTS: Final = re.compile(r", \d+ frames since")
"""Where the text of a change, having said how much it is, goes on to the frames behind it."""


def gear_faults(profile: Profile, lenses: Sequence[Lens]) -> list[str]:
    """Sentences on lenses and bodies that changed, lenses that are decentred or focus beside the subject, and dust.

    Parameters
    ----------
    profile : Profile
        As plain JSON.
    lenses : sequence of Lens
        Its lenses in the order of the page.

    Returns
    -------
    list of str
        At most `MOST`; names stand between `NAME_START` and `NAME_END`.
    """
    found = [*_changes(profile), *_decentred(profile, lenses), *_focus(profile), *_dust(profile)]
    return found[:MOST]


def _changes(profile: Profile) -> Iterator[str]:
    for c in profile.get("changes") or []:
        text = words.clean(c.get("text"))
        if not text:
            continue
        lens, body = c.get("lens"), words.known_name(c.get("body")) or "a body not named"
        what = f"{named(words.lens_name(c))}{on_body(profile, c)}" if lens else named(body)
        counts = _COUNTS.search(text)
        at = counts.start() if counts else len(text)
        text = text[:at] + _inside(c) + text[at:]
        yield f"{what}: {text[:1].lower()}{text[1:]}."


def _inside(change: GearChange) -> str:
    """Interval of a change in the terms of its text, which says whether it is less or more; '' where unknown."""
    low, high = words.number(change.get("low")), words.number(change.get("high"))
    if low is None or high is None:
        return ""
    if change.get("what") == "hot pixels":  # told as a factor
        return f" (90% interval {1 + low:.1f} to {1 + high:.1f})"
    if change.get("what") == "sides" and low > 0:  # told as what the other side lost
        low, high = low / (1 + low), high / (1 + high)
    low, high = sorted((abs(low), abs(high)))
    return words.share_interval({"low": low, "high": high})


def _decentred(profile: Profile, lenses: Sequence[Lens]) -> Iterator[str]:
    """Those that stand up to all having been looked at; what is less sure stands with its lens."""
    looked_at = sum(bool(p.get("sides")) for x in lenses for p in x.get("focal_ranges") or [])
    for lens in lenses:
        parts = lens.get("focal_ranges") or []
        if role_of(profile, lens) not in ("in use", "thin"):
            continue
        for part in parts:
            sure = words.number((part.get("sides") or {}).get("confidence"))
            # Either side might have come out the softer one.
            if sure is None or 2 * (1 - sure) * looked_at <= _CHANCE:
                yield from _softer_side(profile, lens, part, len(parts) > 1)


def _softer_side(profile: Profile, lens: Lens, part: FocalRange, several: bool) -> Iterator[str]:
    sides: Any = part.get("sides") or {}
    verdict = words.clean(sides.get("verdict"))
    if not verdict.startswith(_DECENTRED):
        return
    at = f" at {words.focal(part.get('focal_mm'))}" if several and part.get("focal_mm") else ""
    sure = sides.get("confidence")
    inside = [f"{words.certainty(sure)} sure"] if sure is not None else []
    inside.append(words.count(sides.get("frames")))
    name = f"{named(words.lens_name(lens))}{on_body(profile, lens)}"
    yield f"{name} is {verdict}{at} ({'; '.join(inside)})."


def _focus(profile: Profile) -> Iterator[str]:
    for f in profile.get("focus_bias") or []:
        if text := words.clean(f.get("text")):
            yield f"{text}."


def _dust(profile: Profile) -> Iterator[str]:
    """One sentence for each body in use whose spots have not gone."""
    last: dict[str, list[str]] = {}
    for spot in profile.get("dust") or []:
        body = cast(Body, {"body": spot.get("body")})
        if not spot.get("gone_by") and role_of(profile, body) == "in use":
            last.setdefault(words.known_name(spot.get("body")), []).append(spot.get("last") or "")
    for name, days in last.items():
        seen = f", last seen on {max(days)}" if max(days) else ""
        yield f"Dust on the sensor of the {named(name)}: {words.count(len(days), 'spot')}{seen}."
