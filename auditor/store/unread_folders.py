"""Folders that a scan could not read: nobody knows what is in them, so the profile must say so.

They are no frames and have no row. The list lies beside the tables and is renewed by every scan for the
archives that it walked.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Final

from ..crawl.names import inside
from .parts import write_file

__all__ = ["read_unread", "renew_unread"]

_NAME: Final = "unread.json"


def read_unread(folder: Path) -> list[tuple[str, str]]:
    """(path, reason) of every folder that could not be read when it was last looked at, by path."""
    try:
        found = json.loads((folder / _NAME).read_bytes())
        return sorted((str(item["path"]), str(item["reason"])) for item in found)
    except (OSError, ValueError, TypeError, KeyError, RecursionError):
        return []  # none, or damaged: the next scan finds them again


def renew_unread(
    folder: Path, found: Iterable[tuple[str, str]], walked: Sequence[str] = ()
) -> None:
    """Remember (path, reason) of folders `found` unreadable; what was known of the roots `walked`,
    which were seen to their end, is forgotten. Raises OSError."""
    before = read_unread(folder)
    below = inside(walked)
    kept = {path: why for path, why in before if not f"{path}/".startswith(below)}
    now = sorted((kept | dict(found)).items())
    if now != before:
        items = [{"path": path, "reason": reason} for path, reason in now]
        write_file(folder / _NAME, json.dumps(items, indent=1).encode())
