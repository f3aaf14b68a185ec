"""Worker processes: a Dask cluster of our own on this machine, or one that is there already."""

from __future__ import annotations

import contextlib
import logging
import os
import queue
import shutil
import signal
import tempfile
import time
from collections.abc import Iterator, Sequence
from multiprocessing import resource_tracker
from typing import Any, Final

import psutil

from .batch import close_decoders, run_batch, warm_up

__all__ = ["ClusterError", "Workers"]

_CONFIG: Final[dict[str, Any]] = {
    # A batch that took its worker down is split by us, rather than tried on worker after worker.
    "distributed.scheduler.allowed-failures": 0,
    # A machine that slept is not a machine whose workers died.
    "distributed.scheduler.worker-ttl": None,
    "distributed.admin.tick.limit": "1h",
    # Watching itself took a twentieth of the cores: a hundred samples of its stack and fifty ticks a
    # second in every process, of which nobody reads anything.
    "distributed.worker.profile.enabled": False,
    "distributed.admin.tick.interval": "1s",
    "distributed.admin.system-monitor.interval": "10s",
    "distributed.admin.system-monitor.disk": False,
    "distributed.worker.daemon": True,
    "distributed.diagnostics.nvml": False,
    # No page to look at, nothing to ask: the servers that remain answer nobody.
    "distributed.scheduler.http.routes": [],
    "distributed.worker.http.routes": [],
}


class ClusterError(RuntimeError):
    """No workers to be had; the message is one line and says what to do."""


@contextlib.contextmanager
def _terminal_signals_blocked() -> Iterator[None]:
    """Processes started inside never see Ctrl-C or a closing terminal: that is ours to handle."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    # Threads and processes inherit the mask. Python's helper process must be there before: starting it
    # would unblock Ctrl-C again in the thread that starts the workers.
    resource_tracker.ensure_running()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT, signal.SIGHUP})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


class Workers:
    """Sends batches to Dask workers and gives back what they answer."""

    def __init__(self, count: int, address: str | None, settings: dict[str, Any]) -> None:
        import dask
        import distributed

        self._results: queue.Queue[tuple[int, Any]] = queue.Queue()
        self._settings = settings
        self._futures: dict[int, Any] = {}
        self._cluster: Any = None
        self._folder: str | None = None
        self._stop_file: str | None = None
        self._silence()
        try:
            with _terminal_signals_blocked(), dask.config.set(_CONFIG):
                if address is None:
                    self._folder = tempfile.mkdtemp(prefix="auditor-")
                    self._stop_file = os.path.join(self._folder, "stop")
                    self._cluster = distributed.LocalCluster(
                        n_workers=count,
                        threads_per_worker=1,
                        processes=True,
                        host="127.0.0.1",
                        dashboard_address=None,
                        scheduler_kwargs={"dashboard": False, "dashboard_address": "127.0.0.1:0"},
                        memory_limit=0,
                        local_directory=self._folder,
                        silence_logs=logging.CRITICAL,
                    )
                    self._client = distributed.Client(self._cluster)
                else:
                    self._client = distributed.Client(address, timeout="20s", set_as_default=False)
        except Exception as error:
            self.close()
            where = f"the cluster at {address}" if address else "worker processes on this machine"
            said = " ".join(str(error).split())[:160] or type(error).__name__
            raise ClusterError(f"{where} cannot be used ({said})") from error
        self.count = max(1, sum(self._client.nthreads().values())) if address else count
        # Every worker loads its libraries while the first batches are still on their way.
        self._warming = [
            self._client.submit(warm_up, settings, workers=[worker], pure=False)
            for worker in self._client.nthreads()
        ]

    @staticmethod
    def _silence() -> None:
        for name in ("distributed", "distributed.nanny", "distributed.scheduler", "tornado"):
            logging.getLogger(name).setLevel(logging.CRITICAL)

    def alive(self) -> int:
        """How many workers are connected."""
        with contextlib.suppress(Exception):
            return len(self._client.scheduler_info(n_workers=-1)["workers"])
        return 0

    def submit(self, ticket: int, jobs: Sequence[dict[str, Any]]) -> None:
        """Send one batch; its outcome arrives under `ticket`."""
        future = self._client.submit(
            run_batch,
            list(jobs),
            self._settings,
            self._stop_file,
            pure=False,
            key=f"batch-{ticket}-{id(self)}",
            priority=-ticket,  # first come, first served
        )
        self._futures[ticket] = future
        future.add_done_callback(lambda f: self._done(ticket, f))

    def _done(self, ticket: int, future: Any) -> None:
        try:
            answer = future.result()
        except BaseException as error:
            answer = error
        self._results.put((ticket, answer))

    def arrived(self, wait: float) -> list[tuple[int, Any]]:
        """(ticket, answer or exception) of the batches that came back; waits up to `wait` s for one."""
        came: list[tuple[int, Any]] = []
        with contextlib.suppress(queue.Empty):
            came.append(self._results.get(timeout=wait) if wait else self._results.get_nowait())
            while True:
                came.append(self._results.get_nowait())
        for ticket, _ in came:
            self._futures.pop(ticket, None)
        return came

    def wind_down(self) -> None:
        """Workers on this machine begin no further file; batches come back as far as they got."""
        if self._stop_file is not None:
            with contextlib.suppress(OSError):
                open(self._stop_file, "w").close()

    def close(self) -> None:
        """End everything that was started here; leave a cluster of others as it was found."""
        ours: list[psutil.Process] = []
        # A worker may be waiting for a file that hangs, and holds nothing worth waiting for itself.
        children = {p.pid: p for p in psutil.Process().children()}
        for nanny in getattr(self._cluster, "workers", {}).values():
            with contextlib.suppress(psutil.Error, AttributeError):
                nanny.close_gracefully()  # do not replace it
                worker = children.get(nanny.pid)  # a child of this very process, or nobody
                if worker is not None:
                    ours += [worker, *worker.children(recursive=True)]
        for process in reversed(ours):
            with contextlib.suppress(psutil.Error):
                process.kill()
        self._futures.clear()
        client = getattr(self, "_client", None)
        if client is not None:
            with contextlib.suppress(Exception):
                if self._cluster is None:
                    client.run(close_decoders, on_error="ignore")
                client.close(timeout=2)
        if self._cluster is not None:
            with contextlib.suppress(Exception):
                self._cluster.close(timeout=3)
            _until_gone(ours, 2.0)
        if self._folder:
            shutil.rmtree(self._folder, ignore_errors=True)


def _until_gone(processes: Sequence[psutil.Process], seconds: float) -> None:
    """Wait for killed processes; one that nobody has collected yet (a zombie) counts as gone."""

    def gone(process: psutil.Process) -> bool:
        try:
            return bool(process.status() == psutil.STATUS_ZOMBIE)
        except psutil.Error:
            return True

    until = time.monotonic() + seconds
    while time.monotonic() < until and not all(gone(p) for p in processes):
        time.sleep(0.01)
