"""The scan: every file that was found goes to a worker, every row comes back into the store."""

from __future__ import annotations

import contextlib
import os
import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from ..crawl.names import printable
from ..crawl.walk import FileEntry, Skipped, find_files
from ..store.errors import StoreError
from .batch import settings_of
from .cluster import ClusterError, Workers
from .departed import find_departed
from .ledger import Job, Ledger
from .options import Progress, ScanError, ScanOptions, ScanSummary
from .plan import Batcher, Planner
from .runlog import RunLog
from .stopping import StopSignal
from .walker import Walk
from .wire import unpack

if TYPE_CHECKING:
    from ..store import Store

__all__ = ["scan"]

STOP_SECONDS: Final = 2.5
NO_WORKER_SECONDS: Final = 90.0

Find = Callable[[Sequence[str | Path]], Iterable[FileEntry | Skipped]]


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
    """Carry every new or changed file under `roots` through reading, measuring and storing.

    Args:
        roots: folders, files or addresses that fsspec reads.
        store: where rows go; opened for writing here unless the caller has done so.
        workers: processes on this machine; all cores by default.
        cluster: address of a Dask scheduler to use instead.
        options: limits and habits.
        progress: called a few times a second.
        find: walks the roots.

    Returns:
        The summary: found = measured + set aside.

    Raises:
        ScanError: when the scan ended early (Ctrl-C, disk full, archive unplugged, ...); what was
            measured until then is in the store.
        StoreError: when the store cannot be opened for writing.
    """
    count = workers or os.cpu_count() or 1
    opened = contextlib.nullcontext(store) if store.writing else store
    with opened:
        return _Scan(roots, store, count, cluster, options or ScanOptions(), progress).go(find)


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
        self.ledger = Ledger(store, self.planner, options, self.summary, self.log)
        self.batcher = Batcher(workers)
        self.pool: Workers | None = None
        self.tickets = 0
        self.running: dict[int, list[Job]] = {}
        self.again: deque[list[Job]] = deque()
        self.suspects: deque[list[Job]] = deque()
        self.confined = False
        self.stalls = 0
        self.roots_seen: set[str] = set()
        self.recent: deque[tuple[float, int]] = deque([(time.monotonic(), 0)])
        self.last_report = 0.0

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
                self._settle_departed()
            except (_Stop, ClusterError, StoreError) as error:
                self.summary.stopped = str(error)
            finally:
                walk.give_up()
                self._save_what_came()
                if self.pool is not None:
                    self.pool.close()
        if self.summary.set_aside:
            table = self.store.load(["path", "status", "reason"])
            table = table[table["status"] != "measured"]
            self.summary.aside = list(zip(table["path"], table["reason"].fillna(""), strict=True))
        self.summary.notices += self.store.warnings
        self.summary.reasons = dict(self.ledger.reasons.most_common())
        self.summary.seconds = time.monotonic() - start
        self._tell(walk, last=True)
        self._log_summary()
        if self.summary.stopped:
            raise ScanError(self.summary.stopped, self.summary)
        return self.summary

    def _loop(self, walk: Walk, stop: StopSignal) -> None:
        heard = time.monotonic()
        while not walk.ended or self._unfinished():
            if stop.asked:
                self._finish_running()
                raise _Stop(f"{stop.asked}; run the same command again to go on")
            if not walk.ended:
                # While workers have enough to do the walk may wait; without work we wait for it.
                for chunk in walk.take(0.0 if self.running or len(self.batcher) else 0.05):
                    self._take_in(chunk)
            self._submit(walk.ended)
            if self._collect(0.05 if self.running else 0.0):
                heard = time.monotonic()
            elif self.running and time.monotonic() - heard > NO_WORKER_SECONDS:
                if self.pool is not None and self.pool.alive() == 0:
                    raise _Stop("no worker process is left and none comes back; run again to go on")
                heard = time.monotonic()
            self._once_more(self.ledger.commit_if_due())
            if walk.ended and not self._unfinished():
                self._once_more(self.ledger.commit())
            self._tell(walk)

    def _unfinished(self) -> bool:
        return bool(self.running or self.again or self.suspects or len(self.batcher))

    def _once_more(self, jobs: list[Job]) -> None:
        self.again += [[job] for job in jobs]

    def _take_in(self, chunk: list[FileEntry | Skipped]) -> None:
        for item in chunk:
            if isinstance(item, Skipped):
                self._passed_over(item)
        jobs = []
        for entry, what, job in self.planner.decide([e for e in chunk if isinstance(e, FileEntry)]):
            self.roots_seen.add(entry.root)
            if what == "twice":
                continue
            self.summary.found += 1
            if what == "read":
                jobs.append(job)
            else:
                self.ledger.unchanged(what == "measured")
        self.batcher.add(jobs)

    def _passed_over(self, item: Skipped) -> None:
        if not item.picture:
            line = f"{printable(item.path)}: {item.reason}"
            self.summary.notices.append(line)
            self.log.line(f"passed over: {line}")
            return
        self.summary.found += 1
        if self.planner.skipped_before(item.path):
            self.ledger.unchanged(False)
        else:
            self.ledger.set_aside({"path": item.path}, item.reason)

    # -- batches out, outcomes back ----------------------------------------------------------------

    def _submit(self, ended: bool) -> None:
        while batch := self._next_batch(ended):
            if self.pool is None:
                settings = settings_of(self.options)
                self.pool = Workers(self.count, self.address, settings)
                self.count = self.batcher.workers = self.pool.count
            self.tickets += 1
            self.running[self.tickets] = batch
            self.pool.submit(self.tickets, batch)

    def _next_batch(self, ended: bool) -> list[Job]:
        """The next batch to send, [] when nothing should be sent now.

        A batch under suspicion runs with no other beside it, so that nobody is blamed wrongly.
        """
        if self.suspects or self.confined:
            if self.running:
                return []
            self.confined = bool(self.suspects)
            if self.suspects:
                return self.suspects.popleft()
        if len(self.running) >= 2 * self.count:
            return []
        if self.again:
            return self.again.popleft()
        return self.batcher.next(ended) if len(self.batcher) else []

    def _collect(self, wait: float) -> bool:
        """Deal with the batches that came back; whether there were any."""
        arrived = self.pool.arrived(wait) if self.pool is not None else []
        for ticket, answer in arrived:
            jobs = self.running.pop(ticket, None)
            if jobs is None:
                continue
            if isinstance(answer, BaseException):
                self._batch_lost(jobs, answer)
                continue
            self.summary.workers_replaced += answer["replaced"]
            if not answer["replaced"] and len(answer["outcomes"]) == len(jobs):
                self.batcher.learn(jobs, answer["seconds"])
            for job, outcome in zip(jobs, answer["outcomes"], strict=False):
                self._outcome(job, outcome)
        return bool(arrived)

    def _batch_lost(self, jobs: list[Job], error: BaseException) -> None:
        """The worker itself went down: try again, then split until the culprit is alone."""
        said = " ".join(str(error).split())[:200]
        if type(error).__name__ == "DecoderBroken":
            raise _Stop(said)
        self.summary.workers_replaced += 1
        losses = 1 + max(job.get("losses", 0) for job in jobs)
        jobs = [job | {"losses": losses} for job in jobs]
        if losses == 1:  # whatever took the worker may have had nothing to do with this batch
            self.again.append(jobs)
        elif len(jobs) > 1:
            middle = len(jobs) // 2
            self.suspects += [jobs[:middle], jobs[middle:]]
        elif losses == 2:
            self.suspects.append(jobs)
        else:
            reason = "ended its worker each time it was tried"
            self.ledger.set_aside(jobs[0], reason, f"{type(error).__name__}: {said}")

    def _outcome(self, job: Job, outcome: list[Any]) -> None:
        kind = outcome[0]
        if kind == "row":
            self.ledger.measured(job, unpack(outcome[1]))
        elif kind == "same":
            if not self.ledger.same(job, outcome[1]):
                self._once_more([job | {"same": []}])
        elif kind == "unreadable":
            if not outcome[2]:
                raise _Stop(
                    f"the archive {printable(job['root'])} does not answer any more (unplugged?); "
                    "all that was measured is kept: connect it and run again"
                )
            self.ledger.set_aside(job, outcome[1])
        else:
            _, reason, own, said = outcome
            self.stalls = self.stalls + 1 if "no data came" in reason else 0
            if self.stalls >= 3:
                raise _Stop(
                    f"the archive {printable(job['root'])} has stopped answering; all that was "
                    "measured is kept: check the connection and run again"
                )
            self.ledger.set_aside(job | own, reason, said)

    # -- endings -----------------------------------------------------------------------------------

    def _finish_running(self) -> None:
        """Let running batches end, within a few seconds; what they bring is kept."""
        if self.pool is None:
            return
        self.pool.wind_down()
        until = time.monotonic() + STOP_SECONDS
        while self.running and time.monotonic() < until:
            self._collect(0.1)

    def _save_what_came(self) -> None:
        try:
            self.ledger.commit()
        except StoreError:
            self.ledger.drop()

    def _settle_departed(self) -> None:
        """Mark what is no longer there; never when the archive itself seems to be missing."""
        planner = self.planner
        unseen = np.flatnonzero(~planner.seen & ~planner.known.gone)
        if not len(unseen):
            return
        departed, notices = find_departed(
            self.store, planner.known, unseen, self.roots, self.roots_seen, self.ledger.moved_from
        )
        self.summary.notices += notices
        self.ledger.mark_gone(departed)

    def _log_summary(self) -> None:
        s = self.summary
        self.log.line(
            f"{'stopped: ' + s.stopped if s.stopped else 'done'}; found {s.found}, measured "
            f"{s.measured}, set aside {s.set_aside}, unchanged {s.unchanged}, moved {s.moved}, "
            f"gone {s.gone}, workers replaced {s.workers_replaced}, {s.seconds:.0f} s"
        )

    # -- progress ----------------------------------------------------------------------------------

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
        eta = (s.found - done) / rate if walk.ended and rate > 0 else None
        self.report(Progress(done, s.found, total, s.set_aside, rate, eta))
