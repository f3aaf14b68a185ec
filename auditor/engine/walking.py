"""The walk through the archive, in a thread of its own: a share that stalls must not stall the rest; and which of
the folders given held a picture, so that none is passed over without a word."""

from __future__ import annotations

import contextlib
import os
import queue
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Final

from auditor.crawl.entries import FileEntry, Skipped
from auditor.crawl.names import path_prefixes, root_name
from auditor.engine.file_bytes import is_url
from auditor.error_text import one_line

__all__ = ["Find", "RootsFound", "Walk"]


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


class RootsFound:
    """Takes what the walk finds; what lies in two roots, by a link too, counts for both."""

    def __init__(self, roots: Sequence[str | Path]) -> None:
        names = {root_name(r): None for r in roots}
        self._real = {n: n if is_url(n) else os.path.realpath(n) for n in names}
        self._empty = dict(self._real)
        self.walked: set[str] = set()
        """Roots under which files were found that can be read."""

    def take(self, found: Iterable[FileEntry | Skipped]) -> None:
        """Pictures, and folders that cannot be read: these are told by themselves."""
        for item in found:
            if isinstance(item, FileEntry):
                self.walked.add(item.root)
                self._empty.pop(item.root, None)
            elif not (item.picture or item.unreadable):
                continue
            if self._empty:
                self._held(item.path)

    def _held(self, path: str) -> None:
        # By names alone: asking a disk for each of a million files takes long, and for ever where it is stuck.
        places = [f"{path}/"]
        for name, real in self._real.items():
            if places[0].startswith(path_prefixes([name])):
                places.append(f"{real}{path[len(name) :]}/")
        for name, real in list(self._empty.items()):
            if any(place.startswith(path_prefixes([name, real])) for place in places):
                del self._empty[name]

    def empty(self) -> list[str]:
        """The roots in which nothing was found."""
        return list(self._empty)
