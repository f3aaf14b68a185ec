"""Workers for scans of tests: batches are done at once, by decoders that wait for the next scan."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, ClassVar

from auditor.engine import batch
from auditor.engine.batch import close_decoders, run_batch
from auditor.engine.messages import Job
from auditor.engine.options import ScanOptions
from auditor.engine.workers import OwnWorkers


class Here(OwnWorkers):
    """Stands in for the Dask workers: batches are done at once, in a decoder of this process that the next scan
    with the same options uses again."""

    kept: ClassVar[set[str]] = set()

    @classmethod
    def scan_of(cls, options: ScanOptions) -> str:
        """The scan to which decoders with these options belong."""
        name = f"here, {options}"
        cls.kept.add(name)
        return name

    def _start(self) -> None:
        self._scan = self.scan_of(self._options)

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


def run_named(jobs: Sequence[Job], options: ScanOptions, scan: str) -> list[list[Any]]:
    """Stands in for `run_batch` where files are named (`measure_files`): in the decoders of `Here`."""
    return run_batch(jobs, options, Here.scan_of(options))
