"""What comes back from the workers, turned into rows and committed to the store, and counted."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

from auditor.crawl.entries import Skipped
from auditor.crawl.names import printable
from auditor.engine.messages import FileRow, Identity, Job, Measured
from auditor.engine.options import ScanOptions, ScanSummary
from auditor.engine.plan import UNREAD_STAMP, Planner
from auditor.open_files import RunLog
from auditor.store.errors import StoreError
from auditor.store.schema import Trouble, path_key

if TYPE_CHECKING:
    from auditor.store import Store

__all__ = ["Ledger"]

COMMIT_ROWS: Final = 64
"""Rows after which they are put on disk ..."""
COMMIT_SECONDS: Final = 2.0
"""... or seconds, so that a power cut costs no more than that."""
_RETRIED: Final = (
    "set aside, and tried again by the next run (rights, a share, time or memory that ran out)"
)
_OUT_OF_REACH: Final = "measured before, out of reach (rights, or links to nowhere) and kept"
_WITHOUT_SIDECAR: Final = "measured without a sidecar that is over 16 MB or could not be read"
_OTHER_VERSION: Final = (
    "measured by another version and kept; a new output folder measures all alike"
)
ROWS_TOGETHER: Final = 1024
"""Known rows that are read and written again at a time; each may hold a few kilobytes."""


class Ledger:
    """Rows on their way into the store. Counting happens here, so that found = measured + set aside."""

    def __init__(
        self,
        store: Store,
        planner: Planner,
        options: ScanOptions,
        summary: ScanSummary,
        log: RunLog,
    ) -> None:
        self.store, self.planner, self.options = store, planner, options
        self.summary, self.log = summary, log
        self.reasons: Counter[str] = Counter()
        self.new_places: set[bytes] = set()
        """Known contents that were found under a path that they did not have."""
        self.told: Counter[str] = Counter()
        """Files by what the owner should know of them."""
        self.silent = False
        """Whether a folder has not answered when it was asked for missing files."""
        self._rows: list[FileRow] = []
        self._pictures: list[dict[str, Any]] = []
        self._known_again: list[tuple[Job, Identity]] = []
        self._since = time.monotonic()

    def count(self, measured: bool) -> None:
        """One more file of this archive has its place."""
        if measured:
            self.summary.measured += 1
        else:
            self.summary.set_aside += 1

    def unchanged(self, measured: int = 0, set_aside: int = 0, counted: int = 0) -> None:
        """So many known files need not be read again; `counted` ones are measured elsewhere."""
        s = self.summary
        s.unchanged += measured + set_aside + counted
        s.measured += measured + counted
        s.set_aside += set_aside
        s.counted += counted

    def passed_over(self, item: Skipped) -> None:
        """Something in the archive that is not read; where its name claims a picture it is set aside."""
        if not item.picture:
            path = printable(item.path)
            if item.unreadable:
                self.summary.unread.append((path, item.reason))
            self.log.line(
                f"{'not read' if item.unreadable else 'passed over'}: {path}: {item.reason}"
            )
            return
        self.summary.found += 1
        if item.unreadable and (status := self.planner.status_out_of_reach(item.path)):
            self.unchanged(**{status: 1})
            self.told[_OUT_OF_REACH] += 1
        elif self.planner.skipped_before(item.path):
            self.unchanged(set_aside=1)
        else:
            self.set_aside({"path": item.path}, item.reason)

    def measured(self, job: Job, message: Measured) -> None:
        """A row from a decoder, with its pictures; its status may also be 'set-aside'."""
        row = message["row"]
        row["tool_version"], row["sidecar_stamp"] = self.options.version, _stamp(row, job)
        row["trouble"] = None
        self._rows.append(row)
        self._place(job["path"], row)
        if message["pictures"]:
            self._pictures.append({"file_id": row["file_id"], **message["pictures"]})
        elif row["status"] == "measured":
            row["trouble"] = Trouble.NO_PICTURES
        counted = row["status"] == "counted"
        is_measured = counted or row["status"] == "measured"
        self.told[_WITHOUT_SIDECAR] += is_measured and row["sidecar_stamp"] == UNREAD_STAMP
        self.count(is_measured)
        if counted:
            self.summary.counted += 1
        elif is_measured:
            self.summary.new += 1
        else:
            self._note(row["path"], row["reason"] or "no reason given", "")

    def recognised(self, job: Job, identity: Identity) -> None:
        """A file whose whole content the store knows: touched, moved or copied. By the next `commit` it has a row like
        the one known. Raises StoreError."""
        self._known_again.append((job, identity))
        if len(self._known_again) >= ROWS_TOGETHER:
            self.commit()

    def set_aside(
        self, job: Mapping[str, Any], reason: str, detail: str = "", trouble: Trouble | None = None
    ) -> None:
        """A file without measurements; `detail` goes to the log only. `trouble`: why it may be measured
        another time."""
        if trouble == Trouble.ENDED and job.get("tried"):
            trouble = Trouble.ENDED_TWICE
        if trouble in (Trouble.UNREAD, Trouble.ENDED):
            self.told[_RETRIED] += 1
        self._rows.append(
            {
                **{name: job.get(name) for name in ("path", *Identity.__annotations__)},
                "status": "set-aside",
                "reason": reason,
                "sidecar_stamp": job.get("stamp", -1),
                "tool_version": self.options.version,
                "trouble": trouble,
            }
        )
        self._place(job["path"], job)
        self.count(False)
        self._note(job["path"], reason, detail)

    def _place(self, path: str, identity: Mapping[str, Any]) -> None:
        """A path has a new row: a known content may lie where it did not lie before."""
        if file_id := identity.get("file_id"):
            rows = self.planner.of_content(str(file_id).encode(), int(identity["size_bytes"]))
            if len(rows) and path_key(path) not in self.planner.known.key[rows]:
                self.new_places.add(str(file_id).encode())

    def _note(self, path: str, reason: str, detail: str) -> None:
        self.reasons[reason] += 1
        detail = f" [{detail}]" if detail else ""
        self.log.line(f"set aside: {printable(path)}: {reason}{detail}")

    def notices(self) -> list[str]:
        """What the owner should know of files that were no frames, or not whole ones."""
        self.told[_OTHER_VERSION] = self.planner.measured_before()
        return [f"{what}: {count:,}" for what, count in self.told.items() if count]

    # -- into the store ----------------------------------------------------------------------------

    def commit_if_due(self) -> None:
        """Put rows on disk now and then."""
        overdue = self._rows and time.monotonic() - self._since > COMMIT_SECONDS
        if len(self._rows) >= COMMIT_ROWS or overdue:
            self._append()

    def commit(self) -> None:
        """Put everything on disk. Raises StoreError."""
        self._copy_known()
        self._append()

    def _append(self) -> None:
        if self._rows:
            self.store.append(self._rows, self._pictures)
        self.drop()
        self._since = time.monotonic()

    def drop(self) -> None:
        """Forget what could not be stored."""
        self._rows, self._pictures = [], []

    def _copy_known(self) -> None:
        """Rows for files whose content is known; of several with one content that of the same path is copied."""
        planner, items = self.planner, self._known_again
        self._known_again = []
        indices = []
        for job, identity in items:
            same = planner.same_content(identity)
            own = [i for i in same if int(planner.known.key[i]) == path_key(job["path"])]
            planner.renewed[own] = False  # as it was, if touched: copies may be counted on it
            indices.append((own or same)[0])
        rows = self.store.rows(planner.known, indices)
        for index, (job, identity) in zip(indices, items, strict=True):
            if index not in rows:
                raise StoreError("a part of the store was damaged meanwhile; run again to go on")
            before, path = rows[index], job["path"]
            new = {
                "path": printable(path),
                "path_key": path_key(path),
                "sidecar_stamp": _stamp(identity, job),
                "gone": False,
            }
            row: FileRow = {**before, **identity, **new}
            self.told[_WITHOUT_SIDECAR] += row["sidecar_stamp"] == UNREAD_STAMP
            self._place(path, row)
            if row == before:  # its sidecar still can't be read
                self.unchanged(**{row["status"].replace("-", "_"): 1})
                continue
            self._rows.append(row)
            self.summary.moved += 1
            self.count(row["status"] == "measured")

    def mark_gone(self, indices: list[int]) -> None:
        """Mark known rows whose file is no longer there; their measurements are kept."""
        for at in range(0, len(indices), ROWS_TOGETHER):
            rows = self.store.rows(self.planner.known, indices[at : at + ROWS_TOGETHER])
            self.store.append([row | {"gone": True} for row in rows.values()])
            self.summary.gone += len(rows)


def _stamp(row: Mapping[str, Any], job: Job) -> int:
    """Stamp of the sidecar that a row knows."""
    return UNREAD_STAMP if job["sidecar"] and row["sidecar_id"] is None else job["stamp"]
