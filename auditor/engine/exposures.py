"""One exposure, one measurement: which of its files is measured, and which are only counted.

A raw file and the camera's JPEG beside it, an export, a backup copy: they hold one exposure, and what
the best of them shows is all that inference uses. So tags are read first, files are put together by the
rules of `crawl.captures`, and the best of each exposure is measured. If that fails the next best is
tried. The others are counted: their settings are stored, with the file that stands for them.

An edited version beside a raw or camera file is measured too, one for each exposure: how far a file
was brightened is only seen by both.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from auditor.crawl.names import printable
from auditor.engine.messages import MARKS, FileRow, Job, Marks, to_measure
from auditor.store.schema import narrow_table, to_pandas

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

    from auditor.store import Store

__all__ = ["Exposures"]

_COLUMNS: Final = ("path", "status", "file_id", "measured_on", *MARKS)
_CHUNK: Final = 1024
"""Files whose marks are held as plain values before they are packed into a table."""
_MOST_DOUBLINGS: Final = 16
"""So often at most the number of copies tried at once doubles: 65,536, more than any batch."""
_MORE_PIXELS: Final = 1.03
"""Files of one kind that differ by less than this in pixels are equally good: programs cut borders."""
_ORIGINAL: Final = ("raw", "camera")


@dataclass(slots=True)
class _File:
    """A file of an exposure, as far as its tags tell."""

    path: str
    source: str
    kind: float
    pixels: float
    mark: str | None = None
    file_id: str | None = None
    """Hash of its bytes, once it is measured."""

    def better(self, other: _File | None) -> bool:
        """Whether this file would be measured although that one is."""
        if other is None or self.kind != other.kind:
            return other is None or self.kind < other.kind
        return self.pixels > other.pixels * _MORE_PIXELS


@dataclass(slots=True)
class _Waiting(_File):
    job: Job = field(kw_only=True)


@dataclass(slots=True)
class _Exposure:
    """Files of one exposure that are not settled yet, best first."""

    waiting: list[_Waiting]
    measured_file: _File | None = None
    """The file that it is measured on."""
    edited: bool = False
    """An edited version is measured, or has been tried."""
    running: int = 0
    failures: int = 0
    under_way: dict[str, _Waiting] = field(default_factory=dict)


class Exposures:
    """Files whose tags were read, on their way to being measured or counted."""

    def __init__(
        self, store: Store, found_now: Callable[[Sequence[str]], NDArray[np.bool_]]
    ) -> None:
        """`found_now` tells which stored paths were found in this scan: of equals, a file is rather counted
        on one of these."""
        self._store, self._found_now = store, found_now
        self._jobs: list[Job] = []
        self._marks: list[Marks] = []
        self._tables: list[pa.Table] = []
        self._exposure_of: dict[str, _Exposure] = {}
        self._likely: dict[str, _Waiting] = {}
        self._by_content: dict[str, _Exposure] = {}

    def __len__(self) -> int:
        """How many files wait for `sort`."""
        return len(self._jobs)

    def add(self, job: Job, marks: Marks) -> None:
        """A file and what its tags say."""
        self._jobs.append(job)
        self._marks.append(marks | {"path": printable(job["path"]), "status": "new"})
        if len(self._marks) >= _CHUNK:
            self._pack()

    def _pack(self) -> None:
        if self._marks:
            self._tables.append(narrow_table(self._marks, _COLUMNS))
            self._marks = []

    def sort(self) -> list[Job]:
        """Put the files together with each other and with those in the store; jobs to do now."""
        import pandas as pd
        import pyarrow as pa

        from auditor.crawl.captures import sort_files
        from auditor.settings.agreement import reconcile_kinds

        self._pack()
        if not self._jobs:
            return []
        tables, self._tables = self._tables, []
        new = to_pandas(pa.concat_tables(tables))
        del tables
        jobs, self._jobs = self._jobs, []
        old = self._store.load(_COLUMNS)
        old = old[~old["path"].isin(new["path"])]
        table = new if old.empty else pd.concat([old, new], ignore_index=True)
        table = reconcile_kinds(table)
        capture, kind, pixels = sort_files(table)
        first = len(old)
        size = np.bincount(capture)
        jobs_now: list[Job] = []
        shared = np.flatnonzero(size[capture] > 1)
        wanted = set(capture[shared[shared >= first]].tolist())
        exposures = self._known(table[:first], capture, kind, pixels, wanted)
        for row in np.flatnonzero(size[capture[first:]] == 1).tolist():
            jobs_now.append(to_measure(jobs[row]))
        source, marks = table["source"].to_numpy(object), table["file_id"].to_numpy(object)
        rows = shared[shared >= first]
        order = np.lexsort((table["path"].iloc[rows].to_numpy(str), -pixels[rows], kind[rows]))
        for row in rows[order].tolist():
            exposure = exposures.setdefault(int(capture[row]), _Exposure([]))
            job = jobs[row - first]
            properties = str(source[row]), float(kind[row]), float(pixels[row]), marks[row]
            exposure.waiting.append(_Waiting(printable(job["path"]), *properties, job=job))
            self._exposure_of[job["path"]] = exposure
        for exposure in exposures.values():
            jobs_now += self._release(exposure)
        return jobs_now

    def _known(
        self,
        old: pd.DataFrame,
        capture: Any,
        kind: Any,
        pixels: Any,
        wanted: set[int],
    ) -> dict[int, _Exposure]:
        """The exposures of new files that are measured already."""
        out: dict[int, _Exposure] = {}
        measured = (old["status"] == "measured").to_numpy(bool)
        inside = np.isin(capture[: len(old)], list(wanted))
        rows = np.flatnonzero(measured & inside)
        if not len(rows):
            return out
        paths = old["path"].iloc[rows].to_numpy(object)
        found_now = self._found_now(paths.tolist())
        order = np.lexsort((paths.astype(str), ~found_now, -pixels[rows], kind[rows]))
        source, ids = old["source"].to_numpy(object), old["file_id"].to_numpy(object)
        for row, path in zip(rows[order].tolist(), paths[order], strict=True):
            exposure = out.setdefault(int(capture[row]), _Exposure([]))
            if exposure.measured_file is None:
                exposure.measured_file = _File(
                    str(path), str(source[row]), float(kind[row]), float(pixels[row]), None,
                    None if ids[row] is None else str(ids[row]),
                )  # fmt: skip
            exposure.edited = exposure.edited or source[row] == "edited"
        return out

    def _release(self, exposure: _Exposure) -> list[Job]:
        """What can be done now for an exposure of which nothing is under way."""
        jobs_now: list[Job] = []
        if exposure.running or not exposure.waiting:
            return jobs_now
        if exposure.waiting[0].better(exposure.measured_file):
            # Where copy after copy fails, more are tried at once: there may be thousands.
            count = (
                1
                if exposure.measured_file
                else 2 ** min(max(exposure.failures - 2, 0), _MOST_DOUBLINGS)
            )
            trying, exposure.waiting = exposure.waiting[:count], exposure.waiting[count:]
            jobs_now = [to_measure(w.job) for w in trying]
            exposure.under_way |= {w.job["path"]: w for w in trying}
            exposure.running += len(trying)
            return jobs_now
        measured_file = exposure.measured_file
        assert measured_file is not None
        for w in exposure.waiting:
            del self._exposure_of[w.job["path"]]
            if w.source == "edited" and not exposure.edited and measured_file.source in _ORIGINAL:
                exposure.edited = True
                jobs_now.append(to_measure(w.job))
                continue
            expect = None
            if w.mark is not None and w.mark == measured_file.mark:
                # Likely the same content: the whole of it decides (see `split_off`).
                expect = measured_file.file_id
                self._likely[w.job["path"]] = w
            jobs_now.append(
                w.job | {"do": "count", "same": [], "on": measured_file.path, "expect": expect}
            )
        exposure.waiting = []
        return jobs_now

    def settled(self, job: Job, row: FileRow | None) -> list[Job]:
        """A file was measured (`row`) or set aside (None); what can be done now."""
        exposure = self._exposure_of.pop(job["path"], None)
        if exposure is None:
            return []
        exposure.running -= 1
        w = exposure.under_way.pop(job["path"])
        if row is None:
            exposure.failures += 1
        else:
            self._set_measured(exposure, w, row)
        return self._release(exposure)

    def split_off(self, job: Job, file_id: str) -> list[Job]:
        """A file to be counted turned out to have another content; what can be done now."""
        w = self._likely.pop(job["path"])
        w.mark = file_id
        exposure = self._by_content.setdefault(file_id, _Exposure([]))
        exposure.waiting.append(w)
        self._exposure_of[job["path"]] = exposure
        return self._release(exposure)

    @staticmethod
    def _set_measured(exposure: _Exposure, w: _Waiting, row: FileRow) -> None:
        found = _File(w.path, w.source, w.kind, w.pixels, w.mark, row["file_id"])
        if w.source == "raw" and row["source"] != "raw":
            # Only its preview could be read: the camera's own file may be better.
            found.source, found.kind = str(row["source"]), w.kind + 1
            found.pixels = float((row["width_px"] or 0) * (row["height_px"] or 0))
        exposure.edited = exposure.edited or found.source == "edited"
        before = exposure.measured_file
        if before is None or (found.kind, -found.pixels) < (before.kind, -before.pixels):
            exposure.measured_file = found
