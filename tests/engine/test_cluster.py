"""A cluster of others: what can go wrong there is told in one line, and nothing of ours stays behind."""

from __future__ import annotations

import asyncio
import logging
import multiprocessing
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import archive
import psutil
import pytest

from auditor.engine import Progress, ScanError, ScanOptions, ScanSummary, scan
from auditor.engine import batch as batch_module
from auditor.store import Store

OPTIONS = ScanOptions(measure="planted:measure")


READY = multiprocessing.get_context("forkserver")
"""Starts processes that have Dask loaded already."""
READY.set_forkserver_preload(["distributed"])


async def _scheduler(address: Any) -> None:
    import distributed

    quiet = {"dashboard": False, "dashboard_address": "127.0.0.1:0"}
    async with distributed.Scheduler(host="127.0.0.1", port=0, **quiet) as it:
        address.put(it.address)
        await it.finished()


async def _worker(address: Any, scheduler: str, folder: str, before: str) -> None:
    import distributed

    exec(before)
    async with distributed.Worker(
        scheduler, nthreads=1, memory_limit=0, local_directory=folder,
        dashboard_address="127.0.0.1:0",
    ) as it:  # fmt: skip
        address.put(it.address)
        await it.finished()


def _serve(what: Any, *words: Any) -> None:
    logging.disable()
    asyncio.run(what(*words))


class Cluster:
    """A scheduler and workers, each in a process of its own; all of them end with the test."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.started: list[Any] = []
        self.scheduler, self.address = self._start(_scheduler)

    def worker(self, before: str = "") -> Any:
        """One more worker, known to the scheduler when this returns; `before` is run in it first."""
        process, address = self._start(_worker, self.address, str(self._folder), before)
        assert address.startswith("tcp://")
        return process

    def _start(self, what: Any, *words: str) -> tuple[Any, str]:
        told = READY.Queue()
        process = READY.Process(target=_serve, args=(what, told, *words))
        process.start()
        self.started.append(process)
        return process, told.get(timeout=60)

    def scan(
        self, root: Path, out: Path, progress: Callable[[Progress], None] | None = None
    ) -> ScanSummary:
        """One scan on this cluster."""
        store = Store(out)
        return scan([root], store, cluster=self.address, options=OPTIONS, progress=progress)


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[Cluster]:
    made = Cluster(tmp_path)
    yield made
    for process in made.started:
        process.kill()
        process.join()


@pytest.mark.parametrize("address", ["nonsense", "tcp://", "tcp://host", "host:0", "host:99999"])
def test_what_is_no_address_is_told_at_once(tmp_path: Path, address: str) -> None:
    root = archive.make(tmp_path / "a", ["1.jpg"])
    start = time.monotonic()
    with pytest.raises(ScanError, match=f"'{address}' is no address of a scheduler"):
        scan([root], Store(tmp_path / "out"), cluster=address, options=OPTIONS)
    assert time.monotonic() - start < 20  # it was 40 s, and a traceback


@pytest.mark.parametrize(
    "before",
    [
        "import sys; sys.modules['auditor'] = None",
        "import auditor.engine.batch as b; b.program_hash = lambda: 'older'",
        "import auditor.engine.batch as b, time; b.program_hash = lambda: time.sleep(60)",
    ],
)
def test_a_worker_without_this_program_or_with_another_copy_is_told_in_one_line(
    tmp_path: Path, cluster: Cluster, before: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("auditor.engine.workers._MEET_S", 2.0 if "sleep" in before else 60.0)
    root = archive.make(tmp_path / "a", [f"{n}.jpg" for n in range(12)])
    cluster.worker()
    cluster.worker(before)
    with pytest.raises(ScanError, match=r"not every worker .* answers with this copy of auditor"):
        cluster.scan(root, tmp_path / "out")


def test_a_worker_with_another_copy_that_comes_late_stops_the_scan_with_one_line() -> None:
    with pytest.raises(RuntimeError, match="another copy of auditor: install this one there"):
        batch_module.run_sent_batch("older", [], OPTIONS, "scan")


def test_a_cluster_without_workers_or_without_answers_is_not_waited_for(
    tmp_path: Path, cluster: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("auditor.engine.workers._CONNECT_S", 2.0)
    monkeypatch.setattr("auditor.engine.workers._SILENCE_S", 5.0)
    root = archive.make(tmp_path / "a", [f"{n:02d}-slow.jpg" for n in range(40)])
    with pytest.raises(ScanError, match="cannot be used"):
        cluster.scan(root, tmp_path / "out")
    cluster.worker()

    def leave(event: Progress) -> None:
        if event.done >= 1:
            cluster.started[1].kill()

    with pytest.raises(ScanError, match=r"nothing came back from the cluster.*run again"):
        cluster.scan(root, tmp_path / "out", leave)


def test_a_scheduler_that_is_lost_is_told_as_such(
    tmp_path: Path, cluster: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("auditor.engine.workers._LOST_S", 2.0)
    root = archive.make(tmp_path / "a", [f"{n:02d}-slow.jpg" for n in range(14)])
    cluster.worker()

    def lose(event: Progress) -> None:
        if event.done >= 4:
            cluster.scheduler.kill()

    with pytest.raises(ScanError, match=r"the scheduler at .* does not answer any more") as error:
        cluster.scan(root, tmp_path / "out", lose)
    assert error.value.summary.set_aside == 0
    kept = len(Store(tmp_path / "out").load(["path"]))
    assert 14 > kept == error.value.summary.measured >= 4
    assert archive.run(root, tmp_path / "out").measured == 14


def test_no_decoder_stays_on_the_cluster_when_the_scan_is_stopped(
    tmp_path: Path, cluster: Cluster
) -> None:
    """Nor does anything listen here meanwhile."""
    root = archive.make(tmp_path / "a", [f"{n:02d}-slow.jpg" for n in range(30)])
    one = cluster.worker()
    listening: list[object] = []

    def stop(event: Progress) -> None:
        connections = psutil.Process().net_connections(kind="all")
        listening.extend(c for c in connections if c.status == psutil.CONN_LISTEN)
        if event.done >= 4:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        cluster.scan(root, tmp_path / "out", stop)
    assert listening == []
    until = time.monotonic() + 10
    while psutil.Process(one.pid).children() and time.monotonic() < until:
        time.sleep(0.1)
    assert [p.cmdline() for p in psutil.Process(one.pid).children()] == []


def test_a_file_that_takes_its_worker_down_each_time_is_set_aside(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With processes that start workers again, each time under another address."""
    import dask
    from distributed import LocalCluster

    monkeypatch.setattr("auditor.engine.workers._SILENCE_S", 20.0)
    root = archive.make(tmp_path / "a", [*(f"{n}.jpg" for n in range(8)), "5-takedown.jpg"])
    quick = {"distributed.scheduler.allowed-failures": 0}  # else Dask itself tries three times more
    for tries_left in (2, 1, 0):
        with (
            dask.config.set(quick),
            LocalCluster(
                n_workers=1, threads_per_worker=1, dashboard_address=None, host="127.0.0.1",
                memory_limit=0,
            ) as local,
        ):  # fmt: skip
            store = Store(tmp_path / "out")
            try:
                summary = scan([root], store, cluster=local.scheduler_address, options=OPTIONS)
                break
            except ScanError as error:
                # On a busy machine Dask's nanny at times starts no worker again: as an owner would
                # do who is told so, run again on another cluster.
                if not tries_left or "nothing came back" not in str(error):
                    raise
    assert summary.found == 9
    assert len(Store(tmp_path / "out").load(["path"])) == 9
    why = "ended its worker each time it was tried"
    assert archive.rows(tmp_path / "out")["5-takedown.jpg"] == ("set-aside", why)
    assert archive.started_here() == []


def test_a_batch_whose_workers_left_without_a_word_is_sent_to_others(
    tmp_path: Path, cluster: Cluster
) -> None:
    root = archive.make(tmp_path / "a", [f"{n:02d}-slow.jpg" for n in range(20)])
    first = cluster.worker()

    def leave(event: Progress) -> None:
        if event.done >= 4 and first.is_alive():
            first.kill()
            first.join()
            cluster.worker()

    summary = cluster.scan(root, tmp_path / "out", leave)
    assert not first.is_alive()
    assert (summary.measured, summary.set_aside) == (20, 0)


def test_decoders_of_a_scan_that_has_ended_are_not_started_again() -> None:
    batch_module.close_decoders("one that ended")
    with pytest.raises(batch_module.Decoder.__init__.__globals__["DecoderBroken"]):
        batch_module.warm_up(OPTIONS, "one that ended")
