"""A worker's decoder process: hands it files, waits for its answers, replaces it when it fails."""

from __future__ import annotations

import contextlib
import math
import os
import queue
import signal
import subprocess
import sys
import threading
import time
from collections import deque
from dataclasses import asdict
from typing import Any, Final

from auditor import safe_path
from auditor.engine.messages import Identity, Job, receive, send, wanted_memory
from auditor.engine.options import ScanOptions
from auditor.error_text import one_line

__all__ = ["ENVIRONMENT", "Decoder", "DecoderBroken"]

ENVIRONMENT: Final = {
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
    "MALLOC_MMAP_THRESHOLD_": str(2**28),
    "MALLOC_TRIM_THRESHOLD_": str(2**29),
    "MALLOC_TOP_PAD_": str(2**26),
}
"""One thread, for there is one process per core. Frames come and go in blocks of megabytes: kept by
the process instead of being handed back and asked for anew (glibc's mallopt), they spare more time
than decoding takes."""
_EXTERNAL_SIGNALS: Final = (
    *(signal.SIGKILL, signal.SIGTERM, signal.SIGHUP),
    *(signal.SIGINT, signal.SIGQUIT),
)
"""What ends a process from outside; a decoder that goes wrong ends by other signals."""
_TICK_S: Final = 1.0
"""Waiting is counted in ticks of so long: those of a machine that sleeps are not counted."""
_HANGS: Final = 10.0
"""Times the core time that a file may take, after which a process hangs: it may have a tenth of a core."""
_START_S: Final = 120.0
"""So long a decoder may take to load its libraries, on a slow disk or a busy machine."""
_KILLED_S: Final = 10.0
"""So long is waited for a process that was killed; the kernel may be busy writing for it."""
_DIED_S: Final = 5.0
"""So long is waited for the status of a process whose answers have ended."""
_KEPT_LINES: Final = 40
"""Last lines of what a decoder printed that are kept ..."""
_LINE_BYTES: Final = 2000
"""... and how much of each, for libraries print without end."""
_STARTS: Final = (0.0, 0.5, 3.0)
"""Seconds before each attempt to start a decoder. One that dies as it starts was ended by something
outside (memory that ran out, as a rule), which may pass."""
_RECYCLE_AFTER: Final = 3000
"""A decoder is replaced after so many files, whatever its libraries may have leaked by then."""


class DecoderBroken(OSError):
    """The decoder process cannot even start; the message says why."""


class Decoder:
    """One decoder process at a time, which keeps to the limits of `options`."""

    def __init__(self, options: ScanOptions) -> None:
        self.options = options
        self._process: subprocess.Popen[bytes] | None = None
        self._answers: queue.Queue[Any] = queue.Queue()
        self._stderr_tail: deque[bytes] = deque(maxlen=_KEPT_LINES)
        self._served = 0
        self._closed = False
        self._changing = threading.Lock()
        self._starting = threading.Lock()

    # -- life of the process ---------------------------------------------------------------------

    def start(self) -> None:
        """Start the process if there is none; returns once it has its libraries loaded.

        Raises DecoderBroken when it says why it can't, or died without a word each time.
        """
        with self._starting:  # another thread may be at it
            self._start()

    def _start(self) -> None:
        if self._process is not None and self._process.poll() is None:
            return
        for pause in _STARTS:
            self.stop()
            time.sleep(pause)
            try:
                answer = self._launch()
            except DecoderBroken:
                raise
            except (OSError, RuntimeError) as error:  # no process, pipe or thread is to be had
                why = one_line(error)
                continue
            if answer == ["ready"]:
                return
            explained = isinstance(answer, list) and len(answer) > 1
            why = answer[1] if explained else self.diagnosis()
            if explained:
                break
        self.stop()
        raise DecoderBroken(f"the decoder process does not start: {why}")

    def _launch(self) -> Any:
        """Start the process; what it says first."""
        env = os.environ | ENVIRONMENT | safe_path.ENVIRONMENT
        env["PYTHONPATH"] = os.pathsep.join(safe_path.search_path())
        with self._changing:
            if self._closed:
                raise DecoderBroken("the scan has ended")
            self._process = process = subprocess.Popen(
                [sys.executable, "-P", "-m", "auditor.engine.decoder_process"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                env=env,
            )
        self._answers = queue.Queue()
        self._stderr_tail = deque(maxlen=_KEPT_LINES)
        self._served = 0
        for target in (self._read_answers, self._read_stderr):
            threading.Thread(target=target, args=(process,), daemon=True).start()
        self._send(asdict(self.options))
        return self._wait(_START_S)

    def _read_answers(self, process: subprocess.Popen[bytes]) -> None:
        answers = self._answers
        with contextlib.suppress(Exception):
            while (message := receive(process.stdout)) is not None:  # type: ignore[arg-type]
                answers.put(message)
        answers.put(None)

    def _read_stderr(self, process: subprocess.Popen[bytes]) -> None:
        tail = self._stderr_tail
        with contextlib.suppress(Exception):
            for line in iter(lambda: process.stderr.readline(_LINE_BYTES), b""):  # type: ignore[union-attr]
                tail.append(line)

    def _send(self, message: Any) -> None:
        process = self._process
        if process is None:
            return
        with contextlib.suppress(OSError, ValueError):  # a dead process is noticed by its answers
            send(process.stdin, message)  # type: ignore[arg-type]

    def stop(self, for_good: bool = False) -> None:
        """End the process, at once and for certain; `for_good`: no other is ever started."""
        with self._changing:
            self._closed = self._closed or for_good
            process, self._process = self._process, None
        if process is None:
            return
        with contextlib.suppress(OSError):
            process.kill()
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(_KILLED_S)
        for stream in (process.stdin, process.stdout, process.stderr):
            with contextlib.suppress(OSError, ValueError):
                stream.close()  # type: ignore[union-attr]

    def diagnosis(self) -> str:
        """The last line that the process printed."""
        lines = [
            x
            for x in b"".join(self._stderr_tail).decode("utf-8", "replace").splitlines()
            if x.strip()
        ]
        return lines[-1].strip()[:300] if lines else "nothing said"

    # -- one file --------------------------------------------------------------------------------

    def measure(self, job: Job) -> list[Any]:
        """One file's outcome: ['row', ...], ['tags', ...], ['same', ...], ['unreadable', ...] or
        ['failed', ...] (see `decoder_process`).

        ['failed', reason, what is known of the content, diagnosis, whether that may pass]. A file that ends its process is
        tried once more in a fresh one before it is blamed, because an earlier file may have damaged
        the process, or something outside may have ended it.
        """
        for _ in range(2):
            if self._served >= _RECYCLE_AFTER:
                self.stop()
            self.start()
            outcome, at_fault = self._attempt(job)
            if at_fault:
                break
        return outcome

    def _attempt(self, job: Job) -> tuple[list[Any], bool]:
        """The outcome, and whether that is certain: a process that died may have been ended by something else."""
        limits = self.options
        self._served += 1
        self._send(job)
        identity: Identity | None = None
        limit = f"could not be read: no data came for {limits.stall_seconds:g} s"
        answer = self._wait(limits.stall_seconds)
        if isinstance(answer, list) and answer[0] == "read":
            identity = answer[1]
            # A process that computes ends itself in time (`decoder_process`); one that sleeps has to be ended.
            seconds = max(limits.stall_seconds, _HANGS * limits.seconds_per_file)
            limit = f"gave no answer for {seconds:g} s"
            answer = self._wait(seconds)
        if isinstance(answer, list):
            if answer[0] == "failed":
                return [*answer[:2], identity, self.diagnosis(), answer[2]], True
            return answer, True
        process = self._process
        if process is None:
            raise DecoderBroken("the scan has ended")
        reason, passing, certain = limit, True, True
        if answer is None:
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(_DIED_S)
            reason, passing, certain = self._cause(process.returncode)
        diagnosis = self.diagnosis()
        self.stop()
        return ["failed", reason, identity, diagnosis, passing], certain

    def _cause(self, code: int | None) -> tuple[str, bool, bool]:
        """Why a process ended, by its status; whether that may pass; whether the file is certain to be the cause."""
        limits = self.options
        if b"bad_alloc" in b"".join(self._stderr_tail):
            return wanted_memory(limits.memory_mb), True, False
        if code == -signal.SIGPROF:
            return f"took longer than {limits.seconds_per_file:g} s", True, True
        if code is not None and -code in _EXTERNAL_SIGNALS:
            why = "its worker was ended from outside, twice (perhaps the machine ran out of memory)"
            return why, True, False
        how = f"exit status {code}"
        if code is not None and code < 0:
            with contextlib.suppress(ValueError):
                how = signal.Signals(-code).name
        return f"crashed the decoder ({how})", False, False

    def _wait(self, seconds: float) -> Any:
        """The next answer; None when the process died, 'time' when none came for so long."""
        for _ in range(math.ceil(seconds / _TICK_S)):
            with contextlib.suppress(queue.Empty):
                return self._answers.get(timeout=min(_TICK_S, seconds))
        return "time"
