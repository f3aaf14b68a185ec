"""What a library says of an error, fit for one line."""

from __future__ import annotations

from typing import Final

__all__ = ["one_line"]

_MOST: Final = 160
"""Characters that are kept: two lines of a terminal."""


def one_line(error: object) -> str:
    """The error's own words without line ends, shortened; '' where it has none."""
    return " ".join(str(error).split())[:_MOST]
