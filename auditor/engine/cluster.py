"""The workers of a Dask cluster that is there already."""

from __future__ import annotations

import contextlib
import re
import threading
import time
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any, Final

from auditor.engine.batch import close_decoders, is_running, program_hash, warm_up, wind_down
from auditor.engine.messages import Job
from auditor.engine.options import ScanOptions
from auditor.engine.workers import ClusterError, Workers
from auditor.error_text import one_line

__all__ = ["Cluster"]

_ADDRESS: Final = re.compile(r"(?:[a-z]+://)?(\[[0-9a-fA-F:.]+\]|[^\s/:\[\]]+):(\d{1,5})/?")
_CONNECT_S: Final = 20.0
"""So long is a scheduler waited for."""
_CHECK_S: Final = 30.0
"""A worker that has not answered within so many seconds is not used."""
_MEET_S: Final = 5.0
"""Seconds between two checks of which workers came to the cluster and which left it."""
_CALL_S: Final = 3.0
"""Seconds that workers may take to answer a call."""
_NO_WORKER_S: Final = 90.0
"""So long may pass without an answer before it is looked whether any worker is left."""
_LOST_S: Final = 15.0
"""So long may the connection to a scheduler be interrupted."""


class Cluster(Workers):
    """Sends batches to the workers of a Dask cluster and gives back what they answer."""

    def __init__(self, address: str, options: ScanOptions) -> None:
        """`address` of the scheduler. Raises ClusterError."""
        self._address = address
        self._sent_to: dict[int, frozenset[str]] = {}
        self._usable: set[str] = set()
        self._refused: dict[str, str] = {}
        self._may_have_left = False  # a worker may have left since we looked
        self._last_look = self._connected = self._last_answer = time.monotonic()
        super().__init__(f"the cluster at {address}", options)

    def _start(self) -> None:
        self._connect()
        here = self._all()
        self.count = max(1, sum(here[address] for address in self._usable & here.keys()))
        # Decoders load their libraries while the first batches are still on their way.
        self._warming = [
            self._client.submit(warm_up, self._options, self._scan, pure=False, **_only([place]))
            for place in sorted(self._usable)
        ]

    def _connect(self) -> None:
        match = _ADDRESS.fullmatch(self._address)
        if match is None or not 0 < int(match[2]) < 2**16:
            raise ClusterError(
                f"'{self._address}' is no address of a scheduler; it looks like tcp://host:8786"
            )
        import distributed

        self._client = distributed.Client(
            self._address, timeout=f"{_CONNECT_S:g}s", set_as_default=False
        )
        self._check_programs(self._all())
        if not self._usable and self._refused:
            reasons = "; ".join(sorted(set(self._refused.values())))
            raise ClusterError(
                f"no worker of the cluster at {self._address} can be used: {reasons}"
            )

    # -- which workers can be used -------------------------------------------------------------------

    def _all(self) -> dict[str, int]:
        """Threads of every worker connected, by its address."""
        with contextlib.suppress(Exception):
            found = self._client.scheduler_info(n_workers=-1)["workers"]
            return {address: int(w.get("nthreads") or 1) for address, w in found.items()}
        return {}

    def _check_programs(self, here: Iterable[str]) -> None:
        """Ask workers not met before which copy of this program they have."""
        new = [w for w in here if w not in self._usable and w not in self._refused]
        answers = self._ask(program_hash, new, _CHECK_S)
        for worker in new:
            answer = answers.get(worker)
            if answer == program_hash():
                self._usable.add(worker)
            elif isinstance(answer, Exception):
                self._refused[worker] = f"auditor cannot be loaded there ({one_line(answer)})"
            elif answer is None:
                self._refused[worker] = f"no answer within {_CHECK_S:g} s (is auditor there?)"
            else:
                why = "another copy of auditor is installed there: install this one"
                self._refused[worker] = why

    def _ask(
        self, function: Any, workers: Iterable[str], seconds: float, *of: Any
    ) -> dict[str, Any]:
        """What workers answer, by their address; one that is busy or gone is waited for so long."""
        answers: dict[str, Any] = {}

        def ask(worker: str) -> None:
            with contextlib.suppress(Exception):
                answers.update(self._client.run(function, *of, workers=[worker], on_error="return"))

        threads = [threading.Thread(target=ask, args=(w,), daemon=True) for w in workers]
        for thread in threads:
            thread.start()
        until = time.monotonic() + seconds
        for thread in threads:
            thread.join(max(until - time.monotonic(), 0))
        return answers.copy()

    def notices(self) -> list[str]:
        """A line for each reason why workers of the cluster are not used."""
        return [
            f"{n} worker{'s' * (n > 1)} of the cluster not used: {why}"
            for why, n in sorted(Counter(self._refused.values()).items())
        ]

    def check_workers(self) -> None:
        """Meet workers that came late, and take back what those that left had. Raises ClusterError
        when the scheduler is lost, or no worker is left."""
        now = time.monotonic()
        if self._client.status == "running":
            self._connected = now
        elif now - self._connected > _LOST_S or self._client.status == "closed":
            raise ClusterError(
                f"the scheduler at {self._address} does not answer any more; all that was measured "
                "is kept: run again to go on, with --cluster once it is back"
            )
        if now - self._last_look > _MEET_S and self.connected() and (here := self._all()):
            self._check_programs(here)
            self._may_have_left = not self._usable <= here.keys()
            # Workers come back under another address; a batch for the old ones would wait for ever.
            for ticket in [t for t, to in self._sent_to.items() if not to & here.keys()]:
                self._take_back(ticket, "its workers left the cluster")
            self._last_look = time.monotonic()
        if now - self._last_answer > _NO_WORKER_S:
            if not self._usable & self._all().keys():
                raise ClusterError("no worker is left and none comes back; run again to go on")
            self._take_back_lost()
            self._last_answer = now

    def _take_back_lost(self) -> None:
        """Take back what was sent and no worker is at: Dask can lose a task whose worker goes while another
        comes, and nobody would ever answer. What the scheduler says of it may be as old as that, so the
        workers are asked."""
        if self.connected() and not self._any_running():
            for ticket in list(self._sent_to):
                self._take_back(ticket, "the cluster lost it")

    def _any_running(self) -> bool:
        """Whether any worker runs a batch, as far as they answer in time; True where none does."""
        answers = self._ask(is_running, self._usable & self._all().keys(), _CALL_S, self._scan)
        return not answers or any(answers.values())

    def _take_back(self, ticket: int, why: str) -> None:
        self._results.put((ticket, ClusterError(why)))
        self._futures[ticket].cancel()

    def ready(self) -> bool:
        """Whether there is a worker that a batch can be sent to."""
        if self._may_have_left and self.connected():
            self._usable &= self._all().keys()
            self._may_have_left = not self._usable
        return bool(self._usable)

    # -- batches out, answers back -------------------------------------------------------------------

    def _where(self) -> dict[str, Any]:
        return _only(self._usable)

    def submit(self, ticket: int, jobs: Sequence[Job]) -> None:
        """Send one batch; its outcome arrives under `ticket`."""
        self._sent_to[ticket] = frozenset(self._usable)
        super().submit(ticket, jobs)

    def _done(self, ticket: int, future: Any) -> None:
        self._may_have_left |= future.status != "finished"
        super()._done(ticket, future)

    def arrived(self, wait: float) -> list[tuple[int, Any]]:
        """(ticket, answer or exception) of the batches that came back; waits up to `wait` s for one."""
        arrived = super().arrived(wait)
        for ticket, _ in arrived:
            self._sent_to.pop(ticket, None)
        if arrived or (self._usable and not self._futures):
            self._last_answer = time.monotonic()
        return arrived

    def wind_down(self) -> None:
        """Workers begin no further file; batches come back as far as they got."""
        if self.connected():
            self._ask(wind_down, self._usable, _CALL_S, self._scan)

    def _end(self) -> None:
        # The cluster stays as it was found.
        self.wind_down()
        if self.connected():
            self._ask(close_decoders, self._usable, _CALL_S, self._scan)


def _only(workers: Iterable[str]) -> dict[str, Any]:
    """That a task may run on these workers alone."""
    return {"workers": sorted(workers), "allow_other_workers": False}
