"""The workers that batches go to: Dask within this process, or a Dask cluster that is there already."""

from __future__ import annotations

import contextlib
import logging
import queue
import re
import secrets
import shutil
import signal
import threading
import time
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, Final

from ..error_text import one_line
from .batch import at_work, close_decoders, copy_of_program, run_batch, warm_up, wind_down
from .messages import DecoderSettings, Job

__all__ = ["ClusterError", "Workers"]

_CONFIG: Final[dict[str, Any]] = {
    # A batch that took its worker down is split by us, rather than tried on worker after worker.
    "distributed.scheduler.allowed-failures": 0,
    # A machine that slept is not a machine whose workers died.
    "distributed.scheduler.worker-ttl": None,
    "distributed.admin.tick.limit": "1h",
    # Watching itself took a twentieth of the cores: a hundred samples of its stack and fifty ticks a
    # second, of which nobody reads anything.
    "distributed.worker.profile.enabled": False,
    "distributed.admin.tick.interval": "1s",
    "distributed.admin.system-monitor.interval": "10s",
    "distributed.admin.system-monitor.disk": False,
    "distributed.worker.use-file-locking": False,
    "distributed.diagnostics.nvml": False,
    "distributed.scheduler.http.routes": [],
    "distributed.worker.http.routes": [],
}
"""Settings of Dask for a scan."""
_ADDRESS: Final = re.compile(r"(?:[a-z]+://)?(\[[0-9a-fA-F:.]+\]|[^\s/:\[\]]+):(\d{1,5})/?")
_CONNECT_S: Final = 20.0
"""So long is a scheduler waited for."""
_GREET_S: Final = 30.0
"""A worker that has not answered by then is not counted on."""
_MEET_S: Final = 5.0
"""So often is looked who came to the cluster and who left it."""
_TELL_S: Final = 3.0
"""So long workers may take to hear that the scan ends."""
_LOOK_S: Final = 0.1
"""Pause between two looks at who has answered."""
_TOKEN_BYTES: Final = 8
"""Random bytes that name a scan: two on one cluster never share them by chance."""
_LOST_S: Final = 15.0
"""So long may the connection to a scheduler be interrupted."""


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


def _silence() -> None:
    for name in ("distributed", "distributed.scheduler", "tornado", "asyncio"):
        logging.getLogger(name).setLevel(logging.CRITICAL)


class Workers:
    """Sends batches to Dask workers and gives back what they answer."""

    def __init__(
        self, count: int, address: str | None, settings: DecoderSettings, scratch: Path
    ) -> None:
        """`count` threads here, or those of the cluster at `address`; `scratch`: a folder of our own.
        Raises ClusterError."""
        self._results: queue.Queue[tuple[int, Any]] = queue.Queue()
        self._settings, self._scratch, self._address = settings, scratch, address
        self._scan = secrets.token_hex(_TOKEN_BYTES)
        self._futures: dict[int, Any] = {}
        self._sent_to: dict[int, frozenset[str]] = {}
        self._cluster: Any = None
        self._client: Any = None
        self._over = threading.Event()
        self._good: set[str] = set()
        self._refused: dict[str, str] = {}
        self._doubtful = False  # a worker may have left since we looked
        self._looked = self._connected = time.monotonic()
        _silence()
        try:
            with _terminal_signals_blocked():
                if address is None:
                    self._warm_up_here(count)
                import dask
                import distributed  # noqa: F401  (its settings must be there before ours)

                with dask.config.set(_CONFIG):
                    self._connect(count)
        except ClusterError:
            self.close()
            raise
        except Exception as error:
            self.close()
            where = f"the cluster at {address}" if address else "the workers of this machine"
            said = one_line(error) or type(error).__name__
            raise ClusterError(f"{where} cannot be used ({said})") from error
        self.count = max(1, self._threads()) if address else count
        if address is not None:
            # Decoders load their libraries while the first batches are still on their way.
            self._warming = [
                self._client.submit(warm_up, settings, self._scan, pure=False, **self._only(place))  # type: ignore[attr-defined]
                for place in sorted(self._good)
            ]

    def _warm_up_here(self, count: int) -> None:
        """Have decoders load their libraries while this process loads its own."""

        def start() -> None:
            with contextlib.suppress(Exception):  # the first batch tells what is wrong
                warm_up(self._settings, self._scan)
            self._over.wait()  # the kernel ends a decoder with the thread that started it

        for _ in range(count):
            threading.Thread(target=start, daemon=True).start()

    def _connect(self, count: int) -> None:
        import distributed

        if self._address is None:
            from .in_process_cluster import cluster_in_process

            shutil.rmtree(self._scratch, ignore_errors=True)  # of a run that was killed
            self._cluster = cluster_in_process(count, self._scratch)
            self._client = distributed.Client(self._cluster, set_as_default=False)
            return
        match = _ADDRESS.fullmatch(self._address)
        if match is None or not 0 < int(match[2]) < 2**16:
            raise ClusterError(
                f"'{self._address}' is no address of a scheduler; it looks like tcp://host:8786"
            )
        self._client = distributed.Client(
            self._address, timeout=f"{_CONNECT_S:g}s", set_as_default=False
        )
        self._greet(self._all())
        if not self._good and self._refused:
            told = "; ".join(sorted(set(self._refused.values())))
            raise ClusterError(f"no worker of the cluster at {self._address} can be used: {told}")

    # -- which workers of a cluster can be used ------------------------------------------------------

    def _all(self) -> dict[str, int]:
        """Threads of every worker connected, by its address."""
        with contextlib.suppress(Exception):
            found = self._client.scheduler_info(n_workers=-1)["workers"]
            return {address: int(w.get("nthreads") or 1) for address, w in found.items()}
        return {}

    def _threads(self) -> int:
        return sum(n for address, n in self._all().items() if address in self._good)

    def _greet(self, here: Iterable[str]) -> None:
        """Ask workers not met before which copy of this program they have."""
        asked = {
            w: self._client.submit(
                copy_of_program, pure=False, workers=[w], allow_other_workers=False
            )
            for w in here
            if w not in self._good and w not in self._refused
        }
        until = time.monotonic() + _GREET_S
        while time.monotonic() < until and asked:
            for worker in [w for w, f in asked.items() if f.status != "pending"]:
                self._answered(worker, asked.pop(worker))
            # One that can't load what it was sent leaves, and its question stays open.
            left = asked.keys() - self._all().keys() if self.connected() else set()
            self._no_answer(asked, left, "left when it was asked (is auditor installed there?)")
            time.sleep(_LOOK_S if asked else 0.0)
        silent = f"no answer within {_GREET_S:g} s (is auditor installed there?)"
        self._no_answer(asked, set(asked), silent)

    def _answered(self, worker: str, future: Any) -> None:
        if future.status != "finished":
            said = one_line(future.exception())
            self._refused[worker] = f"auditor cannot be loaded there ({said})"
        elif future.result() == copy_of_program():
            self._good.add(worker)
        else:
            self._refused[worker] = "another copy of auditor is installed there: install this one"

    def _no_answer(self, asked: dict[str, Any], workers: Iterable[str], why: str) -> None:
        for worker in workers:
            asked.pop(worker).cancel()
            self._refused[worker] = why

    def notices(self) -> list[str]:
        """A line for each reason why workers of the cluster are not used."""
        by_reason: dict[str, int] = {}
        for why in self._refused.values():
            by_reason[why] = by_reason.get(why, 0) + 1
        return [
            f"{n} worker{'s' * (n > 1)} of the cluster not used: {why}"
            for why, n in sorted(by_reason.items())
        ]

    def look_after(self) -> None:
        """Meet workers that came late, and take back what those that left had. Raises ClusterError
        when the scheduler is lost."""
        if self._address is None:
            return
        now = time.monotonic()
        if self._client.status == "running":
            self._connected = now
        elif now - self._connected > _LOST_S or self._client.status == "closed":
            raise ClusterError(
                f"the scheduler at {self._address} does not answer any more; all that was measured "
                "is kept: run again to go on, with --cluster once it is back"
            )
        if now - self._looked > _MEET_S and self.connected() and (here := self._all()):
            self._greet(here)
            self._doubtful = not self._good <= here.keys()
            # Workers come back under another address; a batch for the old ones would wait for ever.
            for ticket in [t for t, to in self._sent_to.items() if not to & here.keys()]:
                self._take_back(ticket, "its workers left the cluster")
            self._looked = time.monotonic()

    def take_back_lost(self) -> None:
        """Take back what a cluster was sent and no worker is at: Dask can lose a task whose worker goes
        while another comes, and nobody would ever answer. What the scheduler says of it may be as old as
        that, so the workers are asked."""
        if self._address is None or not self.connected() or self._at_work():
            return
        for ticket in list(self._sent_to):
            self._take_back(ticket, "the cluster lost it")

    def _at_work(self) -> bool:
        """Whether any worker runs a batch, as far as they answer in time; True where none does."""
        answers = self._ask_all(at_work, self._good & self._all().keys())
        return not answers or any(answers.values())

    def _take_back(self, ticket: int, why: str) -> None:
        self._results.put((ticket, ClusterError(why)))
        self._futures[ticket].cancel()

    def ready(self) -> bool:
        """Whether there is a worker that a batch can be sent to."""
        if self._doubtful and self.connected():
            self._good &= self._all().keys()
            self._doubtful = not self._good
        return self._address is None or bool(self._good)

    def connected(self) -> bool:
        """Whether the scheduler answers."""
        return self._client is not None and self._client.status == "running"

    def alive(self) -> int:
        """How many workers that can be used are connected."""
        found = self._all()
        return len(found) if self._address is None else sum(w in self._good for w in found)

    # -- batches out, answers back -------------------------------------------------------------------

    def _only(self, place: str | None = None) -> dict[str, Any]:
        if self._address is None:
            return {}
        return {"workers": [place] if place else sorted(self._good), "allow_other_workers": False}

    def submit(self, ticket: int, jobs: Sequence[Job]) -> None:
        """Send one batch; its outcome arrives under `ticket`."""
        future = self._client.submit(
            run_batch,
            list(jobs),
            self._settings,
            self._scan,
            pure=False,
            key=f"batch-{ticket}-{self._scan}",
            priority=-ticket,  # first come, first served
            **self._only(),
        )
        self._futures[ticket] = future
        if self._address is not None:
            self._sent_to[ticket] = frozenset(self._good)
        future.add_done_callback(lambda f: self._done(ticket, f))

    def _done(self, ticket: int, future: Any) -> None:
        try:
            answer = future.result()
        except BaseException as error:
            answer = error
            self._doubtful = self._address is not None
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
            self._sent_to.pop(ticket, None)
        return came

    def _everywhere(self, what: Any) -> None:
        """Have every worker do something about this scan; one that is busy or gone is not waited for."""
        if self._address is None:
            what(self._scan)
        elif self.connected():
            self._ask_all(what, self._good)

    def _ask_all(self, what: Any, workers: Iterable[str]) -> dict[str, Any]:
        """What these workers answer, of those that do in time."""
        answers: dict[str, Any] = {}

        def ask() -> None:
            with contextlib.suppress(Exception):
                answers.update(
                    self._client.run(what, self._scan, workers=sorted(workers), on_error="ignore")
                )

        thread = threading.Thread(target=ask, daemon=True)
        thread.start()
        thread.join(_TELL_S)
        return answers

    def wind_down(self) -> None:
        """Workers begin no further file; batches come back as far as they got."""
        self._everywhere(wind_down)

    def close(self) -> None:
        """End everything that was started here; leave a cluster of others as it was found."""
        self._everywhere(wind_down)
        self._everywhere(close_decoders)
        self._over.set()
        self._futures.clear()
        for what, seconds in ((self._client, 2), (self._cluster, 3)):
            if what is not None:
                with contextlib.suppress(Exception):
                    what.close(timeout=seconds)
        if self._address is None:
            shutil.rmtree(self._scratch, ignore_errors=True)
