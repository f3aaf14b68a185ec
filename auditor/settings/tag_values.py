"""Numbers out of the text of a tag, with every absurdity that files really hold."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

F_LIMITS: Final = (0.5, 512.0)
"""No lens in air is faster than f/0.5; pinholes reach f/500."""
FOCAL_LIMITS_MM: Final = (0.3, 20_000.0)
"""Telephones have some millimetres, telescopes some metres; anything beyond is damage (common practice, no
source)."""
SENSOR_SIDES_PX: Final = (160, 200_000)
"""Sides of what a camera wrote: smaller ones are a thumbnail's, larger ones damage (common practice, no
source)."""
PICTURE_SIDES_PX: Final = (16, 200_000)
"""The same for any picture in a file."""
NOTE_STEPS: Final = 32
"""Steps of a stop in which one maker's notes keep sensitivities and apertures."""
STARS: Final = (-1, 5)
"""Scale of xmp:Rating, from rejected to the most stars (XMP specification, part 1)."""
_MOST_NUMBERS: Final = 64
"""Numbers of one value that are read; makers' tables hold thousands, and none is asked for beyond."""


def numbers(value: Any) -> list[float | None]:
    """The numbers of a tag's value: '28/10' gives [2.8], '24/1 70/1' two of them, 0/0 and 1/0 None.

    Bytes that were not numbers at all give an empty list.
    """
    if value is None:
        return []
    if isinstance(value, list):
        return [n for part in value for n in numbers(part)]
    return [_number(part) for part in str(value).split()[:_MOST_NUMBERS]]


def _number(text: str) -> float | None:
    over, _, under = text.partition("/")
    try:
        result = float(over) / float(under) if under else float(over)
    except (ValueError, ZeroDivisionError, OverflowError):
        return None
    return result if math.isfinite(result) else None


def within(values: Sequence[float | None], low: float, high: float, at: int = 0) -> float | None:
    """The number at one place if it is there and lies between the limits (inclusive), else None."""
    if len(values) <= at:
        return None
    value = values[at]
    return value if value is not None and low <= value <= high else None


def first_number(
    tags: Mapping[str, Any], keys: Iterable[str], limits: tuple[float, float]
) -> float | None:
    """The number in the first of some tags in which it lies between the limits."""
    found = (within(numbers(tags.get(key)), *limits) for key in keys)
    return next((value for value in found if value is not None), None)


def size_of(
    tags: Mapping[str, Any], across: str, down: str, limits: tuple[float, float] = PICTURE_SIDES_PX
) -> tuple[int, int] | None:
    """Width and height from two tags, where both lie between the limits."""
    width, height = (first_number(tags, (key,), limits) for key in (across, down))
    return (int(width), int(height)) if width and height else None
