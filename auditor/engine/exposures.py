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
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

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
_TURNS: Final = 8
"""So many files of an exposure are tried one after the other; where all of them fail the others are tried together:
there may be thousands of copies of one broken file."""
_MORE_PIXELS: Final = 1.03
"""Files of one kind that differ by less than this in pixels are equally good: programs cut borders."""


@dataclass(slots=True)
class _File:
    """A file of an exposure, as far as its tags tell."""

    path: str
    source: str
    kind: float
    pixels: float
    job: Job | None = None
    """What its reading began with; None of one that was measured by an earlier run."""

    def better(self, other: _File | None) -> bool:
        """Whether this file would be measured although that one is."""
        if other is None or self.kind != other.kind:
            return other is None or self.kind < other.kind
        return self.pixels > other.pixels * _MORE_PIXELS


class _Exposure:
    """Files of one exposure that are not settled yet, best first."""

    def __init__(self) -> None:
        self.waiting: list[_File] = []
        self.trying: _File | None = None
        self.measured: _File | None = None
        """The file that it is measured on."""
        self.edited = False
        """An edited version is measured, or has been tried."""
        self.failures = 0

    def was_measured(self, file: _File) -> None:
        """One of its files is measured."""
        self.edited = self.edited or file.source == "edited"
        best = self.measured
        if best is None or (file.kind, -file.pixels) < (best.kind, -best.pixels):
            self.measured = file


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
        self._trying: dict[str, _Exposure] = {}  # by the path of the file that is tried

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
        self._pack()
        if not self._jobs:
            return []
        jobs, self._jobs = self._jobs, []
        table, first = self._with_known()
        several = table["capture"].duplicated(keep=False).to_numpy()
        jobs_now = [to_measure(jobs[i]) for i in np.flatnonzero(~several[first:]).tolist()]
        table["job"] = np.arange(len(table)) - first
        # A known file counts where it is measured, and beside a new one only.
        counts = (table["status"] == "measured") | (table["job"] >= 0)
        together = table["capture"].isin(table["capture"][first:].unique())
        shared = table[several & counts & together]
        found = self._found_now(shared["path"].tolist())
        shared = shared.assign(away=~found, less=-shared["pixels"])
        exposures: dict[int, _Exposure] = {}
        names = ["capture", "path", "source", "kind", "pixels", "job"]
        for row in shared.sort_values(["kind", "less", "away", "path"])[names].itertuples():
            exposure = exposures.setdefault(row.capture, _Exposure())
            file = _File(row.path, str(row.source), row.kind, row.pixels)
            if row.job >= 0:
                file.job = jobs[row.job]
                exposure.waiting.append(file)
            else:
                exposure.was_measured(file)
        return jobs_now + [job for e in exposures.values() for job in self._release(e)]

    def _with_known(self) -> tuple[pd.DataFrame, int]:
        """The files in the store and after them the new ones, with `capture`, `kind` and `pixels`; and how many
        come first."""
        import pandas as pd
        import pyarrow as pa

        from auditor.crawl.captures import sort_files
        from auditor.settings.agreement import reconcile_kinds

        new = to_pandas(pa.concat_tables(self._tables))
        self._tables = []
        old = self._store.load(_COLUMNS)
        old = old[~old["path"].isin(new["path"])]
        both = new if old.empty else pd.concat([old, new], ignore_index=True)
        table = reconcile_kinds(both)
        capture, kind, pixels = sort_files(table)
        table = table[["path", "status", "source"]]
        return table.assign(capture=capture, kind=kind, pixels=pixels), len(old)

    def _release(self, exposure: _Exposure) -> list[Job]:
        """What can be done now for an exposure of which nothing is under way."""
        measured = exposure.measured
        if measured is None and exposure.failures >= _TURNS:
            return [to_measure(file.job) for file in exposure.waiting if file.job is not None]
        if exposure.waiting and exposure.waiting[0].better(measured):
            exposure.trying = exposure.waiting.pop(0)
            assert exposure.trying.job is not None
            self._trying[exposure.trying.job["path"]] = exposure
            return [to_measure(exposure.trying.job)]
        jobs_now: list[Job] = []
        for file in exposure.waiting:
            assert measured is not None
            assert file.job is not None
            original = measured.source in ("raw", "camera")
            if file.source == "edited" and original and not exposure.edited:
                exposure.edited = True
                jobs_now.append(to_measure(file.job))
            else:
                jobs_now.append(file.job | {"do": "count", "same": [], "on": measured.path})
        return jobs_now

    def settled(self, job: Job, row: FileRow | None) -> list[Job]:
        """A file was measured (`row`) or set aside (None); what can be done now."""
        exposure = self._trying.pop(job["path"], None)
        if exposure is None or exposure.trying is None:
            return []
        file = exposure.trying
        if row is None:
            exposure.failures += 1
        else:
            if file.source == "raw" and row["source"] != "raw":
                # Only its preview could be read: the camera's own file may be better.
                file.source, file.kind = str(row["source"]), file.kind + 1
                file.pixels = float((row["width_px"] or 0) * (row["height_px"] or 0))
            exposure.was_measured(file)
        return self._release(exposure)
