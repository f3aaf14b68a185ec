"""The scan: every file that was found goes to a worker, every row comes back into the store."""

from __future__ import annotations

import errno
import os
import queue
import time
from collections import Counter, deque
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..crawl.names import printable
from ..crawl.walk import FileEntry, Skipped, find_files
from .batch import settings_of
from .cluster import ClusterError, Workers
from .departed import find_departed
from .options import Progress, ScanOptions, ScanSummary
from .plan import Batcher, Planner
from .runlog import RunLog
from .stopping import StopSignal
from .walker import Walk
from .wire import unpack

if TYPE_CHECKING:
    from ..store import Store

__all__ = ["scan"]

COMMIT_ROWS = 64
MOVED_TOGETHER = 1024
COMMIT_SECONDS = 2.0
STOP_SECONDS = 4.0
NO_WORKER_SECONDS = 90.0


class _Stop(Exception):
    """The scan cannot go on; the message says why and what to do."""


def scan(
    roots: Sequence[str | Path],
    store: Store,
    *,
    workers: int | None = None,
    cluster: str | None = None,
    options: ScanOptions | None = None,
    progress: Callable[[Progress], None] | None = None,
    find: Callable[[Sequence[str | Path]], Iterable[FileEntry | Skipped]] = find_files,
) -> ScanSummary:
    """Carry every new or changed file under `roots` through reading, measuring and storing.

    Args:
        roots: folders, files or addresses that fsspec reads.
        store: opened for writing by the caller (`with Store(folder) as store`).
        workers: processes on this machine; all cores by default.
        cluster: address of a Dask scheduler to use instead.
        options: limits and habits.
        progress: called a few times a second.
        find: walks the roots; yields FileEntry and Skipped.

    Returns:
        The summary. Anything that ended the scan early stands in `stopped`, in plain words; what was
        measured until then is in the store. Only programming errors are raised.
    """
    count = workers or os.cpu_count() or 1
    run = _Scan(roots, store, count, cluster, options or ScanOptions(), progress)
    return run.go(find)


class _Scan:
    def __init__(
        self,
        roots: Sequence[str | Path],
        store: Store,
        workers: int,
        cluster: str | None,
        options: ScanOptions,
        progress: Callable[[Progress], None] | None,
    ) -> None:
        self.roots, self.store, self.options = roots, store, options
        self.count, self.address, self.report = workers, cluster, progress
        self.summary = ScanSummary()
        self.log = RunLog(store.folder / "log.txt")
        self.planner = Planner(store.known(), options)
        self.batcher = Batcher(workers)
        self.pool: Workers | None = None
        self.running: dict[int, list[dict[str, Any]]] = {}
        self.tickets = 0
        self.rows: list[dict[str, Any]] = []
        self.pictures: list[dict[str, Any]] = []
        self.since = time.monotonic()
        self.moved: list[tuple[int, dict[str, Any], dict[str, Any]]] = []
        self.moved_from: list[int] = []
        self.reasons: Counter[str] = Counter()
        self.recent: deque[tuple[float, int]] = deque([(time.monotonic(), 0)])
        self.alone: deque[list[dict[str, Any]]] = deque()
        self.roots_seen: set[str] = set()
        self.last_report = 0.0
        self.stalls = 0

    # -- the loop --------------------------------------------------------------------------------

    def go(
        self, find: Callable[[Sequence[str | Path]], Iterable[FileEntry | Skipped]]
    ) -> ScanSummary:
        start = time.monotonic()
        self.log.line("scan of " + ", ".join(printable(str(r)) for r in self.roots))
        walk = Walk(find, self.roots)
        with StopSignal() as stop:
            try:
                self._loop(walk, stop)
                if walk.error is not None:
                    raise _Stop(f"the archive cannot be walked any further ({walk.error})")
                self._settle_departed()
                self._commit()
            except (_Stop, ClusterError) as error:
                self.summary.stopped = str(error)
            except OSError as error:
                self.summary.stopped = _store_trouble(error, self.store.folder)
            except RuntimeError as error:
                if type(error).__name__ != "StoreBusy":
                    raise
                self.summary.stopped = str(error)
            finally:
                walk.give_up()
                if self.summary.stopped:
                    self._save_what_came()
                if self.pool is not None:
                    self.pool.close()
        self.summary.notices += self.store.warnings
        self.summary.reasons = dict(self.reasons.most_common())
        self.summary.seconds = time.monotonic() - start
        self._tell(walk, last=True)
        s = self.summary
        self.log.line(
            f"{'stopped: ' + s.stopped if s.stopped else 'done'}; found {s.found}, measured "
            f"{s.measured}, set aside {s.set_aside}, unchanged {s.unchanged}, moved {s.moved}, "
            f"gone {s.gone}, workers replaced {s.workers_replaced}, {s.seconds:.0f} s"
        )
        return self.summary

    def _loop(self, walk: Walk, stop: StopSignal) -> None:
        walking, idle_since = True, time.monotonic()
        while walking or len(self.batcher) or self.running or self.alone or self.moved:
            if stop.asked:
                self._finish_running()
                raise _Stop(f"{stop.asked}; run the same command again to go on")
            if walking:
                busy = len(self.batcher) > 4 * self.count or not walk.waiting()
                for item in walk.take(0.0 if busy and self.running else 0.05):
                    walking = item is not None
                    if item is not None:
                        self._take_in(item)
            self._submit(ended=not walking)
            if self._collect(0.05 if self.running else 0.0):
                idle_since = time.monotonic()
            elif self.running and time.monotonic() - idle_since > NO_WORKER_SECONDS:
                if self.pool is not None and self.pool.alive() == 0:
                    raise _Stop("no worker process is left and none comes back; run again to go on")
                idle_since = time.monotonic()
            self._commit_if_due()
            self._tell(walk)

    def _take_in(self, chunk: list[FileEntry | Skipped]) -> None:
        entries = [e for e in chunk if isinstance(e, FileEntry)]
        for item in chunk:
            if isinstance(item, Skipped):
                self._passed_over(item)
        jobs = []
        for entry, what, job in self.planner.decide(entries):
            self.roots_seen.add(entry.root)
            if what == "twice":
                continue
            self.summary.found += 1
            if what == "read":
                jobs.append(job)
            else:
                self.summary.unchanged += 1
                self._count(what == "measured")
        self.batcher.add(jobs)

    def _passed_over(self, item: Skipped) -> None:
        if not item.picture:
            self.summary.notices.append(f"{printable(item.path)}: {item.reason}")
            return
        self.summary.found += 1
        self._count(False)
        if self.planner.skipped_before(item.path):
            self.summary.unchanged += 1
            return
        self._set_aside_row({"path": item.path}, item.reason, "")

    def _count(self, measured: bool) -> None:
        if measured:
            self.summary.measured += 1
        else:
            self.summary.set_aside += 1

    # -- batches out, outcomes back --------------------------------------------------------------

    def _submit(self, ended: bool) -> None:
        while (self.alone or len(self.batcher)) and len(self.running) < 2 * self.count:
            if self.pool is None:
                settings = settings_of(self.options, self.count)
                self.pool = Workers(self.count, self.address, settings)
                self.count = self.pool.count
                self.batcher.workers = self.count
            jobs = self.alone.popleft() if self.alone else self.batcher.next(ended)
            self.tickets += 1
            self.running[self.tickets] = jobs
            self.pool.submit(self.tickets, jobs)

    def _collect(self, wait: float) -> bool:
        """Deal with the batches that came back; whether there were any."""
        if self.pool is None:
            return False
        came = False
        while True:
            try:
                ticket, answer = (
                    self.pool.results.get(timeout=0 if came else wait)
                    if (wait and not came)
                    else self.pool.results.get_nowait()
                )
            except queue.Empty:
                return came
            came = True
            jobs = self.running.pop(ticket, None)
            self.pool.forget(ticket)
            if jobs is None:
                continue
            if isinstance(answer, BaseException):
                self._batch_lost(jobs, answer)
                continue
            self.summary.workers_replaced += answer["replaced"]
            if not answer["replaced"]:
                self.batcher.learn(jobs, answer["seconds"])
            for job, outcome in zip(jobs, answer["outcomes"], strict=True):
                self._outcome(job, outcome)

    def _batch_lost(self, jobs: list[dict[str, Any]], error: BaseException) -> None:
        """The worker itself went down: split the batch until the culprit is alone."""
        name = type(error).__name__
        if name == "DecoderBroken":
            raise _Stop(str(error))
        self.summary.workers_replaced += 1
        if len(jobs) > 1:
            middle = len(jobs) // 2
            self.alone += [jobs[:middle], jobs[middle:]]
            return
        job = jobs[0]
        said = " ".join(str(error).split())[:200]
        self._set_aside_row(
            job, "its worker process was lost each time it was tried", f"{name}: {said}"
        )
        self._count(False)

    def _outcome(self, job: dict[str, Any], outcome: list[Any]) -> None:
        kind = outcome[0]
        if kind == "row":
            self._row(job, unpack(outcome[1]))
        elif kind == "same":
            self._same(job, outcome[1])
        elif kind == "unreadable":
            if not outcome[2]:
                raise _Stop(
                    f"the archive {printable(job['root'])} does not answer any more (drive unplugged?); "
                    "all that was measured is kept: connect it and run again"
                )
            self._set_aside_row(job, outcome[1], "")
            self._count(False)
        else:
            _, reason, own, said = outcome
            self._stalled(reason, job)
            self._set_aside_row(job | own, reason, said)
            self._count(False)

    def _stalled(self, reason: str, job: dict[str, Any]) -> None:
        self.stalls = self.stalls + 1 if "no data came" in reason else 0
        if self.stalls >= 3:
            raise _Stop(
                f"the archive {printable(job['root'])} has stopped answering; all that was measured is "
                "kept: check the connection and run again"
            )

    def _row(self, job: dict[str, Any], message: dict[str, Any]) -> None:
        row = message["row"]
        row["tool_version"], row["sidecar_stamp"] = self.options.version, job["stamp"]
        self.rows.append(row)
        if message["pictures"]:
            self.pictures.append({"file_id": row["file_id"], **message["pictures"]})
        measured = row["status"] == "measured"
        self._count(measured)
        self.summary.bytes_read += row["size_bytes"] or 0
        if measured:
            self.summary.new += 1
        else:
            self._note_aside(row["path"], row["reason"], "")

    def _same(self, job: dict[str, Any], own: dict[str, Any]) -> None:
        index = self.planner.same_content(own)
        if index is None:
            self.alone.append([job | {"same": []}])
            return
        self.moved.append((index, job, own))
        if len(self.moved) >= MOVED_TOGETHER:
            self._copy_moved()

    def _copy_moved(self) -> None:
        """Rows of files that were recognised by their content: copied, not measured again."""
        moved, self.moved = self.moved, []
        rows = (
            self.store.rows(self.planner.known, [index for index, _, _ in moved]) if moved else {}
        )
        for index, job, own in moved:
            if index not in rows:  # its part was damaged in the meantime: measure it after all
                self.alone.append([job | {"same": []}])
                continue
            copy = rows[index] | own | {"path": job["path"], "sidecar_stamp": job["stamp"]}
            self.rows.append(copy | {"gone": False})
            self.moved_from.append(index)
            self.summary.moved += 1
            self._count(copy["status"] == "measured")

    def _set_aside_row(self, job: dict[str, Any], reason: str, said: str) -> None:
        self.rows.append(
            {
                "path": job["path"],
                "status": "set-aside",
                "reason": reason,
                "file_id": job.get("file_id"),
                "sidecar_id": job.get("sidecar_id"),
                "size_bytes": job.get("size_bytes"),
                "mtime_ns": job.get("mtime_ns"),
                "sidecar_stamp": job.get("stamp", -1),
                "tool_version": self.options.version,
            }
        )
        self._note_aside(job["path"], reason, said)

    def _note_aside(self, path: str, reason: str, said: str) -> None:
        self.reasons[reason] += 1
        detail = f" [{said}]" if said else ""
        self.log.line(f"set aside: {printable(path)}: {reason}{detail}")

    # -- the store -------------------------------------------------------------------------------

    def _commit_if_due(self) -> None:
        waiting = len(self.rows) + len(self.moved)
        if len(self.rows) >= COMMIT_ROWS or (
            waiting and time.monotonic() - self.since > COMMIT_SECONDS
        ):
            self._commit()

    def _commit(self) -> None:
        self._copy_moved()
        if self.rows:
            self.store.append(self.rows, self.pictures)
        self.rows, self.pictures = [], []
        self.since = time.monotonic()

    def _finish_running(self) -> None:
        """Let running batches end, within a few seconds; keep what they bring."""
        if self.pool is None:
            return
        self.pool.cancel_waiting()
        until = time.monotonic() + STOP_SECONDS
        self.alone.clear()
        while self.running and time.monotonic() < until:
            self._collect(0.1)

    def _save_what_came(self) -> None:
        try:
            self._commit()
        except (OSError, RuntimeError):
            self.rows, self.pictures = [], []

    def _settle_departed(self) -> None:
        """Mark what is no longer there; never when the archive itself seems to be missing."""
        planner = self.planner
        unseen = np.flatnonzero(~planner.seen & ~planner.known.gone)
        if not len(unseen):
            return
        self._commit()
        departed, notices = find_departed(
            self.store, planner.known, unseen, self.roots, self.roots_seen, set(self.moved_from)
        )
        self.summary.notices += notices
        for at in range(0, len(departed), 4096):
            rows = self.store.rows(planner.known, departed[at : at + 4096])
            self.store.append([row | {"gone": True} for row in rows.values()])
            self.summary.gone += len(rows)

    # -- progress --------------------------------------------------------------------------------

    def _tell(self, walk: Walk, last: bool = False) -> None:
        now = time.monotonic()
        if self.report is None or (now - self.last_report < 0.2 and not last):
            return
        self.last_report = now
        s = self.summary
        done = s.measured + s.set_aside
        read = done - s.unchanged
        self.recent.append((now, read))
        while len(self.recent) > 2 and now - self.recent[0][0] > 30:
            self.recent.popleft()
        then, before = self.recent[0]
        rate = (read - before) / (now - then) if now > then else 0.0
        total = s.found if walk.ended else None
        left = s.found - done
        eta = left / rate if walk.ended and rate > 0 else None
        self.report(Progress(done, s.found, total, s.set_aside, rate, eta))


def _store_trouble(error: OSError, folder: Path) -> str:
    words = {
        errno.ENOSPC: "the disk is full: free some space",
        errno.EDQUOT: "the disk quota is used up: free some space",
        errno.EROFS: "the disk is read-only: give another --out folder",
        errno.EACCES: "it may not be written: give another --out folder",
        errno.EPERM: "it may not be written: give another --out folder",
    }
    why = words.get(error.errno or 0, f"{error.strerror or error}: check the disk")
    return (
        f"the store in {folder} cannot be written ({why}), then run again; "
        "all that was stored before is kept"
    )
