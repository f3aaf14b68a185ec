"""How much memory a decoder may have; and memory that was let go, handed back to the system: a night's
scan has peaks of seconds."""

from __future__ import annotations

import contextlib
import sys
from pathlib import Path
from typing import Final

from ..units import MB

__all__ = ["hand_back", "share_mb"]

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
    import psutil

    least = float(psutil.virtual_memory().total)
    for place in _GROUP_LIMITS:
        with contextlib.suppress(OSError, ValueError):  # 'max' is no number
            least = min(least, float(Path(place).read_text()))
    return least / MB


def share_mb(asked_mb: int, workers: int) -> int:
    """What each of so many decoders may have when `asked_mb` are asked for."""
    return min(asked_mb, max(_LEAST_MB, int(_FOR_DECODERS * _machine_mb() / workers)))


def hand_back() -> None:
    """Ask the allocators of Arrow and of the C library to return what is free (glibc: malloc_trim)."""
    import pyarrow as pa

    pa.default_memory_pool().release_unused()
    if sys.platform.startswith("linux"):
        import ctypes

        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).malloc_trim(0)
