"""Small readers of a profile's blocks, and names set apart inside sentences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from auditor.infer.criteria import Criteria
from auditor.report import words

NAME_START: Final = "\ue000"
NAME_END: Final = "\ue001"
"""Around names from files inside a sentence, so that the page can set them apart. `words.clean`
lets neither through from a file."""

Block = Mapping[str, Any]


def blocks(block: Block, key: str) -> list[Block]:
    """The mappings of a list of the profile; whatever else is in it is passed over."""
    return [v for v in block.get(key) or () if isinstance(v, Mapping)]


def criterion(profile: Block, name: str) -> float:
    """One of the profile's thresholds, that of `Criteria` where the profile names none."""
    said = (profile.get("criteria") or {}).get(name)
    return said or float(getattr(Criteria(), name))


def named(text: Any, length: int = words.NAME_CHARACTERS) -> str:
    """A name from a file, cleaned, shortened and set apart by `NAME_START` and `NAME_END`."""
    return f"{NAME_START}{words.shorten(words.clean(text), length)}{NAME_END}"


def short(text: Any) -> str:
    """A name set apart, as short as names are where two stand in one sentence."""
    return named(text, words.SHORT_NAME_CHARACTERS)


def common(parts: Sequence[Block], key: str) -> tuple[float, float] | None:
    """The apertures inside a range at every focal length; None when there are none."""
    pairs = [p.get(key) or () for p in parts]
    ends = [[words.number(v) for v in pair] for pair in pairs]
    known = [(e[0], e[1]) for e in ends if len(e) == 2 and e[0] and e[1]]
    if not known or len(known) < len(parts):
        return None
    low, high = max(e[0] or 0 for e in known), min(e[1] or 0 for e in known)
    return (low, high) if low <= high else None
