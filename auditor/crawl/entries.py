"""What a walk through an archive hands on: a file that claims to be a picture, or what is not read."""

from __future__ import annotations

import os
from collections.abc import Mapping
from typing import Final, NamedTuple

__all__ = ["FileEntry", "Skipped", "changed_ns", "in_64_bits", "sidecar_of", "stamp"]

_MOST: Final = 2**63 - 1
"""The latest time of change in ns that the store and messages hold: the year 2262. File systems go on for
centuries (ext4 until 2446), and damaged ones claim anything."""
_SIZE_BITS: Final = 40
"""A stamp is a time of change in ns, mixed with the size from this bit on ..."""
_STAMP_BITS: Final = 62
"""... in so many bits: a positive 64-bit number."""


class FileEntry(NamedTuple):
    """One file that by its name, or its first bytes, claims to be a picture.

    `path` opens it; `names.printable(path)` shows it.
    """

    path: str
    size_bytes: int
    mtime_ns: int
    root: str
    sidecar: str | None = None
    """Path of its XMP sidecar, 'name.ext.xmp' before 'name.xmp'."""
    sidecar_stamp: int | None = None
    """`stamp` of the sidecar where a listing told it; None where it is to be asked for."""


class Skipped(NamedTuple):
    """Something in the archive that is not read, and why, in plain words."""

    path: str
    reason: str
    picture: bool
    """Its name claims to be a picture: it counts as found and set aside. Otherwise (a folder, a
    device) it is only mentioned."""
    unreadable: bool = False
    """Out of reach: a folder that should be read, so that pictures in it are not among those found; or a file
    of which nothing can be told now, not even whether it is still there."""


def in_64_bits(time_ns: int) -> int:
    """The time, or the end of what 64 bits hold where it lies beyond.

    Parameters
    ----------
    time_ns : int
        Time in ns.

    Returns
    -------
    int
        Time in ns.
    """
    return max(-_MOST, min(time_ns, _MOST))


def changed_ns(info: os.stat_result) -> int:
    """Time of a file's last change, as it is compared and stored.

    Parameters
    ----------
    info : os.stat_result
        What the system says of the file.

    Returns
    -------
    int
        Time in ns.
    """
    return in_64_bits(info.st_mtime_ns)


def stamp(size_bytes: int, mtime_ns: int) -> int:
    """Size and time of change of a sidecar mixed into one number.

    Parameters
    ----------
    size_bytes : int
        Its size.
    mtime_ns : int
        Its time of change in ns.

    Returns
    -------
    int
        A number from 0 that fits into 64 bits.
    """
    return (mtime_ns ^ (size_bytes << _SIZE_BITS)) & (2**_STAMP_BITS - 1)


def sidecar_of(name: str, sidecars: Mapping[str, str]) -> str | None:
    """The sidecar of a picture's name: 'name.ext.xmp' before 'name.xmp', whatever the case.

    `sidecars` maps the names of a folder's sidecars, in lower case and without '.xmp', to whatever
    opens them.
    """
    lower = name.lower()
    stem = lower[: lower.rfind(".")] if "." in lower else lower
    return sidecars.get(lower) or sidecars.get(stem)
