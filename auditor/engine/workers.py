"""The workers that batches go to: Dask within this process, or (`cluster`) a Dask cluster that is there already."""

from __future__ import annotations

import contextlib
import logging
import queue
import shutil
import signal
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

from auditor.engine.batch import close_decoders, new_scan_id, run_batch, warm_up, wind_down
from auditor.engine.messages import Job
from auditor.engine.options import ScanOptions
from auditor.error_text import one_line

__all__ = ["ClusterError", "OwnWorkers", "Workers"]

_CLOSE_S: Final = 2.0
"""So long workers and the connection to them may take to close."""
_ANSWER_S: Final = 30.0
"""So long an answer that is there may take to be handed over."""


class ClusterError(RuntimeError):
    """No workers to be had; the message is one line and says what to do."""


@contextlib.contextmanager
def _terminal_signals_blocked() -> Iterator[None]:
    """Processes started inside never see Ctrl-C or a closing terminal: that is ours to handle."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT, signal.SIGHUP})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


class Workers:
    """Sends batches to Dask workers and gives back what they answer.

    Parameters
    ----------
    where : str
        What the workers are, for the message where they can't be used.
    options : ScanOptions
        Limits and habits of the scan.

    Raises
    ------
    ClusterError
        Where there are none to be had.
    """

    count: int
    """Batches that can run at once."""

    def __init__(self, where: str, options: ScanOptions) -> None:
        self._options = options
        self._scan = new_scan_id()
        self._results: queue.Queue[tuple[int, Any]] = queue.Queue()
        self._futures: dict[int, Any] = {}
        self._client: Any = None
        self._closed = False
        for name in ("distributed", "distributed.scheduler", "tornado", "asyncio"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
        try:
            with _terminal_signals_blocked():
                self._start()
        except ClusterError:
            self.close()
            raise
        except Exception as error:
            self.close()
            detail = one_line(error) or type(error).__name__
            raise ClusterError(f"{where} cannot be used ({detail})") from error

    def _start(self) -> None:
        """Connect, and set `count`."""
        raise NotImplementedError

    def _where(self) -> dict[str, Any]:
        """Which workers the next batch may run on."""
        return {}

    def submit(self, ticket: int, jobs: Sequence[Job]) -> None:
        """Send one batch; its outcome arrives under `ticket`."""
        future = self._client.submit(
            run_batch,
            list(jobs),
            self._options,
            self._scan,
            pure=False,
            key=f"batch-{ticket}-{self._scan}",
            priority=-ticket,  # first come, first served
            **self._where(),
        )
        self._futures[ticket] = future
        future.add_done_callback(lambda f: self._done(ticket, f))

    def _done(self, ticket: int, future: Any) -> None:
        # One thread calls this for all scans in a process: it must not wait in vain.
        if self._closed:
            return
        try:
            answer = future.result(timeout=_ANSWER_S)
        except BaseException as error:
            answer = error
        self._results.put((ticket, answer))

    def arrived(self, wait: float) -> list[tuple[int, Any]]:
        """(ticket, answer or exception) of the batches that came back; waits up to `wait` s for one."""
        arrived: list[tuple[int, Any]] = []
        with contextlib.suppress(queue.Empty):
            arrived.append(self._results.get(timeout=wait) if wait else self._results.get_nowait())
            while True:
                arrived.append(self._results.get_nowait())
        for ticket, _ in arrived:
            self._futures.pop(ticket, None)
        return arrived

    def ready(self) -> bool:
        """Whether there is a worker that a batch can be sent to."""
        return True

    def connected(self) -> bool:
        """Whether the scheduler answers: a batch that is lost meanwhile is not to blame."""
        return self._client is not None and self._client.status == "running"

    def check_workers(self) -> None:
        """See which workers came and which went."""

    def notices(self) -> list[str]:
        """What the owner should know of the workers, a line each."""
        return []

    def wind_down(self) -> None:
        """Workers begin no further file; batches come back as far as they got."""
        wind_down(self._scan)

    def close(self) -> None:
        """End what was started for this scan."""
        self._closed = True
        self._end()
        self._futures.clear()
        if self._client is not None:
            with contextlib.suppress(Exception):
                self._client.close(timeout=_CLOSE_S)

    def _end(self) -> None:
        """End decoders, before the connection is closed."""


class OwnWorkers(Workers):
    """Workers of this process: `count` threads, each with a decoder process that it talks to over pipes."""

    def __init__(self, count: int, options: ScanOptions, scratch: Path) -> None:
        """`scratch`: a folder of our own. Raises ClusterError."""
        self.count, self._scratch = count, scratch
        self._cluster: Any = None
        self._ended = threading.Event()
        super().__init__("the workers of this machine", options)

    def _start(self) -> None:
        # Decoders load their libraries while this process loads its own.
        for _ in range(self.count):
            threading.Thread(target=self._warm_up, daemon=True).start()
        import distributed

        from auditor.engine.in_process_cluster import cluster_in_process

        shutil.rmtree(self._scratch, ignore_errors=True)  # of a run that was killed
        self._cluster = cluster_in_process(self.count, self._scratch)
        self._client = distributed.Client(self._cluster, set_as_default=False)

    def _warm_up(self) -> None:
        with contextlib.suppress(Exception):  # the first batch tells what is wrong
            warm_up(self._options, self._scan)
        self._ended.wait()  # the kernel ends a decoder with the thread that started it

    def _end(self) -> None:
        wind_down(self._scan)
        close_decoders(self._scan)
        self._ended.set()

    def close(self) -> None:
        """End everything that was started here."""
        super().close()
        if self._cluster is not None:
            with contextlib.suppress(Exception):
                self._cluster.close(timeout=_CLOSE_S)
        shutil.rmtree(self._scratch, ignore_errors=True)
