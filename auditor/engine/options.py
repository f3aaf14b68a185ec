"""The options of a scan, what it says while it runs, and what it says at the end."""

from __future__ import annotations

import re
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from auditor import __version__

__all__ = ["Pace", "Progress", "ScanError", "ScanOptions", "ScanSummary"]

MOST_LINES: Final = 20
"""So many files are listed by name at the end of a run, more by their reasons."""


class ScanError(RuntimeError):
    """A scan could not begin, or ended early; the message is one line and says what to do.

    `summary` counts what was done until then; all of it is in the store.
    """

    def __init__(self, message: str, summary: ScanSummary | None = None) -> None:
        super().__init__(message)
        self.summary = summary or ScanSummary()


@dataclass(frozen=True, slots=True)
class ScanOptions:
    """Limits and habits of a scan."""

    seconds_per_file: float = 60.0
    """A file whose measuring takes more time of a core is set aside."""
    memory_mb: int = 4000
    """A file that wants more memory than this is set aside."""
    max_pixels: int = 300_000_000
    """Larger pictures are set aside from their header."""
    max_file_mb: int = 2000
    """Larger files are set aside unread."""
    stall_seconds: float = 300.0
    """So long may the reading of one file stand still before it is set aside: of the clock."""
    retry: bool = False
    """Files that were set aside are tried again although nothing has changed."""
    version: str = __version__
    """Stands beside every row; set-aside files are tried again when it changes."""
    measure: str = "auditor.measure:measure_file"
    """What measures one file, called as f(data, path, sidecar, max_pixels=...)."""
    identify: str = "auditor.settings:read_settings"
    """What reads one file's tags, called as f(data, path, sidecar); data may be its beginning only."""


@dataclass(frozen=True, slots=True)
class Progress:
    """A moment of a scan. `total` and `eta_s` are None until the walk has seen everything."""

    done: int
    """Files settled so far: unchanged, measured or set aside."""
    found: int
    """Files found so far."""
    total: int | None
    set_aside: int
    rate: float
    """Files measured a second, over the last half minute."""
    eta_s: float | None
    note: str | None = None
    """Plain words while tags are read, before anything is measured."""


@dataclass(slots=True)
class ScanSummary:
    """What a scan did. found = measured + set_aside when it ran to its end."""

    found: int = 0
    measured: int = 0
    """Files whose exposure is measured, among those found: new, known and counted."""
    counted: int = 0
    """Among these: files whose exposure is measured on another, better file."""
    set_aside: int = 0
    new: int = 0
    """Measured in this run."""
    unchanged: int = 0
    """Known and not read again."""
    moved: int = 0
    """Recognised by their content and not measured again."""
    gone: int = 0
    """Known, and no longer where they were."""
    seconds: float = 0.0
    stopped: str | None = None
    """Why the scan ended early, and what to do; None when it ran to its end."""
    notices: list[str] = field(default_factory=list)
    """One line each: what else the owner should know."""
    reasons: dict[str, int] = field(default_factory=dict)
    """Why files were set aside in this run, with counts."""
    aside: list[tuple[str, str]] = field(default_factory=list)
    """(path, reason) of every file in the store that is set aside, this run's and earlier ones."""
    unread: list[tuple[str, str]] = field(default_factory=list)
    """(path, reason) of folders that could not be read."""
    empty: list[str] = field(default_factory=list)
    """The archives among those given in which no picture was found, though they could be read."""

    def in_one_line(self) -> str:
        """All counts in one line, for the log.

        Returns
        -------
        str
            The line.
        """
        return (
            f"{'stopped: ' + self.stopped if self.stopped else 'done'}; found {self.found}, measured "
            f"{self.measured} ({self.counted} of them counted on another file), set aside "
            f"{self.set_aside}, unchanged {self.unchanged}, moved {self.moved}, gone {self.gone}, "
            f"{self.seconds:.0f} s"
        )

    def set_aside_lines(self) -> list[str]:
        """Files set aside, for a person.

        Returns
        -------
        list of str
            One line for each file; when there are many, one for each reason.
        """
        return _lines("set aside", self.aside)

    def notice_lines(self) -> list[str]:
        """What else the owner should know.

        Returns
        -------
        list of str
            A line each, folders that could not be read first.
        """
        return _lines("not read", self.unread) + [f"note: {n}" for n in self.notices[:MOST_LINES]]


def _lines(what: str, found: list[tuple[str, str]]) -> list[str]:
    if len(found) <= MOST_LINES:
        return [f"{what}: {path}: {reason}" for path, reason in found]
    # Reasons that differ in figures alone are one: small pictures come in every size.
    by_reason: dict[str, list[tuple[str, str]]] = {}
    for path, reason in found:
        by_reason.setdefault(re.sub(r"\d+", "", reason), []).append((path, reason))
    most_frequent = sorted(by_reason.values(), key=len, reverse=True)
    lines = []
    for files in most_frequent[:MOST_LINES]:
        path, reason = files[0]
        more = ", and the like" if any(other != reason for _, other in files) else ""
        lines.append(f"{what}: {len(files)} x {reason}{more} (such as {path})")
    if len(most_frequent) > MOST_LINES:
        rest = sum(len(files) for files in most_frequent[MOST_LINES:])
        lines.append(f"{what}: {rest} more for {len(most_frequent) - MOST_LINES} other reasons")
    return lines


_EVERY_S: Final = 0.2
"""Seconds between two reports: a live line looks steady."""
_OVER_S: Final = 30.0
"""The rate is that of so many last seconds."""


class Pace:
    """Turns what a scan has counted into `Progress` for whoever wants to know."""

    def __init__(self, report: Callable[[Progress], None] | None) -> None:
        self._report = report
        self._recent: deque[tuple[float, int]] = deque([(time.monotonic(), 0)])
        self._last = 0.0

    def report_if_due(
        self, s: ScanSummary, ended: bool, unidentified: int, last: bool = False
    ) -> None:
        """`ended`: the walk has seen everything; `unidentified`: files whose tags are still to be read."""
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
        known = s.found - unidentified
        note = f"settings of {known} of {s.found} files read" if unidentified else None
        self._report(Progress(done, s.found, total, s.set_aside, rate, eta, note))
