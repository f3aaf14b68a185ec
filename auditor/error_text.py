"""What a library says of an error, fit for one line."""

from __future__ import annotations

from typing import Final

__all__ = ["one_line"]

_MOST: Final = 160
"""Characters that are kept: two lines of a terminal."""


def one_line(error: object) -> str:
    """An error's own message without line ends, shortened.

    Parameters
    ----------
    error : object
        An exception, or whatever else has a text.

    Returns
    -------
    str
        At most 160 characters; '' where it has no message.
    """
    return " ".join(str(error).split())[:_MOST]
