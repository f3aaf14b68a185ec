"""Where a folder really lies: the same folder can be reached by several paths through mounts.

On Linux the kernel's list of mounts says for each which part of which file system it shows
(proc(5), mountinfo). Elsewhere only links are looked through.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple

__all__ = ["is_of_system", "overlap"]

_LIST: Final = "/proc/self/mountinfo"
_FIELDS: Final = 5
"""Fields of a line of it up to the place of the mount."""
_OF_SYSTEM: Final = ("/dev", "/proc", "/sys")
"""Where Linux shows file systems that hold no files but the kernel's own (Filesystem Hierarchy Standard 3.0)."""


class _Mount(NamedTuple):
    point: str
    device: str
    inside: str


def _mounts() -> list[_Mount]:
    """Mounts, later ones first: they hide earlier ones at the same place."""
    try:
        with open(_LIST, encoding="utf-8", errors="surrogateescape") as file:
            lines = file.read().splitlines()
    except OSError:
        return []
    listed = [line.split(" ") for line in reversed(lines)]
    return [_Mount(_plain(w[4]), w[2], _plain(w[3])) for w in listed if len(w) >= _FIELDS]


def _plain(text: str) -> str:
    return re.sub(r"\\(\d{3})", lambda m: chr(int(m[1], 8)), text)


def _below(path: str, folder: str) -> bool:
    return path == folder or path.startswith(folder.rstrip("/") + "/")


def _resolved(path: str, mounts: Sequence[_Mount]) -> tuple[str, str]:
    """(file system, path within it) of a path without links."""
    best: _Mount | None = None
    for mount in mounts:
        if _below(path, mount.point) and (best is None or len(mount.point) > len(best.point)):
            best = mount
    if best is None:
        return "", path
    rest = path[len(best.point.rstrip("/")) :]
    return best.device, os.path.normpath(best.inside.rstrip("/") + "/" + rest.lstrip("/"))


def _trees(folder: str, mounts: Sequence[_Mount]) -> Iterator[tuple[str, str]]:
    """Everything that lies in a folder: its own file system's part, and what is mounted inside."""
    yield _resolved(folder, mounts)
    for mount in mounts:
        if mount.point != folder and _below(mount.point, folder):
            yield mount.device, os.path.normpath(mount.inside)


def overlap(place: str, folder: str) -> bool:
    """Whether one path lies in a folder, by whatever path, link or mount.

    Parameters
    ----------
    place : str
        Path that is there or not yet.
    folder : str
        Folder that may hold it.

    Returns
    -------
    bool
        True where it does.
    """
    place, folder = os.path.realpath(place), os.path.realpath(folder)
    if _below(place, folder):
        return True
    mounts = _mounts()
    device, path = _resolved(place, mounts)
    if any(device == d and _below(path, p) for d, p in _trees(folder, mounts)):
        return True
    try:
        own = os.stat(folder)
    except OSError:
        return False
    while True:  # whatever the list of mounts does not say
        try:
            here = os.stat(place)
            if (here.st_dev, here.st_ino) == (own.st_dev, own.st_ino):
                return True
        except OSError:
            pass
        above = os.path.dirname(place)
        if above == place:
            return False
        place = above


def is_of_system(path: str) -> bool:
    """Whether a folder lies on a file system of the kernel's own, such as /proc.

    Parameters
    ----------
    path : str
        A folder.

    Returns
    -------
    bool
        True for those that have their place in every system.
    """
    return any(_below(os.path.realpath(path), folder) for folder in _OF_SYSTEM)
