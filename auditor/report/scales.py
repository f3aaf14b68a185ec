"""Scales of stops that charts and rulers share: apertures and ISO values in whole stops."""

from __future__ import annotations

import math
from typing import Final

__all__ = ["WHOLE_STOPS", "iso_of", "iso_stops", "stops", "whole_iso_stops", "whole_stops"]

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
