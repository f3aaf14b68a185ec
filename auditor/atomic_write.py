"""Files that belong together are written atomically: all of them take their places, or none does."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final

__all__ = ["atomic_write"]

_PREFIX: Final = ".writing-"
_LEFT_S: Final = 24 * 3600.0
"""A folder that has been written to for longer belongs to a program that was killed."""


@contextlib.contextmanager
def atomic_write(out: Path) -> Iterator[Path]:
    """A folder inside `out` to write into. What lies there at the end of the block moves into `out`;
    after an error `out` is as it was. Raises OSError."""
    for old in out.glob(f"{_PREFIX}*"):
        with contextlib.suppress(OSError):
            if time.time() - old.stat().st_mtime > _LEFT_S:
                shutil.rmtree(old, ignore_errors=True)
    beside = Path(tempfile.mkdtemp(prefix=_PREFIX, dir=out))
    try:
        yield beside
        moves = [(p, out / p.relative_to(beside)) for p in sorted(beside.rglob("*")) if p.is_file()]
        for folder in {place.parent for _, place in moves}:  # before anything has moved
            folder.mkdir(parents=True, exist_ok=True)
        for path, place in moves:
            os.replace(path, place)
    finally:
        shutil.rmtree(beside, ignore_errors=True)
