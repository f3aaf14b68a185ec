"""What waits for the workers, and what is with them."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Iterable, Sequence
from typing import Final

from auditor.engine.messages import Job

__all__ = ["Queues"]

BATCH_FILES: Final = 64
"""Most files of a batch."""
LIGHT_FILES: Final = 128
"""The same where only tags are read."""
MOST_LOSSES: Final = 3
"""A file that so many workers went down with, alone after the first, is to blame."""

WAIT_S: Final = 5.0
"""A file that could not be read is tried again after so long: enough for a network share to be mounted again,
short enough to be waited for at the end."""
MOST_LATER: Final = 10_000
"""So many such files are kept; with more missing, something is away for good."""


class Queues:
    """Batches in the order in which workers get them."""

    def __init__(self) -> None:
        self.running: dict[int, list[Job]] = {}
        """Batches that are with the workers, by their ticket."""
        self.unanswered: deque[list[Job]] = deque()
        """Batches that came back without an answer."""
        self.to_measure: deque[Job] = deque()
        self.unidentified = 0
        """Files whose tags are still to be read, those that wait for another try not counted."""
        self._tags_only: deque[Job] = deque()  # jobs that decode nothing
        # With the moment from which on they are tried.
        self._retries: deque[tuple[float, Job]] = deque()

    @property
    def busy(self) -> bool:
        """Whether anything runs, or waits for nothing but a worker."""
        return bool(self.running or self.unanswered or self._tags_only or self.to_measure)

    def __bool__(self) -> bool:
        """Whether anything waits or runs."""
        return self.busy or bool(self._retries)

    def _queue_of(self, job: Job) -> deque[Job]:
        return self.to_measure if job["do"] == "measure" else self._tags_only

    def add(self, jobs: Iterable[Job]) -> None:
        """Queue more jobs: those that decode a file, and those that read its tags only."""
        for job in jobs:
            self._queue_of(job).append(job)
            self.unidentified += job["do"] == "identify"

    def retry_later(self, job: Job) -> bool:
        """Try a file that could not be read once more in a moment; whether that is still to be done."""
        kept = "second" not in job and len(self._retries) < MOST_LATER
        if kept:
            self._retries.append((time.monotonic() + WAIT_S, job | {"second": True}))
        return kept

    def put_back(self, jobs: Sequence[Job]) -> None:
        """Jobs of a batch that nobody has begun; they are the next."""
        for job in reversed(jobs):
            self._queue_of(job).appendleft(job)

    def next(self, workers: int) -> list[Job]:
        """The next batch to send, [] when nothing should be sent now.

        Batches get smaller with what waits, so that workers begin and finish together. A file whose worker went down
        has the workers for itself, so that no other is blamed with it.
        """
        while self._retries and self._retries[0][0] <= time.monotonic():
            self.add([self._retries.popleft()[1]])
        if len(self.running) >= 2 * workers or any(map(_suspected, self.running.values())):
            return []
        if self.unanswered and _suspected(self.unanswered[0]) and self.running:
            return []
        if self.unanswered:
            return self.unanswered.popleft()
        queue, limit = (
            (self._tags_only, LIGHT_FILES) if self._tags_only else (self.to_measure, BATCH_FILES)
        )
        count = min(limit, len(queue), max(1, len(queue) // (2 * workers)))
        return [queue.popleft() for _ in range(count)]

    def worker_lost(self, jobs: Iterable[Job]) -> list[Job]:
        """A batch whose worker went down: its files are tried alone; those that ended several are given back."""
        culprits = []
        for job in jobs:
            job = job | {"losses": job.get("losses", 0) + 1}
            if job["losses"] < MOST_LOSSES:
                self.unanswered.append([job])
            else:
                self.unidentified -= job["do"] == "identify"
                culprits.append(job)
        return culprits


def _suspected(batch: Sequence[Job]) -> bool:
    """Whether a worker went down with a file of this batch."""
    return any("losses" in job for job in batch)
