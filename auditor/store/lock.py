"""One writer at a time: a lock file that names its holder.

Where the system can, the kernel holds the lock (flock), so that a dead process never blocks. Elsewhere
the holder's text decides: same machine and dead, or another boot of this machine, means stale; a holder
on another machine is believed as long as it refreshes the file.
"""

from __future__ import annotations

import contextlib
import json
import os
import socket
import time
from pathlib import Path
from typing import Any, Final

from ..open_files import open_own
from ..units import MINUTE_S
from .errors import StoreBusy, StoreError

try:
    import fcntl
except ImportError:  # not on this system
    fcntl = None  # type: ignore[assignment]


SILENT_AFTER_S: Final = 15.0 * MINUTE_S
"""A holder on another machine that has not refreshed its lock for so long is taken for dead."""
_REFRESH_S: Final = MINUTE_S
"""So often a holder refreshes its lock."""
_BOOT_STEP_S: Final = 10
"""Where the system has no name for this boot its moment serves, rounded so, for setting the clock moves it."""
_SAME_START_S: Final = 2.0
"""Within this two readings of when a process started are one."""
_TOKEN_BYTES: Final = 8
"""Random bytes that distinguish two holders in one process: no two of them ever agree by chance."""
_SETTLE_S: Final = 0.2
"""Pause after which the later of two texts in the same lock has won."""
_TEXT_BYTES: Final = 4096
"""Bytes that are read of a holder's text, which has some 200."""


# psutil is imported where it is needed: most commands only read.


def _boot_id() -> str:
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    except OSError:
        import psutil

        return str(round(psutil.boot_time() / _BOOT_STEP_S))


def _me() -> dict[str, Any]:
    import psutil

    return {
        "pid": os.getpid(),
        "started": psutil.Process().create_time(),
        "host": socket.gethostname(),
        "boot": _boot_id(),
        "token": os.urandom(_TOKEN_BYTES).hex(),
        "since": time.strftime("%Y-%m-%d %H:%M:%S"),
    }


def _alive(holder: dict[str, Any], silent_s: float) -> bool:
    """Whether the process that a lock's text names can still be running."""
    if holder.get("host") != socket.gethostname():
        return silent_s < SILENT_AFTER_S
    if holder.get("boot") != _boot_id():
        return False
    import psutil

    try:
        started = psutil.Process(int(holder["pid"])).create_time()
        return abs(started - float(holder["started"])) < _SAME_START_S
    except (psutil.Error, KeyError, TypeError, ValueError):
        return False


class WriterLock:
    """Held from `acquire` to `release`; `path` is the lock file (left in place, empty, afterwards)."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._fd: int | None = None
        self._by_kernel = False
        self._mine: dict[str, Any] = {}
        self._refreshed = 0.0

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
            self._by_kernel = self._flock(fd)
            if not self._by_kernel:
                holder = self._holder(fd)
                silent = time.time() - os.fstat(fd).st_mtime
                if holder and _alive(holder, silent):
                    raise StoreBusy(self._refusal(holder))
            self._mine = _me()
            self._write(fd, json.dumps(self._mine))
            if not self._by_kernel:
                time.sleep(_SETTLE_S)  # two that took over the same stale lock: the later text wins
                holder = self._holder(fd)
                if holder != self._mine:
                    raise StoreBusy(self._refusal(holder))
        except BaseException:
            os.close(fd)
            raise
        self._fd, self._refreshed = fd, time.monotonic()

    def _flock(self, fd: int) -> bool:
        if fcntl is None:
            return False
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return True
        except BlockingIOError:
            raise StoreBusy(self._refusal(self._holder(fd))) from None
        except OSError:  # a file system without locks
            return False

    def _holder(self, fd: int) -> dict[str, Any]:
        try:
            found = json.loads(self._read(fd))
        except (ValueError, OSError, RecursionError):
            return {}
        return found if isinstance(found, dict) else {}

    @staticmethod
    def _read(fd: int) -> bytes:
        os.lseek(fd, 0, os.SEEK_SET)
        return os.read(fd, _TEXT_BYTES)

    @staticmethod
    def _write(fd: int, text: str) -> None:
        os.ftruncate(fd, 0)
        os.lseek(fd, 0, os.SEEK_SET)
        os.write(fd, text.encode())

    def _refusal(self, holder: dict[str, Any]) -> str:
        who = (
            f"process {holder.get('pid')} on {holder.get('host')}, since {holder.get('since')}"
            if holder
            else "another process"
        )
        return (
            f"another run is writing to this store ({who}): {self.path.parent}; "
            "wait until it ends, or give another --out folder"
        )

    def confirm(self) -> None:
        """Raise `StoreBusy` when somebody else has taken the lock; refresh it now and then."""
        if self._fd is None:
            raise StoreBusy(f"the store is not open for writing: {self.path.parent}")
        if self._by_kernel:
            return
        if time.monotonic() - self._refreshed > _REFRESH_S:
            with contextlib.suppress(OSError):
                os.utime(self.path)
            self._refreshed = time.monotonic()
        holder = self._holder(self._fd)
        if holder != self._mine:
            raise StoreBusy(self._refusal(holder))

    def release(self) -> None:
        """Give the lock back; harmless when it is not held."""
        if self._fd is None:
            return
        with contextlib.suppress(OSError):
            self._write(self._fd, "")
        os.close(self._fd)
        self._fd = None
