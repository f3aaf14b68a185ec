"""Which of the files found must be read."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from numpy.typing import NDArray

from auditor.crawl.entries import stamp
from auditor.engine.file_bytes import is_url
from auditor.engine.messages import Identity, Job, job_of
from auditor.engine.options import ScanOptions
from auditor.store.schema import path_keys, stored_keys

if TYPE_CHECKING:
    from auditor.crawl.entries import FileEntry
    from auditor.store import Known

__all__ = ["UNREAD_STAMP", "Decision", "Planner", "stamp_of"]

_CANDIDATES: Final = 32
"""So many known files of one size a new one is held against."""
UNREAD_STAMP: Final = -2
"""Stands for the stamp of a sidecar that could not be read: no sidecar has it, nor a file without one, so that the
next run looks again."""


def stamp_of(entry: FileEntry) -> int:
    """Stamp of a file's sidecar; -1 without one, or where it can't be told."""
    if entry.sidecar is None or is_url(entry.sidecar):
        return -1 if entry.sidecar_stamp is None else entry.sidecar_stamp
    try:
        info = os.stat(entry.sidecar)
    except OSError:
        return -1
    return stamp(info.st_size, info.st_mtime_ns)


@dataclass(slots=True)
class Decision:
    """What is to be done about some files found; files found before are in none of the four."""

    measured: int = 0
    """Unchanged, and measured already."""
    set_aside: int = 0
    """Unchanged, and set aside already."""
    counted: list[tuple[FileEntry, int]] = field(default_factory=list)
    """Unchanged, and counted: still so if the file that they were counted on still stands. With the
    index of their row."""
    jobs: list[Job] = field(default_factory=list)
    """To be read."""


class Planner:
    """Compares files found with what the store knows; remembers which known paths were seen."""

    def __init__(
        self, known: Known, options: ScanOptions, incomplete: NDArray[np.int64] | None = None
    ) -> None:
        """`incomplete`: indices of measured rows that are measured again, as part of them was lost."""
        self.known = known
        self.options = options
        self.seen = np.zeros(len(known), bool)
        self.renewed = np.zeros(len(known), bool)
        """Rows whose file is read again."""
        self._new: set[int] = set()
        current = [v == options.version for v in known.versions]
        fresh = np.array(current, bool)[known.version] if len(known) else np.zeros(0, bool)
        self._retry = ~known.measured & ~known.counted & (~fresh | options.retry | known.retry)

        self._incomplete = np.zeros(len(known), bool)
        if incomplete is not None:
            self._incomplete[incomplete] = True
        self._retry |= self._incomplete

    def decide(self, entries: Sequence[FileEntry]) -> Decision:
        """Sort files into those that are as they were and those that must be read."""
        out = Decision()
        if not entries:
            return out
        known, count = self.known, len(entries)
        paths, sizes, mtimes, *_ = zip(*entries, strict=True)
        keys = path_keys(paths)
        index = known.find(keys)
        stamps = np.array([stamp_of(e) for e in entries], np.int64)
        same = index >= 0
        row = np.where(same, index, 0)
        if len(known):
            same &= known.size[row] == np.array(sizes, np.int64)
            same &= known.mtime[row] == np.array(mtimes, np.int64)
            same &= ~known.gone[row] & ~self._retry[row]
            same &= known.stamp[row] == stamps
            fresh = ~((index >= 0) & self.seen[row])
            self.seen[index[index >= 0]] = True
        else:
            fresh = np.ones(count, bool)
        order = np.argsort(keys, kind="stable")
        fresh[order[1:]] &= keys[order[1:]] != keys[order[:-1]]  # the same path twice among these
        same &= fresh
        out.measured = int(np.count_nonzero(known.measured[row[same]])) if same.any() else 0
        for i in np.flatnonzero(same & known.counted[row] if len(known) else same).tolist():
            out.counted.append((entries[i], int(row[i])))
        out.set_aside = int(np.count_nonzero(same)) - out.measured - len(out.counted)
        for i in np.flatnonzero(fresh & ~same).tolist():
            if index[i] < 0:
                if int(keys[i]) in self._new:
                    continue
                self._new.add(int(keys[i]))
            out.jobs.append(self.job(entries[i], int(stamps[i]), int(index[i])))
        return out

    def measured_before(self) -> int:
        """How many unchanged frames are kept as another version measured them."""
        known = self.known
        other = np.array([v != self.options.version for v in known.versions], bool)
        if not other.any():
            return 0
        kept = known.measured & self.seen & ~self.renewed & ~known.gone
        return int(np.count_nonzero(kept & other[known.version]))

    def status_out_of_reach(self, path: str) -> Literal["measured", "counted"] | None:
        """What is known of a file of which nothing can be told now; marks it seen."""
        index, known = self.known.index(path), self.known
        if index < 0 or known.gone[index]:
            return None
        self.seen[index] = True
        return "measured" if known.measured[index] else "counted" if known.counted[index] else None

    def skipped_before(self, path: str) -> bool:
        """Whether a file that is passed over unread is in the store as such already; marks it seen."""
        known, index = self.known, self.known.index(path)
        if index < 0:
            return False
        self.seen[index] = True
        other = known.measured[index] or known.counted[index] or known.gone[index]
        current = known.versions[known.version[index]] == self.options.version
        return bool(not other and known.size[index] == -1 and current)

    def found_now(self, paths: Sequence[str]) -> NDArray[np.bool_]:
        """Whether stored paths were found in this scan; rows that it added itself were."""
        index = self.known.find(stored_keys(paths))
        return np.array([i < 0 or bool(self.seen[i]) for i in index.tolist()], bool)

    def leaders_valid(self, index: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Whether the files that these counted rows were counted on are measured and as they were."""
        leader = self.known.find(self.known.leader[index])
        found = np.maximum(leader, 0)
        good = self.known.measured[found] & ~self.known.gone[found] & ~self.renewed[found]
        return (leader >= 0) & good

    def job(self, entry: FileEntry, stamp: int, index: int) -> Job:
        """What a worker needs to know to read one file; `index` of its row, -1 when there is none."""
        if index >= 0:
            self.renewed[index] = True
        known = self.known
        unchanged = index >= 0 and (known.size[index], known.mtime[index]) == (
            entry.size_bytes,
            entry.mtime_ns,
        )
        return job_of(entry) | {
            "stamp": stamp,
            "do": "identify",
            "same": self._candidates(entry, index),
            "tried": bool(unchanged and known.ended[index]),
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
            return not self._incomplete[index]
        if self.known.counted[index] or self.known.troubled[index]:  # it says nothing by itself
            return False
        current = self.known.versions[self.known.version[index]] == self.options.version
        return current and not self.options.retry

    def of_size(self, size: int) -> np.ndarray:
        """Indices of the known rows of files with so many bytes and a content hash."""
        sizes, rows = self.known.by_size
        low, high = np.searchsorted(sizes, [size, size + 1])
        return np.asarray(rows[low:high])

    def same_content(self, identity: Identity) -> list[int]:
        """Indices of known rows with this content and this sidecar."""
        sidecar = str(identity["sidecar_id"] or "").encode()
        rows = self.of_content(str(identity["file_id"]).encode(), int(identity["size_bytes"]))
        hits = rows[self.known.sidecar_ids[rows] == sidecar]
        return [i for i in hits.tolist() if self._usable(i)]

    def of_content(self, file_id: bytes, size_bytes: int) -> np.ndarray:
        """Indices of the known rows with this content, whatever became of them."""
        rows = self.of_size(size_bytes)
        return np.asarray(rows[self.known.ids[rows] == file_id])
