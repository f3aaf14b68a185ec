"""Numbers out of the text of a tag, with every absurdity that files really hold."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

__all__ = ["numbers", "within"]


def numbers(value: Any) -> list[float | None]:
    """The numbers of a tag's value: '28/10' gives [2.8], '24/1 70/1' two of them, 0/0 and 1/0 None.

    Bytes that were not numbers at all give an empty list.
    """
    if value is None:
        return []
    if isinstance(value, list):
        return [n for part in value for n in numbers(part)]
    return [_number(part) for part in str(value).split()[:64]]


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
