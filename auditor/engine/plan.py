"""Which of the files found must be read, and in what batches."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from ..store.schema import path_key
from .options import ScanOptions
from .source import is_url

if TYPE_CHECKING:
    from ..crawl.walk import FileEntry
    from ..store import Known

__all__ = ["Batcher", "Planner", "stamp_of"]

_CANDIDATES: Final = 32
BATCH_SECONDS: Final = 2.0
BATCH_FILES: Final = 64
FIRST_FILES: Final = 4


def stamp_of(sidecar: str | None) -> int:
    """Size and time of change of a sidecar mixed into one number; -1 without a sidecar."""
    if sidecar is None or is_url(sidecar):
        return -1
    try:
        info = os.stat(sidecar)
    except OSError:
        return -1
    return (info.st_mtime_ns ^ (info.st_size << 40)) & (2**62 - 1)


class Planner:
    """Compares files found with what the store knows; remembers which known paths were seen."""

    def __init__(self, known: Known, options: ScanOptions) -> None:
        self.known = known
        self.options = options
        self.seen = np.zeros(len(known), bool)
        self._sizes, self._by_size = known.by_size()
        self._new: set[int] = set()

    def decide(self, entries: Sequence[FileEntry]) -> list[tuple[FileEntry, str, dict[str, Any]]]:
        """(entry, 'measured' | 'set-aside' | 'read' | 'twice', job) for each; only 'read' has a job.

        'measured' and 'set-aside' are unchanged files with that status.
        """
        keys = np.array([path_key(e.path) for e in entries], np.int64)
        found = self.known.find(keys)
        out: list[tuple[FileEntry, str, dict[str, Any]]] = []
        for entry, key, index in zip(entries, keys.tolist(), found.tolist(), strict=True):
            stamp = stamp_of(entry.sidecar)
            if index >= 0:
                if self.seen[index]:
                    out.append((entry, "twice", {}))
                    continue
                self.seen[index] = True
                status = self._unchanged(index, entry, stamp)
                if status is not None:
                    out.append((entry, status, {}))
                    continue
            elif key in self._new:
                out.append((entry, "twice", {}))
                continue
            else:
                self._new.add(key)
            out.append((entry, "read", self._job(entry, stamp, index)))
        return out

    def skipped_before(self, path: str) -> bool:
        """Whether a file that is passed over unread is in the store as such already; marks it seen."""
        index = int(self.known.find(np.array([path_key(path)], np.int64))[0])
        if index < 0:
            return False
        self.seen[index] = True
        row = self.known.at(index)
        same = row.status == "set-aside" and row.size_bytes == -1 and not row.gone
        return same and row.tool_version == self.options.version

    def _unchanged(self, index: int, entry: FileEntry, stamp: int) -> str | None:
        row = self.known.at(index)
        if row.gone or row.size_bytes != entry.size_bytes or row.sidecar_stamp != stamp:
            return None
        if row.mtime_ns != entry.mtime_ns:
            return None
        if row.status == "set-aside" and (
            self.options.retry or row.tool_version != self.options.version
        ):
            return None
        return row.status

    def _job(self, entry: FileEntry, stamp: int, index: int) -> dict[str, Any]:
        return {
            "path": entry.path,
            "root": entry.root,
            "sidecar": entry.sidecar,
            "mtime_ns": entry.mtime_ns,
            "size_bytes": entry.size_bytes,
            "stamp": stamp,
            "same": self._candidates(entry, index),
        }

    def _candidates(self, entry: FileEntry, before: int) -> list[list[str | None]]:
        """Content (and sidecar content) of known files that this may be: the one that was here
        `before` (an index, -1: none), and those of its size."""
        rows = self.of_size(entry.size_bytes)
        if len(rows) > _CANDIDATES:  # files of raw converters and scanners often have one size
            rows = rows[self.known.mtime[rows] == entry.mtime_ns][:_CANDIDATES]
        out: list[list[str | None]] = []
        for index in dict.fromkeys([*([before] if before >= 0 else []), *rows.tolist()]):
            if not self.known.ids[index] or not self._usable(index):
                continue
            sidecar = self.known.sidecar_ids[index].decode() or None
            out.append([self.known.ids[index].decode(), sidecar])
        return out

    def _usable(self, index: int) -> bool:
        if self.known.measured[index]:
            return True
        current = self.known.versions[self.known.version[index]] == self.options.version
        return current and not self.options.retry

    def of_size(self, size: int) -> np.ndarray:
        """Indices of the known rows of files with so many bytes and a content hash."""
        low, high = np.searchsorted(self._sizes, [size, size + 1])
        return np.asarray(self._by_size[low:high])

    def same_content(self, own: dict[str, Any]) -> int | None:
        """Index of a known row with this content and this sidecar."""
        file_id = str(own["file_id"]).encode()
        sidecar = str(own["sidecar_id"] or "").encode()
        rows = self.of_size(int(own["size_bytes"]))
        hits = rows[(self.known.ids[rows] == file_id) & (self.known.sidecar_ids[rows] == sidecar)]
        usable = [i for i in hits.tolist() if self._usable(i)]
        return usable[0] if usable else None


class Batcher:
    """Cuts the queue of jobs into batches of some two seconds' work each.

    Until the first batch has come back batches are small, so that every worker has work at once and
    nothing is guessed; then they follow the measured seconds per megabyte and per file.
    """

    def __init__(self, workers: int) -> None:
        self.workers = workers
        self._jobs: deque[dict[str, Any]] = deque()
        self._seconds_per_cost: float | None = None

    def add(self, jobs: Iterable[dict[str, Any]]) -> None:
        """Queue more jobs."""
        self._jobs.extend(jobs)

    def __len__(self) -> int:
        return len(self._jobs)

    def learn(self, jobs: Sequence[dict[str, Any]], seconds: float) -> None:
        """Take note of how long a batch took."""
        seen = seconds / self._cost(jobs)
        before = self._seconds_per_cost
        self._seconds_per_cost = seen if before is None else before + 0.3 * (seen - before)

    @staticmethod
    def _cost(jobs: Sequence[dict[str, Any]]) -> float:
        """Megabytes, with a quarter for opening each file."""
        return sum(job["size_bytes"] / 2**20 + 0.25 for job in jobs)

    def next(self, ended: bool) -> list[dict[str, Any]]:
        """The next batch; towards the end batches get smaller, so that workers finish together."""
        pace = self._seconds_per_cost
        most = FIRST_FILES if pace is None else BATCH_FILES
        if ended:
            most = min(most, max(1, len(self._jobs) // (2 * self.workers)))
        batch: list[dict[str, Any]] = []
        seconds = 0.0
        while self._jobs and len(batch) < most and seconds < BATCH_SECONDS:
            job = self._jobs.popleft()
            seconds += self._cost([job]) * (pace or 0.0)
            batch.append(job)
        return batch
