"""How long a process has had for its work: time in which it was stopped, or in which others had the
cores, is not its own."""

from __future__ import annotations

import contextlib
import time
from typing import Final

import psutil

__all__ = ["OwnTime"]

_LEAP_S: Final = 1.0
"""More than this between two looks means that this process was stopped itself, or the machine slept."""
_STOPPED: Final = (psutil.STATUS_STOPPED, psutil.STATUS_TRACING_STOP)
_BUSY: Final = psutil.STATUS_RUNNING


class OwnTime:
    """Counts the time of one process from now on."""

    def __init__(self, process: psutil.Process | None) -> None:
        self._process = process
        self._spent = 0.0
        self._last = time.monotonic()
        self._cores: float | None = None

    def spent(self) -> float:
        """Seconds so far. While the process computes, the time that it had a core; while it waits for
        a disk or for nothing at all, the clock's; while it is stopped, none."""
        now = time.monotonic()
        passed, self._last = min(now - self._last, _LEAP_S), now
        status, cores = self._look()
        if status not in _STOPPED:
            had = passed if self._cores is None else max(cores - self._cores, 0.0)
            self._spent += min(had, passed) if status == _BUSY else passed
        self._cores = cores
        return self._spent

    def _look(self) -> tuple[str, float]:
        """(status, seconds of core time so far)."""
        if self._process is not None:
            with contextlib.suppress(psutil.Error):
                used = self._process.cpu_times()
                return str(self._process.status()), float(used.user + used.system)
        return "", 0.0
