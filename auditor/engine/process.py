"""What a scan has to do with processes: their share of memory, signals that end them."""

from __future__ import annotations

import contextlib
import signal
import sys
import threading
from pathlib import Path
from typing import Any, Final

import psutil

from auditor.units import MB

__all__ = ["StopSignal", "release_memory", "share_mb"]

_FOR_DECODERS: Final = 0.8
"""Share of the machine's memory that decoders may fill; the rest is for the scan itself and others."""
_LEAST_MB: Final = 600
"""With less not even a frame of 24 megapixels is measured."""
_GROUP_LIMITS: Final = (
    "/sys/fs/cgroup/memory.max",
    "/sys/fs/cgroup/memory/memory.limit_in_bytes",
)
"""Where Linux says what a container may use (control groups, versions 2 and 1)."""


def _machine_mb() -> float:
    """Memory of this machine, or of the container."""
    least = float(psutil.virtual_memory().total)
    for place in _GROUP_LIMITS:
        with contextlib.suppress(OSError, ValueError):  # 'max' is no number
            least = min(least, float(Path(place).read_text()))
    return least / MB


def share_mb(requested_mb: int, workers: int) -> int:
    """What each of so many decoders may have when `requested_mb` are asked for."""
    return min(requested_mb, max(_LEAST_MB, int(_FOR_DECODERS * _machine_mb() / workers)))


def release_memory() -> None:
    """Ask the allocators of Arrow and of the C library to return what is free (glibc: malloc_trim): a
    night's scan has peaks of seconds."""
    import pyarrow as pa

    pa.default_memory_pool().release_unused()
    if sys.platform.startswith("linux"):
        import ctypes

        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).malloc_trim(0)


_WORDS = {
    "SIGINT": "stopped by Ctrl-C",
    "SIGTERM": "stopped from outside",
    "SIGHUP": "terminal closed",
}


class StopSignal:
    """Ctrl-C, a closing terminal or a polite kill: asked once, the scan ends in order; twice, at once.

    Within the `with` block `asked` says in plain words who asked to stop, or is None."""

    def __init__(self) -> None:
        self.asked: str | None = None
        self._before: dict[signal.Signals, Any] = {}

    def __enter__(self) -> StopSignal:
        if threading.current_thread() is threading.main_thread():
            for name in _WORDS:
                number = getattr(signal, name, None)
                # What is ignored (nohup, a job in the background) stays ignored.
                if number is not None and signal.getsignal(number) != signal.SIG_IGN:
                    self._before[number] = signal.signal(number, self._handle)
        return self

    def __exit__(self, *exc: object) -> None:
        for number, handler in self._before.items():
            with contextlib.suppress(ValueError, TypeError):
                signal.signal(number, handler)

    def _handle(self, number: int, frame: object) -> None:
        if self.asked is not None and number == signal.SIGINT:
            raise KeyboardInterrupt
        self.asked = _WORDS[signal.Signals(number).name]
