"""The log beside the store: one line for everything that was set aside, in plain text, kept short."""

from __future__ import annotations

import contextlib
import os
import time
from pathlib import Path
from typing import Final

from auditor.open_files import open_own
from auditor.units import MB

__all__ = ["RunLog"]

LIMIT_BYTES: Final = 4 * MB
"""At this size a log becomes an old one."""
KEPT: Final = 3
"""Old logs that are kept."""


class RunLog:
    """Appends lines to `path`; at `LIMIT_BYTES` it becomes `path.1`, and so on up to `KEPT` old ones.

    A log that cannot be written is no reason to stop: its lines are dropped.
    """

    def __init__(self, path: Path) -> None:
        self.path = path

    def line(self, text: str) -> None:
        """Append one line with the time; dropped where the log cannot be written.

        Parameters
        ----------
        text : str
            What is said; line ends become blanks.
        """
        stamp = time.strftime("%Y-%m-%d %H:%M:%S")
        line = f"{stamp} {' '.join(text.split())}\n".encode("utf-8", "backslashreplace")
        with contextlib.suppress(OSError):
            self._turn_over()
            fd = open_own(self.path, os.O_WRONLY | os.O_APPEND)
            if fd is None:
                return
            try:
                os.write(fd, line)
            finally:
                os.close(fd)

    def _turn_over(self) -> None:
        if not self.path.exists() or self.path.stat().st_size < LIMIT_BYTES:
            return
        for number in range(KEPT - 1, 0, -1):
            older = self.path.with_name(f"{self.path.name}.{number}")
            if older.exists():
                os.replace(older, self.path.with_name(f"{self.path.name}.{number + 1}"))
        os.replace(self.path, self.path.with_name(f"{self.path.name}.1"))
