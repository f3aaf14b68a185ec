"""What waits for the workers, what is with them, and what becomes of a batch that took its worker down."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Iterable, Sequence
from typing import Final

from .messages import Job

__all__ = ["Queues", "Retries"]

BATCH_FILES: Final = 64
"""Most files of a batch."""
LIGHT_FILES: Final = 128
"""The same where only tags are read."""
CULPRIT_LOSSES: Final = 2
"""So many workers a batch may take down before it is split; alone, a file that took one more is to blame."""


class Queues:
    """Batches in the order in which workers get them; those under suspicion run alone."""

    def __init__(self) -> None:
        self.running: dict[int, list[Job]] = {}
        """Batches that are with the workers, by their ticket."""
        self.again: deque[list[Job]] = deque()
        """Batches that came back without an answer, through no fault of theirs."""
        self.to_measure: deque[Job] = deque()
        self._light: deque[Job] = deque()  # jobs that decode nothing
        self._suspects: deque[list[Job]] = deque()
        self._confined = False

    def __bool__(self) -> bool:
        """Whether anything waits or runs."""
        waiting = self.again or self._suspects or self._light or self.to_measure
        return bool(self.running or waiting)

    def _queue_of(self, job: Job) -> deque[Job]:
        return self.to_measure if job["do"] == "measure" else self._light

    def add(self, jobs: Iterable[Job]) -> None:
        """Queue more jobs: those that decode a file, and those that read its tags only."""
        for job in jobs:
            self._queue_of(job).append(job)

    def put_back(self, jobs: Sequence[Job]) -> None:
        """Jobs of a batch that nobody has begun; they are the next. Those of one that took a worker down stay
        together, so that no others are suspected with them."""
        losses = jobs[0].get("losses", 0) if jobs else 0
        if losses:
            (self._suspects if losses >= CULPRIT_LOSSES else self.again).appendleft(list(jobs))
            return
        for job in reversed(jobs):
            self._queue_of(job).appendleft(job)

    def next(self, workers: int) -> list[Job]:
        """The next batch to send, [] when nothing should be sent now.

        Batches get smaller with what waits, so that workers begin and finish together. A batch under suspicion
        runs with no other beside it, so that nobody is blamed wrongly.
        """
        if self._suspects or self._confined:
            if self.running:
                return []
            self._confined = bool(self._suspects)
            if self._suspects:
                return self._suspects.popleft()
        if len(self.running) >= 2 * workers:
            return []
        if self.again:
            return self.again.popleft()
        queue, most = (self._light, LIGHT_FILES) if self._light else (self.to_measure, BATCH_FILES)
        count = min(most, len(queue), max(1, len(queue) // (2 * workers)))
        return [queue.popleft() for _ in range(count)]

    def lost(self, jobs: list[Job]) -> Job | None:
        """A batch whose worker went down: tried again, then split until the culprit is alone, who is
        given back."""
        losses = 1 + max(job.get("losses", 0) for job in jobs)
        jobs = [job | {"losses": losses} for job in jobs]
        if (
            losses < CULPRIT_LOSSES
        ):  # whatever took the worker may have had nothing to do with this batch
            self.again.append(jobs)
        elif len(jobs) > 1:
            middle = len(jobs) // 2
            self._suspects += [jobs[:middle], jobs[middle:]]
        elif losses == CULPRIT_LOSSES:
            self._suspects.append(jobs)
        else:
            return jobs[0]
        return None


WAIT_S: Final = 5.0
"""Long enough for a network share to be mounted again, short enough to be waited for at the end."""
MOST: Final = 10_000
"""So many files are kept; with more missing, something is away for good."""


class Retries:
    """Files that could not be read a moment ago, with the moment from which on they may be tried again."""

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
