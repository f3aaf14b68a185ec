"""The workers that batches go to: Dask within this process, or a Dask cluster that is there already."""

from __future__ import annotations

import contextlib
import logging
import queue
import re
import shutil
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, Final

from auditor.engine.batch import (
    close_decoders,
    new_scan_id,
    program_hash,
    run_sent_batch,
    warm_up,
    wind_down,
)
from auditor.engine.messages import Job
from auditor.engine.options import ScanOptions
from auditor.error_text import one_line

__all__ = ["Cluster", "ClusterError", "OwnWorkers", "Workers", "silence_s"]

_CLOSE_S: Final = 2.0
"""So long workers and the connection to them may take to close."""
_ANSWER_S: Final = 30.0
"""So long an answer that is there may take to be handed over."""
_ADDRESS: Final = re.compile(r"(?:[a-z]+://)?(\[[0-9a-fA-F:.]+\]|[^\s/:\[\]]+):(\d{1,5})/?")
_CONNECT_S: Final = 20.0
"""So long a scheduler and its first worker are waited for."""
_MEET_S: Final = 30.0
"""So long workers may take to load this program and say which copy it is."""
_CALL_S: Final = 3.0
"""So long workers may take to answer when they are asked to end: whoever stops a scan waits for it."""
_LOST_S: Final = 15.0
"""So long may the connection to a scheduler be interrupted."""
_SILENCE_S: Final = 900.0
"""So long may a cluster bring nothing back: as long as reading a file may stand still and its decoder be silent then
(`decoder`). Longer where files may take more than the usual time."""


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

    def submit(self, ticket: int, jobs: Sequence[Job]) -> None:
        """Send one batch; its outcome arrives under `ticket`."""
        future = self._client.submit(
            run_sent_batch,
            program_hash(),
            list(jobs),
            self._options,
            self._scan,
            pure=False,
            key=f"batch-{ticket}-{self._scan}",
            priority=-ticket,  # first come, first served
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

    def connected(self) -> bool:
        """Whether the scheduler answers: a batch that is lost meanwhile is not to blame."""
        return self._client is not None and self._client.status == "running"

    def check(self) -> None:
        """Raise ClusterError where no answer can be hoped for any more."""

    def wind_down(self) -> None:
        """Workers begin no further file; batches come back as far as they got."""
        self._everywhere(wind_down)

    def _everywhere(self, function: Callable[[str], None]) -> None:
        """Call a function of this scan's name wherever there are workers."""
        function(self._scan)

    def close(self) -> None:
        """End what was started for this scan."""
        self._closed = True
        self.wind_down()
        self._everywhere(close_decoders)
        self._futures.clear()
        if self._client is not None:
            with contextlib.suppress(Exception):
                self._client.close(timeout=_CLOSE_S)


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

    def close(self) -> None:
        """End everything that was started here."""
        super().close()
        self._ended.set()
        if self._cluster is not None:
            with contextlib.suppress(Exception):
                self._cluster.close(timeout=_CLOSE_S)
        shutil.rmtree(self._scratch, ignore_errors=True)


class Cluster(Workers):
    """The workers of a Dask cluster; it stays as it was found."""

    def __init__(self, address: str, options: ScanOptions) -> None:
        """`address` of the scheduler. Raises ClusterError."""
        self._address = address
        self._connected = self._answered = time.monotonic()
        self._silence_s = silence_s(options)
        super().__init__(f"the cluster at {address}", options)

    def _start(self) -> None:
        match = _ADDRESS.fullmatch(self._address)
        if match is None or not 0 < int(match[2]) < 2**16:
            raise ClusterError(
                f"'{self._address}' is no address of a scheduler; it looks like tcp://host:8786"
            )
        import distributed

        self._client = distributed.Client(
            self._address, timeout=f"{_CONNECT_S:g}s", set_as_default=False
        )
        self._client.wait_for_workers(1, timeout=_CONNECT_S)
        workers = self._client.scheduler_info(n_workers=-1)["workers"].values()
        self.count = sum(int(worker["nthreads"]) for worker in workers)
        # Two copies of this program measure differently.
        alike = [answer == program_hash() for answer in self._ask(_MEET_S, program_hash).values()]
        if not all(alike) or len(alike) < len(workers):
            raise ClusterError(
                f"not every worker of the cluster at {self._address} answers with this copy of auditor: "
                "install it on all of them"
            )

    def _ask(self, seconds: float, function: Callable[..., Any], *of: Any) -> dict[str, Any]:
        """What workers answer, by their address; they are waited for so long only."""
        answers: dict[str, Any] = {}

        def ask() -> None:
            with contextlib.suppress(Exception):
                answers.update(self._client.run(function, *of, on_error="return"))

        asking = threading.Thread(target=ask, daemon=True)
        asking.start()
        asking.join(seconds)
        return answers.copy()

    def _everywhere(self, function: Callable[[str], None]) -> None:
        if self.connected():
            self._ask(_CALL_S, function, self._scan)

    def arrived(self, wait: float) -> list[tuple[int, Any]]:
        """(ticket, answer or exception) of the batches that came back; waits up to `wait` s for one."""
        arrived = super().arrived(wait)
        if arrived or not self._futures:
            self._answered = time.monotonic()
        return arrived

    def check(self) -> None:
        """Raise ClusterError when the scheduler is lost, or nothing comes back any more."""
        now = time.monotonic()
        if self.connected():
            self._connected = now
        elif now - self._connected > _LOST_S or self._client.status == "closed":
            raise ClusterError(
                f"the scheduler at {self._address} does not answer any more; all that was measured "
                "is kept: run again to go on, with --cluster once it is back"
            )
        if now - self._answered > self._silence_s:
            raise ClusterError(
                f"nothing came back from the cluster at {self._address} for {self._silence_s:g} s (are its "
                "workers there, with this program?); all that was measured is kept: run again to go on"
            )


def silence_s(options: ScanOptions) -> float:
    """Seconds for which a cluster may bring nothing back under these options."""
    return _SILENCE_S * max(1.0, options.seconds_per_file / ScanOptions().seconds_per_file)
