"""Ctrl-C, a closing terminal or a polite kill: asked once, the scan ends in order; twice, at once."""

from __future__ import annotations

import contextlib
import signal
import threading
from typing import Any

__all__ = ["StopSignal"]

_WORDS = {
    "SIGINT": "stopped by Ctrl-C",
    "SIGTERM": "stopped from outside",
    "SIGHUP": "terminal closed",
}


class StopSignal:
    """Within the `with` block `asked` says in plain words who asked to stop, or is None."""

    def __init__(self) -> None:
        self.asked: str | None = None
        self._before: dict[signal.Signals, Any] = {}

    def __enter__(self) -> StopSignal:
        if threading.current_thread() is threading.main_thread():
            for name in _WORDS:
                number = getattr(signal, name, None)
                # What is ignored (nohup, a job in the background) stays ignored.
                if number is not None and signal.getsignal(number) != signal.SIG_IGN:
                    self._before[number] = signal.signal(number, self._handle)
        return self

    def __exit__(self, *exc: object) -> None:
        for number, handler in self._before.items():
            with contextlib.suppress(ValueError, TypeError):
                signal.signal(number, handler)

    def _handle(self, number: int, frame: object) -> None:
        if self.asked is not None and number == signal.SIGINT:
            raise KeyboardInterrupt
        self.asked = _WORDS[signal.Signals(number).name]
