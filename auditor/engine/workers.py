"""The workers that batches go to: threads of this process, each with a decoder process that it talks to over
pipes. What listens on no port, nobody else on the machine can make run anything."""

from __future__ import annotations

import contextlib
import queue
import signal
import threading
from collections.abc import Iterator, Sequence
from typing import Any

from .batch import close_decoders, name_of_scan, run_batch, warm_up, wind_down
from .messages import Job
from .options import ScanOptions

__all__ = ["Workers"]


@contextlib.contextmanager
def _terminal_signals_blocked() -> Iterator[None]:
    """Processes started by threads that start inside never see Ctrl-C or a closing terminal: that is ours
    to handle."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT, signal.SIGHUP})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


class Workers:
    """Does batches on this machine, and gives back what came of them."""

    def __init__(self, count: int, options: ScanOptions) -> None:
        """`count` threads, whose decoders load their libraries at once."""
        self.count = count
        self._options = options
        self._scan = name_of_scan()
        self._results: queue.Queue[tuple[int, Any]] = queue.Queue()
        self._batches: queue.SimpleQueue[tuple[int, Sequence[Job]] | None] = queue.SimpleQueue()
        self._start()

    def _start(self) -> None:
        with _terminal_signals_blocked():
            for _ in range(self.count):
                threading.Thread(target=self._work, daemon=True).start()

    def _work(self) -> None:
        # To the end of the scan: the kernel ends a decoder with the thread that started it.
        with contextlib.suppress(Exception):  # the first batch tells what is wrong
            warm_up(self._options, self._scan)
        while (batch := self._batches.get()) is not None:
            ticket, jobs = batch
            try:
                answer: Any = run_batch(jobs, self._options, self._scan)
            except BaseException as error:
                answer = error
            self._results.put((ticket, answer))

    def submit(self, ticket: int, jobs: Sequence[Job]) -> None:
        """Send one batch; its outcome arrives under `ticket`."""
        self._batches.put((ticket, jobs))

    def arrived(self, wait: float) -> list[tuple[int, Any]]:
        """(ticket, answer or exception) of the batches that came back; waits up to `wait` s for one."""
        came: list[tuple[int, Any]] = []
        with contextlib.suppress(queue.Empty):
            came.append(self._results.get(timeout=wait) if wait else self._results.get_nowait())
            while True:
                came.append(self._results.get_nowait())
        return came

    def ready(self) -> bool:
        """Whether there is a worker that a batch can be sent to."""
        return True

    def connected(self) -> bool:
        """Whether the workers can be reached: a batch that is lost meanwhile is not to blame."""
        return True

    def look_after(self) -> None:
        """See who came and who went."""

    def notices(self) -> list[str]:
        """What the owner should know of the workers, a line each."""
        return []

    def wind_down(self) -> None:
        """Workers begin no further file; batches come back as far as they got."""
        wind_down(self._scan)

    def close(self) -> None:
        """End everything that was started here."""
        wind_down(self._scan)
        close_decoders(self._scan)
        for _ in range(self.count):
            self._batches.put(None)
