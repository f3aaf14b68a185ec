"""What a scan can be told, what it says while it runs, and what it says at the end."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import psutil

from .. import __version__

__all__ = ["Progress", "ScanOptions", "ScanSummary"]


@dataclass(frozen=True, slots=True)
class ScanOptions:
    """Limits and habits of a scan."""

    seconds_per_file: float = 60.0
    """A file that takes longer to measure is set aside."""
    memory_mb_per_file: int | None = None
    """A file that wants more memory is set aside; None: what the machine can spare per worker."""
    max_file_mb: int = 2000
    """Larger files are set aside unread."""
    stall_seconds: float = 300.0
    """So long may the reading of one file stand still before it is set aside."""
    again: Literal["changed", "set-aside", "all"] = "changed"
    """Which known files are measured again: changed ones only, also those set aside, or all."""
    version: str = __version__
    """Stands beside every row; set-aside files are tried again when it changes."""
    measure: str = "auditor.measure:measure_file"
    """The function that measures one file, called as f(data, path, sidecar, **measure_options)."""
    measure_options: Mapping[str, Any] = field(default_factory=dict)
    """Plain values handed on to it."""

    def memory_mb(self, workers: int) -> int:
        """The memory limit per file in MB, for so many workers on this machine."""
        if self.memory_mb_per_file is not None:
            return self.memory_mb_per_file
        share = psutil.virtual_memory().total / 2**20 * 0.7 / max(workers, 1)
        return int(min(max(share, 1200), 4000))


@dataclass(frozen=True, slots=True)
class Progress:
    """A moment of a scan. `total` and `eta_s` are None until the walk has seen everything."""

    done: int
    """Files settled so far: unchanged, measured or set aside."""
    found_so_far: int
    total: int | None
    set_aside: int
    rate: float
    """Files measured a second, over the last half minute."""
    eta_s: float | None
    note: str | None = None
    """Plain words when the scan is waiting for something."""


@dataclass(slots=True)
class ScanSummary:
    """What a scan did. found = measured + set_aside when it ran to its end."""

    found: int = 0
    measured: int = 0
    """Frames with measurements in the store, among those found: new and known."""
    set_aside: int = 0
    new: int = 0
    """Measured in this run."""
    unchanged: int = 0
    """Known and not read again."""
    moved: int = 0
    """Recognised by their content and not measured again."""
    gone: int = 0
    """Known, and no longer where they were."""
    workers_replaced: int = 0
    seconds: float = 0.0
    bytes_read: int = 0
    stopped: str | None = None
    """Why the scan ended early, and what to do; None when it ran to its end."""
    notices: list[str] = field(default_factory=list)
    """One line each: what else the owner should know."""
    reasons: dict[str, int] = field(default_factory=dict)
    """Why files were set aside in this run, with counts."""
