"""The engraved scale: a ruler of stops with the ranges to use laid along it.

Lenses carry their depth of field as marks along an engraved scale of apertures; the same form shows
here which apertures to use, to accept and to avoid, and which ISO is clean or still usable. Positions
are in percent of the ruler's width, so that one form serves page, phone and printed card.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

from auditor.model import FocalRange, UsableIso
from auditor.report import words

__all__ = [
    "SIXTH_STOP",
    "WHOLE_STOPS",
    "Mark",
    "RangeKey",
    "Ruler",
    "Strip",
    "all_used",
    "aperture_ruler",
    "ends_between",
    "ends_intervals",
    "iso_of",
    "iso_ruler",
    "iso_stops",
    "stops",
    "used_span",
    "whole_iso_stops",
    "whole_stops",
]

WHOLE_STOPS: Final = (0.7, 1, 1.4, 2, 2.8, 4, 5.6, 8, 11, 16, 22, 32, 45, 64, 90)
"""Engraved f-numbers, one stop apart."""
MOST_MARKS: Final = 7
"""With more ISO values than this on a scale every second one is marked: their figures would touch."""


def stops(f_number: float) -> float:
    """Position of an f-number on a scale of stops: Av = 2 log2 N (Exif, annex C)."""
    return 2 * math.log2(f_number)


def whole_stops(low: float, high: float) -> list[float]:
    """Engraved whole f-numbers between two positions on the scale of `stops`."""
    return [n for n in WHOLE_STOPS if low <= stops(n) <= high]


def iso_stops(iso: float) -> float:
    """Stops of an ISO value above ISO 100."""
    return math.log2(iso / 100)


def iso_of(position: float) -> float:
    """The ISO value at a position on the scale of `iso_stops`."""
    return 100 * 2.0**position


def whole_iso_stops(low: float, high: float) -> list[int]:
    """Whole positions between two on the scale of `iso_stops`, at most every second where there are many."""
    found = list(range(math.ceil(low), math.floor(high) + 1))
    return found[:: 1 if len(found) <= MOST_MARKS else 2]


SIXTH_STOP: Final = 1 / 6
"""Half of a third: stops by which a strip goes beyond its ends, so that one aperture is seen, and within which an
odd ISO belongs to an engraved one."""
_MARGIN_STOPS: Final = 0.5
"""Stops that a ruler of apertures goes beyond the outermost ones ..."""
_MARGIN_ISO_STOPS: Final = 0.3
"""... and one of ISO values, which bear less for their limits end between them."""
_ENGRAVED: Final = 0.01
"""Stops by which an engraved ISO may miss a whole one."""


RangeKey = Literal["pin_sharp", "acceptable"]


class Mark(NamedTuple):
    """A figure on a scale, in the scale's units or in percent of a ruler's width."""

    at: float
    text: str
    over: str = ""
    """Stands in a line above it."""


@dataclass(frozen=True, slots=True)
class Strip:
    """A range from `left` over `width` percent; `kind` names its colour and pattern."""

    kind: str
    left: float
    width: float
    says: str


@dataclass(frozen=True, slots=True)
class Ruler:
    """Engraved figures, the ranges laid along them, and the best."""

    marks: tuple[Mark, ...]
    strips: tuple[Strip, ...]
    index: float | None
    """Where the index mark (best aperture) stands, percent."""
    says: str
    """The whole ruler in words, for readers who cannot see it."""


def used_span(focal_ranges: Sequence[FocalRange]) -> tuple[float, float] | None:
    """Smallest and largest f-number with frames in any of the focal ranges."""
    known = [
        n
        for part in focal_ranges
        for row in part.get("apertures") or ()
        if (n := row.get("f_number")) and n > 0
    ]
    return (min(known), max(known)) if known else None


def ends_intervals(part: FocalRange, key: RangeKey) -> Sequence[Sequence[float | None]] | None:
    """The interval of either end of a range; None where the profile has none."""
    if key == "pin_sharp":
        return part.get("pin_sharp_intervals")
    return part.get("acceptable_intervals")


def all_used(part: FocalRange, key: RangeKey) -> bool:
    """Whether a range holds every aperture used, and certainly so: then its ends are the archive's, not the lens's."""
    ends, span = words.pair(part.get(key)), used_span([part])
    intervals = [words.pair(pair) for pair in ends_intervals(part, key) or [ends] * 2]
    if span is None or None in ends:
        return False
    certain = all(
        words.aperture_range(pair) == words.aperture(end)
        for pair, end in zip(intervals, ends, strict=False)
    )
    return certain and [words.aperture(n) for n in ends] == [words.aperture(n) for n in span]


def ends_between(part: FocalRange, key: RangeKey) -> str:
    """'upper end f/10 to f/13', the 90% interval of a range's ends where it is more than one aperture; 'all
    that were used' where the archive holds nothing outside the range."""
    if all_used(part, key):
        return "all that were used"
    intervals = [words.pair(pair) for pair in ends_intervals(part, key) or []]
    ends = [
        (side, words.aperture_range(pair))
        for side, pair in zip(("lower", "upper"), intervals, strict=False)
    ]
    return "; ".join(f"{side} end {text}" for side, text in ends if " to " in text)


def aperture_ruler(focal_range: FocalRange, span: tuple[float, float] | None) -> Ruler | None:
    """The ruler of one focal range over `span` of f-numbers; None when no aperture is known."""
    own = used_span([focal_range])
    if span is None or own is None:
        return None
    left, right = stops(span[0]) - _MARGIN_STOPS, stops(span[1]) + _MARGIN_STOPS

    def place(n: float) -> float:
        return round(100 * (stops(n) - left) / (right - left), 2)

    strips = []
    for kind, ends in (
        ("used", own),
        ("acceptable", words.pair(focal_range.get("acceptable"))),
        ("pin-sharp", words.pair(focal_range.get("pin_sharp"))),
    ):
        low, high = ends
        if low and high:
            beyond = 100 * SIXTH_STOP / (right - left)
            start, end = max(place(low) - beyond, 0), min(place(high) + beyond, 100)
            text = f"{kind} {words.aperture_range(ends)}"
            strips.append(Strip(kind, round(start, 2), round(max(end - start, 1), 2), text))
    best = words.best_aperture(focal_range)
    says = [f"best at {words.aperture(best)}"] if best else []
    says += [s.says for s in reversed(strips)]
    whole = whole_stops(left, right) or sorted(set(own))
    marks = tuple(Mark(place(n), words.aperture(n)[2:]) for n in whole)
    return Ruler(marks, tuple(strips), place(best) if best else None, "; ".join(says))


def iso_ruler(usable: UsableIso | None, span: tuple[float, float]) -> Ruler:
    """ISO up to which a band of light is excellent and acceptable, over the `span` of ISO values used: what is
    predicted beyond it is left out."""
    left, right = iso_stops(span[0]) - _MARGIN_ISO_STOPS, iso_stops(span[1]) + _MARGIN_ISO_STOPS

    def place(iso: float) -> float:
        return round(100 * (iso_stops(iso) - left) / (right - left), 2)

    strips, says = [], []
    fine, clean = (usable.get("acceptable"), usable.get("excellent")) if usable else (None, None)
    for key, top in (("acceptable", fine), ("excellent", clean)):
        if top and top > 0:
            top = min(top, span[1])
            end = max(place(top), 1)
            strips.append(Strip(key, 0, end, f"{key} to {words.iso(top)}"))
            says.append(f"{key} to {words.iso(top)}")
    whole = whole_iso_stops(iso_stops(span[0]) - _ENGRAVED, iso_stops(span[1]) + _ENGRAVED)
    marks = tuple(Mark(place(iso_of(k)), f"{round(iso_of(k))}") for k in whole)
    return Ruler(marks, tuple(strips), None, "; ".join(reversed(says)) or "not known")
