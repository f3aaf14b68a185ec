"""The photographer's own answers on frames that were listed, in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from auditor.report import words

__all__ = ["BUTTONS", "right_sentence"]

BUTTONS: Final = {"meant": "meant", "fine": "fine", "bad": "indeed bad"}
"""Answer as it is stored -> as the page's buttons say it."""


def right_sentence(profile: Mapping[str, Any]) -> str:
    """How often the list was right here, by the photographer's answers; '' where none is known."""
    told = profile.get("answers") or {}
    count = words.number(told.get("listed"))
    if not count:
        return ""
    text = f"Of {words.count(count, 'listed frame')} that you answered, "
    text += words.join(
        [
            f"{n:.0f} {'was' if n == 1 else 'were'} {said}"
            for key, said in (("bad", "indeed bad"), ("meant", "meant so"), ("fine", "fine"))
            if (n := words.number(told.get(key)))
        ]
    )
    share, low, high = (words.number(told.get(k)) for k in ("right_share", "low", "high"))
    if share is not None and low is not None and high is not None:
        text += (
            f": right in {words.percent(share)} (90% interval {words.percent(low)} to "
            f"{words.percent(high)})"
        )
    return text + "."
