"""Workers for scans of tests: batches are done at once, by decoders that wait for the next scan."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from auditor.engine import batch
from auditor.engine.batch import close_decoders, run_batch
from auditor.engine.messages import Job
from auditor.engine.workers import OwnWorkers


class Here(OwnWorkers):
    """Stands in for the Dask workers: batches are done at once, in a decoder of this process that the next scan
    with the same options uses again."""

    kept: ClassVar[set[str]] = set()

    def _start(self) -> None:
        self._scan = f"here, {self._options}"
        self.kept.add(self._scan)

    def submit(self, ticket: int, jobs: Sequence[Job]) -> None:
        self._results.put((ticket, run_batch(jobs, self._options, self._scan)))

    def connected(self) -> bool:
        return True

    def close(self) -> None:
        pass

    @classmethod
    def end(cls) -> None:
        """End the decoders that wait for the next scan, before processes are looked at."""
        for name in cls.kept:
            close_decoders(name)
        cls.kept.clear()
        batch._ended.clear()
