"""Files that could not be read a moment ago, kept for another attempt: a share may be back by then."""

from __future__ import annotations

import time
from collections import deque
from typing import Final

from .options import Job

__all__ = ["Retries"]

WAIT_S: Final = 5.0
"""Long enough for a network share to be mounted again, short enough to be waited for at the end."""
MOST: Final = 10_000
"""So many files are kept; with more missing, something is away for good."""


class Retries:
    """Jobs with the moment from which on they may be tried again."""

    def __init__(self) -> None:
        self._jobs: deque[tuple[float, Job]] = deque()

    def __len__(self) -> int:
        return len(self._jobs)

    @property
    def full(self) -> bool:
        """Whether no more are taken."""
        return len(self._jobs) >= MOST

    def add(self, job: Job) -> None:
        """Try this file once more."""
        self._jobs.append((time.monotonic() + WAIT_S, job | {"second": True}))

    def due(self) -> list[Job]:
        """Jobs whose moment has come."""
        out: list[Job] = []
        now = time.monotonic()
        while self._jobs and self._jobs[0][0] <= now:
            out.append(self._jobs.popleft()[1])
        return out
