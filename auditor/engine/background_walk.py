"""The walk through the archive, in a thread of its own: a share that stalls must not stall the rest."""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Final

from auditor.crawl.entries import FileEntry, Skipped
from auditor.error_text import one_line

__all__ = ["Find", "Walk"]

CHUNK: Final = 2048
"""Files handed on together ..."""
CHUNK_S: Final = 0.1
"""... or those of so many seconds, so that measuring begins at once."""
TAKEN: Final = 16
"""Chunks taken at a time: the scan has more to do than to listen."""
AHEAD: Final = 100
"""The walk runs ahead by at most so many chunks, so that memory stays bounded."""

Chunk = list[FileEntry | Skipped]
Find = Callable[[Sequence[str | Path]], Iterable[FileEntry | Skipped]]


class Walk:
    """Runs `find(roots)` in the background and hands on what it yields, in chunks."""

    def __init__(self, find: Find, roots: Sequence[str | Path]) -> None:
        self.ended = False
        self.error: str | None = None
        self._chunks: queue.Queue[Chunk | None] = queue.Queue(maxsize=AHEAD)
        self._given_up = False
        self._thread = threading.Thread(target=self._run, args=(find, roots), daemon=True)
        self._thread.start()

    def _run(self, find: Find, roots: Sequence[str | Path]) -> None:
        chunk: Chunk = []
        since = time.monotonic()
        try:
            for item in find(roots):
                if self._given_up:
                    return
                chunk.append(item)
                if len(chunk) >= CHUNK or time.monotonic() - since > CHUNK_S:
                    self._put(chunk)
                    chunk, since = [], time.monotonic()
        except Exception as error:
            self.error = f"{type(error).__name__}: {one_line(error)}"
        finally:
            self._put(chunk)
            self._put(None)

    def _put(self, chunk: Chunk | None) -> None:
        while not self._given_up:
            try:
                self._chunks.put(chunk, timeout=0.5)
                return
            except queue.Full:
                continue

    def take(self, wait: float) -> list[Chunk]:
        """The next chunks, at most `TAKEN`; [] when none came within `wait` s, or at the end."""
        chunks: list[Chunk] = []
        with contextlib.suppress(queue.Empty):
            while len(chunks) < TAKEN:
                first = wait and not chunks
                chunk = self._chunks.get(timeout=wait) if first else self._chunks.get_nowait()
                if chunk is None:
                    self.ended = True
                    break
                chunks.append(chunk)
        return chunks

    def give_up(self) -> None:
        """Let the thread end at the next file; nobody waits for it."""
        self._given_up = True
