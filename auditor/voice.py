"""What a command says at the terminal. A night's run outlives its terminal: what can be said no more goes
into the log, and the run goes on."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
from typing import TYPE_CHECKING, Any

from auditor.crawl.names import plain_text

if TYPE_CHECKING:
    from auditor.engine.runlog import RunLog

__all__ = ["Voice", "have_streams"]


def have_streams() -> None:
    """Where the program was started without output streams, what is meant for them goes nowhere.

    A closed descriptor would be given to the next file that is opened, and messages written into it.
    """
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        try:
            os.fstat(number)
        except OSError:
            with contextlib.suppress(OSError):
                while os.open(os.devnull, os.O_RDWR) < number:
                    pass
        if getattr(sys, name) is None:
            mode = "r" if name == "stdin" else "w"
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))  # noqa: SIM115


class _Forgiving:
    """A stream for somebody else's messages (a progress bar): one that is lost takes nothing along."""

    def __init__(self, voice: Voice, stream: Any) -> None:
        self._voice, self._stream = voice, stream

    def write(self, text: str) -> int:
        self._voice.attempt(self._stream, lambda: self._stream.write(text))
        return len(text)

    def flush(self) -> None:
        self._voice.attempt(self._stream, self._stream.flush)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


class Voice:
    """Lines on standard output and standard error, made fit for a terminal."""

    def __init__(self) -> None:
        self._log: RunLog | None = None
        self._lost: set[int] = set()

    def begin(self) -> None:
        """A command begins; what was true of one before is forgotten."""
        self._log = None
        self._lost.clear()

    def outlive(self, log: RunLog) -> None:
        """From now on lines that nobody can read go into `log`, and a terminal that is closed ends
        nothing."""
        self._log = log
        with contextlib.suppress(ValueError, AttributeError):  # not the main thread; no such signal
            if signal.getsignal(signal.SIGHUP) == signal.SIG_DFL:
                signal.signal(signal.SIGHUP, signal.SIG_IGN)

    def say(self, line: str) -> None:
        """One line on standard output. Raises OSError unless the command outlives its terminal."""
        self._line(sys.stdout, line)

    def tell(self, line: str) -> None:
        """One line on standard error; see `say`."""
        self._line(sys.stderr, line)

    def forgiving(self, stream: Any) -> Any:
        """The stream for other writers; what they can't write is lost."""
        return _Forgiving(self, stream)

    def _line(self, stream: Any, line: str) -> None:
        def write() -> None:
            stream.write(plain_text(line) + "\n")
            stream.flush()

        if not self.attempt(stream, write) and self._log is not None:
            self._log.line(plain_text(line))

    def attempt(self, stream: Any, write: Any) -> bool:
        """Whether writing went well; a stream that failed once is not tried again."""
        if id(stream) in self._lost:
            return False
        try:
            write()
            return True
        except (OSError, ValueError):
            if self._log is None:
                raise
            self._lost.add(id(stream))
            _drop(stream)
            return False


def _drop(stream: Any) -> None:
    """What still waits to be written goes nowhere, so that the end of the program does not fail too."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)
