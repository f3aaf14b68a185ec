"""Restricts a table of frames to a part: keepers of some rating, recent ones, one body, one lens."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final

from auditor.units import SECOND_CHARACTERS

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["NAMES", "Selection", "SelectionError", "start_of"]

NAMES: Final = 6
"""So many names are offered where one matches nothing."""


class SelectionError(ValueError):
    """A restriction that makes no sense; the message is one line in plain words."""


@dataclass(frozen=True, slots=True)
class Selection:
    """Which frames are looked at: those that meet every restriction given.

    Attributes
    ----------
    rating : int or None
        This many stars or more; a frame without a rating has none.
    since : str or None
        ISO date or time, or a year or month; frames taken then or later. Frames without a time are left out.
    body, lens : str or None
        Part of the name, capital or small letters alike.
    """

    rating: int | None = None
    since: str | None = None
    body: str | None = None
    lens: str | None = None

    def given(self) -> dict[str, Any]:
        """Restrictions that are on.

        Returns
        -------
        dict
            Value by name of the restriction; empty without any.
        """
        return {
            k: v for k in ("rating", "since", "body", "lens") if (v := getattr(self, k)) is not None
        }

    def words(self) -> str:
        """Restrictions in plain words.

        Returns
        -------
        str
            Such as 'lens "Skarn", 3 stars or more'; '' without any.
        """
        phrases = {"rating": "{} stars or more", "since": "taken since {}"}
        return ", ".join(phrases.get(k, f'{k} "{{}}"').format(v) for k, v in self.given().items())

    def matches(self, frames: pd.DataFrame) -> pd.Series:
        """Which rows meet every restriction.

        Parameters
        ----------
        frames : pandas.DataFrame
            Table with the columns `rating`, `taken`, `body` and `lens`, as far as they are restricted.

        Returns
        -------
        pandas.Series
            bool, with the table's index.

        Raises
        ------
        SelectionError
            When `since` is no date.
        """
        import pandas as pd

        keep = pd.Series(True, index=frames.index)
        if self.rating is not None:
            stars = pd.to_numeric(frames["rating"], errors="coerce")
            keep &= (stars >= self.rating).fillna(False).astype(bool)
        if self.since is not None:
            # Local times in ISO order compare as text; what follows the seconds is not common to all.
            taken = frames["taken"].astype("object").fillna("").str.slice(0, SECOND_CHARACTERS)
            keep &= taken >= start_of(self.since)
        for column, part in (("body", self.body), ("lens", self.lens)):
            if part is not None:
                text = frames[column].astype("object").fillna("").str.casefold()
                keep &= text.str.contains(part.strip().casefold(), regex=False)
        return keep

    def why_none(self, frames: pd.DataFrame) -> str:
        """Which restrictions no row meets, in the words of the command line.

        Parameters
        ----------
        frames : pandas.DataFrame
            Table in which none matches.

        Returns
        -------
        str
            One line, with the names that are used most where a name matches nothing.
        """
        given = self.given()
        alone = {k: v for k, v in given.items() if not Selection(**{k: v}).matches(frames).any()}
        options = " ".join(f"--{k} {v}" for k, v in (alone or given).items())
        text = f"no frame matches {options}" + (" together" if not alone and len(given) > 1 else "")
        for column in ("body", "lens"):
            if column in alone:
                often = frames[column].value_counts().index[:NAMES]
                text += f"; the most used {column} names are: {', '.join(often) or 'none'}"
        return text


def start_of(since: str) -> str:
    """First moment of a year, month, day or time.

    Parameters
    ----------
    since : str
        ISO date or time, or its beginning ('2024', '2024-05').

    Returns
    -------
    str
        ISO 8601 local time to the second.

    Raises
    ------
    SelectionError
        When it is none.
    """
    text = since.strip()
    if re.fullmatch(r"\d{4}(-\d{2})?", text):
        text += "-01-01" if len(text) == 4 else "-01"
    try:
        return datetime.fromisoformat(text).replace(tzinfo=None).isoformat(timespec="seconds")
    except ValueError as error:
        raise SelectionError(
            f"'{since}' is not a date; write it as 2024-05-01 or 2024-05-01T18:00"
        ) from error
