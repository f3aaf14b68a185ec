"""How far a scan is, and how long it will take: reported a few times a second."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from typing import Final

from .options import Progress, ScanSummary

__all__ = ["Pace"]

_EVERY_S: Final = 0.2
"""Seconds between two reports: a live bar looks steady."""
_OVER_S: Final = 30.0
"""The rate is that of so many last seconds."""


class Pace:
    """Turns what a scan has counted into `Progress` for whoever wants to know."""

    def __init__(self, report: Callable[[Progress], None] | None) -> None:
        self._report = report
        self._recent: deque[tuple[float, int]] = deque([(time.monotonic(), 0)])
        self._last = 0.0

    def tell(self, s: ScanSummary, ended: bool, nameless: int, last: bool = False) -> None:
        """`ended`: the walk has seen everything; `nameless`: files whose tags are still to be read."""
        now = time.monotonic()
        if self._report is None or (now - self._last < _EVERY_S and not last):
            return
        self._last = now
        done = s.measured + s.set_aside
        read = done - s.unchanged
        self._recent.append((now, read))
        while len(self._recent) > 2 and now - self._recent[0][0] > _OVER_S:
            self._recent.popleft()
        then, before = self._recent[0]
        rate = (read - before) / (now - then) if now > then else 0.0
        total = s.found if ended else None
        eta = (s.found - done) / rate if ended and rate > 0 else None
        known = s.found - nameless
        note = f"settings read of {known} of {s.found} found" if nameless else None
        self._report(Progress(done, s.found, total, s.set_aside, rate, eta, note))
