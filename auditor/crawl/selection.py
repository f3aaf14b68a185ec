"""Restricts a table of frames to a part: keepers of some rating, recent ones, one body, one lens."""

from __future__ import annotations

import re
from datetime import datetime

import pandas as pd

__all__ = ["SelectionError", "select", "start_of"]


class SelectionError(ValueError):
    """A restriction that makes no sense; the message is one line in plain words."""


def select(
    frames: pd.DataFrame,
    *,
    rating: int | None = None,
    since: str | None = None,
    body: str | None = None,
    lens: str | None = None,
) -> pd.DataFrame:
    """The rows that meet every restriction given, in their order.

    Args:
        frames: table with the store's columns.
        rating: this many stars or more; a frame without a rating has none.
        since: ISO date or time, or a year or month; frames taken then or later. Frames without a time are left out.
        body, lens: part of the name, capital or small letters alike.

    Raises:
        SelectionError: when `since` is no date.
    """
    keep = pd.Series(True, index=frames.index)
    if rating is not None:
        stars = pd.to_numeric(frames["rating"], errors="coerce")
        keep &= (stars >= rating).fillna(False).astype(bool)
    if since is not None:
        # Local times in ISO order compare as text; only the first 19 characters are common to all.
        keep &= frames["taken"].astype("object").fillna("").str.slice(0, 19) >= start_of(since)
    for column, part in (("body", body), ("lens", lens)):
        if part is not None:
            text = frames[column].astype("object").fillna("").str.casefold()
            keep &= text.str.contains(part.strip().casefold(), regex=False)
    return frames[keep]


def start_of(since: str) -> str:
    """First moment of a year, month, day or time, as ISO text. Raises SelectionError."""
    text = since.strip()
    if re.fullmatch(r"\d{4}(-\d{2})?", text):
        text += "-01-01" if len(text) == 4 else "-01"
    try:
        return datetime.fromisoformat(text).replace(tzinfo=None).isoformat()[:19]
    except ValueError as error:
        raise SelectionError(
            f"'{since}' is not a date; write it as 2024-05-01 or 2024-05-01T18:00"
        ) from error
