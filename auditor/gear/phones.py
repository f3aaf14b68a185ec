"""Lenses as short as those of phones: what a profile says of one decides what can be asked of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from auditor.exposure import f_number_index
from auditor.settings.names import range_from_name

__all__ = ["PHONE_FOCAL_MM", "like_a_phone", "one_aperture"]

Block = Mapping[str, Any]

PHONE_FOCAL_MM: Final = 10.0
"""Phones have lenses shorter than this (real, not full-frame, focal length), as have drones and action cameras, of
which no aperture can be advised either."""


def like_a_phone(lens: Block, part: Block) -> bool:
    """Whether a focal range, and by its name the whole lens, is as short as phones' are: such lenses sit before
    small sensors and have few apertures, phones a single one.

    Parameters
    ----------
    lens, part : mapping
        An entry of the profile's `lenses`, and one of its `focal_ranges`.

    Returns
    -------
    bool
        By the long end, as a compact's zoom begins as short as a phone's lens; False where it is unknown.
    """
    if not part.get("focal_mm"):
        return False
    named = range_from_name(lens.get("lens") or "")
    longest = max(part["focal_mm"][1], named.long_mm if named else 0.0)
    return bool(longest < PHONE_FOCAL_MM)


def one_aperture(lens: Block, part: Block) -> bool:
    """Whether a focal range was used at one aperture only and the lens, by all that is known, has no other.

    Parameters
    ----------
    lens, part : mapping
        An entry of the profile's `lenses`, and one of its `focal_ranges`.

    Returns
    -------
    bool
        False of a lens whose name states a wider aperture than was used.
    """
    used = [a.get("f_number") for a in part.get("apertures") or ()]
    if len(used) != 1 or not like_a_phone(lens, part):
        return False
    named = range_from_name(lens.get("lens") or "")
    # A range is that of a phone's several cameras, each with an aperture of its own.
    if not used[0] or named is None or named.f_short is None or named.long_mm > named.short_mm:
        return True
    return f_number_index(used[0]) - f_number_index(named.f_short) <= 1
