"""The scan: every file that was found goes to a worker, every row comes back into the store."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Callable, Sequence
from concurrent.futures import CancelledError
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from auditor.crawl.entries import FileEntry, Skipped
from auditor.crawl.names import printable, shown_root
from auditor.crawl.walk import find_files
from auditor.engine.exposures import Exposures
from auditor.engine.ledger import Ledger
from auditor.engine.messages import Identity, Job, Measured, to_measure
from auditor.engine.options import Pace, Progress, ScanError, ScanOptions, ScanSummary
from auditor.engine.plan import Planner, stamp_of
from auditor.engine.process import StopSignal, release_memory, share_mb
from auditor.engine.queues import Queues
from auditor.engine.walking import Find, RootsFound, Walk, settle_departed
from auditor.engine.workers import Cluster, ClusterError, OwnWorkers, Workers
from auditor.error_text import one_line
from auditor.open_files import RunLog
from auditor.store.errors import StoreError
from auditor.store.schema import Trouble

if TYPE_CHECKING:
    from auditor.store import Store

__all__ = ["scan"]

STOP_SECONDS: Final = 2.5
"""So long running batches may take to end once the scan is asked to stop."""
WAIT_SECONDS: Final = 0.05
"""Longest wait for files or answers in one turn of the loop."""
STRETCH: Final = 150_000
"""So many new files are sorted into exposures at a time. Within a stretch the best file of each is
known before any is measured; later ones are held against what is measured."""


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
    find: Find = find_files,
) -> ScanSummary:
    """Carry every new or changed file under some roots through reading, measuring and storing.

    Parameters
    ----------
    roots : sequence of str or pathlib.Path
        Folders, files or addresses that fsspec reads.
    store : Store
        Where rows go; opened for writing here unless the caller has done so.
    workers : int or None
        Processes on this machine; None for one per core.
    cluster : str or None
        Address of a Dask scheduler to use instead.
    options : ScanOptions or None
        Limits and habits; None for the usual ones.
    progress : callable or None
        Called with a `Progress` a few times a second.
    find : callable
        Walks the roots, as `crawl.find_files`.

    Returns
    -------
    ScanSummary
        What was done: found = measured + set aside.

    Raises
    ------
    ScanError
        When the scan ended early (Ctrl-C, disk full, archive unplugged, ...); what was measured until then
        is in the store.
    StoreError
        When the store cannot be opened for writing.
    """
    count = workers or os.cpu_count() or 1
    opened = contextlib.nullcontext(store) if store.writing else store
    with opened:
        return _Scan(roots, store, count, cluster, options or ScanOptions(), progress).go(find)


def _stop_reason(stop: StopSignal) -> str:
    return f"{stop.asked}; run the same command again to go on"


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
        self.count, self.address = workers, cluster
        self.summary = ScanSummary()
        self.log = RunLog(store.folder / "log.txt")
        known = store.known()
        self.planner = Planner(known, options, store.without_pictures(known))
        self.ledger = Ledger(store, self.planner, options, self.summary, self.log)
        self.queues = Queues()
        self.exposures = Exposures(store, self.planner.found_now)
        self.counted: list[tuple[FileEntry, int]] = []
        self.pool: Workers | None = None
        self.tickets = 0
        self.stalls = 0
        self.roots_found = RootsFound(roots)
        self.pace = Pace(progress)

    # -- the loop ----------------------------------------------------------------------------------

    def go(self, find: Find) -> ScanSummary:
        start = time.monotonic()
        self.log.line("scan of " + ", ".join(printable(str(r)) for r in self.roots))
        with StopSignal() as stop:
            walk = Walk(find, self.roots)
            try:
                self._loop(walk, stop)
                if walk.error is not None:
                    raise _Stop(f"the archive cannot be walked any further ({walk.error})")
                self.summary.notices += self._settle_departed(walk)
                self.summary.empty = [printable(r) for r in self.roots_found.empty()]
                self.store.tidy()
            except (_Stop, ClusterError, StoreError) as error:
                self.summary.stopped = str(error)
            finally:
                walk.give_up()
                self._save_what_came(walk)
                if self.pool is not None:
                    self.pool.close()
            if stop.asked and not self.summary.stopped:  # asked while all that was left was tidying
                self.summary.stopped = _stop_reason(stop)
        if self.summary.set_aside:
            self.summary.aside = self.store.set_aside()
        self.summary.notices += self.store.warnings
        self.summary.notices += self.ledger.notices()
        self.summary.reasons = dict(self.ledger.reasons.most_common())
        self.summary.seconds = time.monotonic() - start
        self.pace.report_if_due(self.summary, walk.ended, self.queues.unidentified, last=True)
        self.log.line(self.summary.in_one_line())
        if self.summary.stopped:
            raise ScanError(self.summary.stopped, self.summary)
        return self.summary

    def _loop(self, walk: Walk, stop: StopSignal) -> None:
        while not walk.ended or self._unfinished():
            if stop.asked:
                self._finish_running()
                raise _Stop(_stop_reason(stop))
            if not walk.ended and self._room():
                # While workers have enough to do the walk may wait; without work we wait for it.
                busy = self.queues.running or self.queues.to_measure
                for chunk in walk.take(0.0 if busy else WAIT_SECONDS):
                    self._take_in(chunk)
            self._sort(walk)
            self._submit()
            self._collect(WAIT_SECONDS if self.queues else 0.0)
            if self.pool is not None:
                self.pool.check()
            self.ledger.commit_if_due()
            if walk.ended and not self._unfinished():
                self.ledger.commit()
            self.pace.report_if_due(self.summary, walk.ended, self.queues.unidentified)

    def _room(self) -> bool:
        """Whether more files may be taken in: memory holds a stretch of the archive, not all of it."""
        waiting = self.queues.unidentified + len(self.exposures)
        return waiting < STRETCH and len(self.queues.to_measure) < STRETCH

    def _unfinished(self) -> bool:
        return bool(self.queues or len(self.exposures) or self.counted)

    def _take_in(self, chunk: list[FileEntry | Skipped]) -> None:
        for item in chunk:
            if isinstance(item, Skipped):
                self.ledger.passed_over(item)
        entries = [e for e in chunk if isinstance(e, FileEntry)]
        self.roots_found.take(chunk)
        decided = self.planner.decide(entries)
        self.summary.found += decided.measured + decided.set_aside
        self.summary.found += len(decided.counted) + len(decided.jobs)
        self.ledger.unchanged(decided.measured, decided.set_aside)
        self.counted += decided.counted
        self.queues.add(decided.jobs)

    def _sort(self, walk: Walk) -> None:
        """Once the tags of all files are read, and what was sorted before is measured, lest a file be held against
        what waits: which are measured, which counted on others."""
        ended, waiting = walk.ended, len(self.exposures)
        if self.queues.busy or not (waiting >= STRETCH or (ended and (waiting or self.counted))):
            return
        self.ledger.commit()  # what is measured by now counts too
        if ended:  # one that is deleted stands for nothing any more
            self._settle_departed(walk)
        if ended and self.counted:
            self._confirm_counted()
        else:
            self.queues.add(self.exposures.sort())
            release_memory()

    def _settle_departed(self, walk: Walk) -> list[str]:
        """See `settle_departed`; where the walk broke off nobody knows what it would have found."""
        return settle_departed(self.ledger, self.roots_found) if walk.error is None else []

    def _confirm_counted(self) -> None:
        """Files counted on others stay so while those others stand; else they are looked at anew."""
        entries, self.counted = self.counted, []
        index = np.array([i for _, i in entries], np.int64)
        valid = self.planner.leaders_valid(index)
        self.ledger.unchanged(counted=int(valid.sum()))
        invalid = [entries[i] for i in np.flatnonzero(~valid).tolist()]
        self.queues.add(self.planner.job(e, stamp_of(e), i) for e, i in invalid)

    # -- batches out, outcomes back ----------------------------------------------------------------

    def _submit(self) -> None:
        while batch := self.queues.next(self.count):
            if self.pool is None:
                self.pool = self._workers()
                self.count = self.pool.count
            self.tickets += 1
            self.queues.running[self.tickets] = batch
            self.pool.submit(self.tickets, batch)
            if self.tickets == self.count:
                # Needed once the tags are read; loaded while the workers load their libraries.
                import_module("auditor.crawl.captures")
                import_module("auditor.settings.agreement")

    def _workers(self) -> Workers:
        if self.address is not None:
            return Cluster(self.address, self.options)
        most = share_mb(self.options.memory_mb, self.count)
        options = replace(self.options, memory_mb=most)
        return OwnWorkers(self.count, options, self.store.folder / "scratch")

    def _collect(self, wait: float) -> None:
        """Deal with the batches that came back."""
        arrived = self.pool.arrived(wait) if self.pool is not None else []
        for ticket, answer in arrived:
            jobs = self.queues.running.pop(ticket, None)
            if jobs is None:
                continue
            if isinstance(answer, BaseException):
                self._batch_lost(jobs, answer)
                continue
            for job, outcome in zip(jobs, answer, strict=False):
                self._outcome(job, outcome)
            self.queues.put_back(jobs[len(answer) :])

    def _batch_lost(self, jobs: list[Job], error: BaseException) -> None:
        """A batch without an answer is no file's doing, unless workers go down with one file again and again."""
        connected = self.pool is None or self.pool.connected()
        cut_off = isinstance(error, CancelledError | TimeoutError)
        if not connected or cut_off or type(error).__name__ == "CommClosedError":
            self.queues.unanswered.append(jobs)  # see `Workers.check`
            return
        detail = f"{type(error).__name__}: {one_line(error)}"
        if type(error).__name__ != "KilledWorker":
            raise _Stop(
                f"files cannot be measured ({detail}); all that was measured is kept: run again to go on"
            )
        for culprit in self.queues.worker_lost(jobs):
            reason = "ended its worker each time it was tried"
            self._set_aside(culprit, reason, detail, Trouble.ENDED)

    def _outcome(self, job: Job, outcome: list[Any]) -> None:
        kind = outcome[0]
        self.queues.unidentified -= job["do"] == "identify"
        if kind == "tags":
            self.exposures.add(job, outcome[1])
        elif kind == "row":
            message: Measured = outcome[1]
            self.ledger.measured(job, message)
            row = message["row"]
            if job["do"] == "measure":
                measured = row["status"] == "measured"
                self.queues.add(self.exposures.settled(job, row if measured else None))
        elif kind == "same":
            self.ledger.recognised(job, outcome[1])
        elif kind == "unreadable":
            self._unreadable(job, *outcome[1:])
        else:
            self._failed(job, *outcome[1:])

    def _unreadable(self, job: Job, reason: str, reachable: bool, retry: str) -> None:
        """A file without content: tried again in a moment, on the next run, or when it changes."""
        if retry == "soon" and self.queues.retry_later(job):
            return
        if not reachable:
            raise _Stop(
                f"the archive {printable(job['root'])} does not answer any more (unplugged?); "
                "all that was measured is kept: connect it and run again"
            )
        self._set_aside(job, reason, "", None if retry == "never" else Trouble.UNREAD)

    def _failed(
        self, job: Job, reason: str, identity: Identity | None, detail: str, transient: bool
    ) -> None:
        self.stalls = self.stalls + 1 if "no data came" in reason else 0
        if self.stalls >= 3:
            raise _Stop(
                f"the archive {printable(job['root'])} has stopped answering; all that was "
                "measured is kept: check the connection and run again"
            )
        if job["do"] == "identify" and "no data came" not in reason:
            # Tags that cannot be read may still belong to a picture that can.
            self.queues.add([to_measure(job)])
        else:
            identified: Job = {**job, **identity} if identity else job
            self._set_aside(identified, reason, detail, Trouble.ENDED if transient else None)

    def _set_aside(
        self, job: Job, reason: str, detail: str = "", trouble: Trouble | None = None
    ) -> None:
        self.ledger.set_aside(job, reason, detail, trouble)
        if job["do"] == "measure":
            self.queues.add(self.exposures.settled(job, None))

    # -- endings -----------------------------------------------------------------------------------

    def _finish_running(self) -> None:
        """Let running batches end, within a few seconds; what they bring is kept."""
        if self.pool is None:
            return
        self.pool.wind_down()
        until = time.monotonic() + STOP_SECONDS
        while self.queues.running and time.monotonic() < until:
            self._collect(WAIT_SECONDS)

    def _save_what_came(self, walk: Walk) -> None:
        try:
            self.ledger.commit()
            self._settle_unread(walk)
        except StoreError:
            self.ledger.drop()

    def _settle_unread(self, walk: Walk) -> None:
        """Have the store know the folders that could not be read, also after a walk cut short."""
        whole = walk.ended and walk.error is None
        roots = [shown_root(r) for r in self.roots] if whole else []
        self.store.remember_unread(self.summary.unread, roots)
