"""One writer at a time: a lock file that names its holder.

The kernel holds the lock (flock), so that a dead process never blocks.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import socket
import time
from pathlib import Path
from typing import Final

from auditor.open_files import open_own
from auditor.store.errors import StoreBusy, StoreError, why

__all__ = ["WriterLock"]

_TEXT_BYTES: Final = 4096
"""Bytes that are read of a holder's text, which has some hundred."""


class WriterLock:
    """Held from `acquire` to `release`; `path` is the lock file (left in place, empty, afterwards)."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._fd: int | None = None

    @property
    def held(self) -> bool:
        """Whether this object holds the lock."""
        return self._fd is not None

    def acquire(self) -> None:
        """Take the lock or raise `StoreBusy` naming the holder. Taking it twice is harmless."""
        if self._fd is not None:
            return
        fd = open_own(self.path, os.O_RDWR)
        if fd is None:
            raise StoreError(f"{self.path} is not a file of its own; remove it, then run again")
        try:
            self._take(fd)
        except BaseException:
            os.close(fd)
            raise
        self._fd = fd

    def _take(self, fd: int) -> None:
        """Lock the open file and write into it who holds it."""
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = os.read(fd, _TEXT_BYTES).decode("utf-8", "replace") or "another process"
            raise StoreBusy(
                f"another run is writing to this store ({holder}): "
                f"{self.path.parent}; wait until it ends, or give another --out folder"
            ) from None
        except OSError as error:
            raise StoreError(
                f"{self.path} cannot be locked ({why(error)}): give --out a folder on a disk of this machine"
            ) from error
        since = time.strftime("%Y-%m-%d %H:%M:%S")
        try:
            self._write(fd, f"process {os.getpid()} on {socket.gethostname()}, since {since}")
        except OSError as error:
            raise StoreError(f"{self.path} cannot be written ({why(error)})") from error

    @staticmethod
    def _write(fd: int, text: str) -> None:
        os.ftruncate(fd, 0)
        os.pwrite(fd, text.encode(), 0)

    def confirm(self) -> None:
        """Raise `StoreBusy` where this object does not hold the lock."""
        if self._fd is None:
            raise StoreBusy(f"the store is not open for writing: {self.path.parent}")

    def release(self) -> None:
        """Give the lock back; harmless when it is not held."""
        if self._fd is None:
            return
        with contextlib.suppress(OSError):
            self._write(self._fd, "")
        os.close(self._fd)
        self._fd = None
