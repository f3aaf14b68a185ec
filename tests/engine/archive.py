"""Small archives of files that are nearly pictures, and a look at what a scan left of them."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import psutil

from auditor.engine import ScanOptions, ScanSummary, batch, scan
from auditor.engine.batch import close_decoders, run_batch
from auditor.engine.messages import Job
from auditor.engine.workers import OwnWorkers
from auditor.store import Store

_kept = tempfile.TemporaryDirectory(prefix="planted-")
CALLS = Path(_kept.name) / "calls.txt"
"""Where the planted measuring functions leave a line for each of their calls."""
os.environ["PLANTED_CALLS"] = str(CALLS)


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


def make(folder: Path, names: list[str], size: int = 3000, seed: int = 0) -> Path:
    """Files with random content of distinct sizes, one second apart in time."""
    rng = np.random.default_rng(seed)
    folder.mkdir(parents=True, exist_ok=True)
    for number, name in enumerate(names):
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(rng.bytes(size + number))
        os.utime(path, (1.6e9 + number, 1.6e9 + number))
    return folder


def look(folder: Path) -> dict[str, tuple[Any, ...]]:
    """Everything about a tree that a scan could change: names, content, times, modes."""
    found: dict[str, tuple[Any, ...]] = {}
    for path in sorted(folder.rglob("*")):
        info = path.lstat()
        data = path.read_bytes() if path.is_file() else b""
        times = (info.st_mtime_ns, info.st_ctime_ns, info.st_mode, info.st_size)
        found[str(path)] = (*times, data)
    return found


def measured_now() -> list[str]:
    """Names of the files that were measured since this was last asked."""
    names = sorted(
        Path(line).name for line in CALLS.read_text(errors="surrogateescape").splitlines()
    )
    CALLS.write_text("")
    return names


def run(root: Path | str, out: Path, workers: int = 2, **options: Any) -> ScanSummary:
    """One scan with the planted measuring function."""
    wanted = {"measure": "planted:measure"} | options
    return scan([root], Store(out), workers=workers, options=ScanOptions(**wanted))


def rows(out: Path) -> dict[str, tuple[str, str]]:
    """File name -> (status, reason)."""
    frames = Store(out).load(["path", "status", "reason"])
    return {
        Path(p).name: (s, "" if r is None or r != r else str(r))
        for p, s, r in zip(frames["path"], frames["status"], frames["reason"], strict=True)
    }


def started_here() -> list[int]:
    """Processes under this one that scans could have left running; a zombie has ended."""
    Here.end()
    left = []
    for child in psutil.Process().children(recursive=True):
        with contextlib.suppress(psutil.NoSuchProcess):
            command = " ".join(child.cmdline())
            # Python's own helpers, and the browser and its driver of tests that ran before these.
            helpers = ("resource_tracker", "forkserver", "chrom", "playwright")
            other = any(n in command for n in helpers)
            if not other and child.status() != psutil.STATUS_ZOMBIE:
                left.append(child.pid)
    return left
