"""The log beside the store: one line for everything that was set aside, in plain text, kept short."""

from __future__ import annotations

import contextlib
import os
import time
from pathlib import Path

__all__ = ["RunLog"]

LIMIT_BYTES = 4 * 2**20
KEPT = 3


class RunLog:
    """Appends lines to `path`; at 4 MB it becomes `path.1`, and so on up to three old ones.

    A log that cannot be written is no reason to stop: its lines are dropped.
    """

    def __init__(self, path: Path) -> None:
        self.path = path

    def line(self, text: str) -> None:
        """Append one line with the time."""
        stamp = time.strftime("%Y-%m-%d %H:%M:%S")
        with contextlib.suppress(OSError):
            self._turn_over()
            with open(self.path, "a", encoding="utf-8", errors="backslashreplace") as out:
                out.write(f"{stamp} {' '.join(text.split())}\n")

    def _turn_over(self) -> None:
        if not self.path.exists() or self.path.stat().st_size < LIMIT_BYTES:
            return
        for number in range(KEPT - 1, 0, -1):
            older = self.path.with_name(f"{self.path.name}.{number}")
            if older.exists():
                os.replace(older, self.path.with_name(f"{self.path.name}.{number + 1}"))
        os.replace(self.path, self.path.with_name(f"{self.path.name}.1"))
