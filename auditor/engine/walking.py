"""What a scan finds in an archive, and what it finds again.

The walk runs in a thread of its own: a share that stalls must not stall the rest. Of the folders given it is known
which held a picture, so that none is passed over without a word. Known files may be no longer there; an archive that
is not mounted has not lost its pictures.
"""

from __future__ import annotations

import contextlib
import os
import queue
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from auditor.crawl.entries import FileEntry, Skipped
from auditor.crawl.names import on_disk, path_prefixes, printable, root_name
from auditor.engine.file_bytes import is_url
from auditor.error_text import one_line

if TYPE_CHECKING:
    from auditor.engine.ledger import Ledger

__all__ = ["Find", "RootsFound", "Walk", "settle_departed"]


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


_PATIENCE_S: Final = 60.0
"""So long may pass without any file found gone before a folder is taken for silent."""


def settle_departed(ledger: Ledger, found: RootsFound) -> list[str]:
    """Mark what is no longer there; never when the archive itself seems to be missing.

    A file counts as gone when it lies under a root in which this scan found files, in a folder that could be
    read, or was found elsewhere by its content, and asking for it by name says that it does not exist. Returns
    what to say of roots in which nothing was found, of folders whose disk seems to be missing, and of folders
    that do not answer.
    """
    planner = ledger.planner
    unseen = np.flatnonzero(~planner.seen & ~planner.known.gone)
    suspects, notices = _suspects(ledger, unseen, found)
    departed = _find_missing(suspects, ledger, notices) if suspects else []
    ledger.mark_gone(departed)
    planner.known.gone[departed] = True
    return notices


def _suspects(
    ledger: Ledger, unseen: np.ndarray, found: RootsFound
) -> tuple[list[tuple[int, str]], list[str]]:
    """(index and path of known rows that may be gone, notices of roots in which nothing was found)."""
    paths = [on_disk(str(p)) for p in ledger.store.paths(ledger.planner.known, unseen.tolist())]
    reachable = path_prefixes(found.walked)
    unread = path_prefixes(on_disk(path) for path, _ in ledger.summary.unread)
    departed = np.zeros(len(ledger.planner.known), bool)
    departed[unseen] = [p.startswith(reachable) and not p.startswith(unread) for p in paths]
    if ledger.new_places and len(unseen):
        # What is found in a new place lay there before, unless files missing here tell where it came from.
        ids = ledger.planner.known.ids
        ledger.new_places.difference_update(ids[departed].tolist())
        departed[unseen] |= np.isin(ids[unseen], list(ledger.new_places))
    known = list(zip(unseen.tolist(), paths, strict=True))
    notices = []
    for root in found.empty():
        inside = path_prefixes([root])
        kept = sum(not departed[index] and path.startswith(inside) for index, path in known)
        notices.append(
            f"{printable(root)}: nothing found (is the drive mounted?); frames known from there and kept: "
            f"{kept:,}"
            if kept
            else f"no picture was found in {printable(root)}; check that the folder is the right one, and "
            "that its disk or share is there"
        )
    return [(i, path) for i, path in known if departed[i]], notices


def _find_missing(suspects: list[tuple[int, str]], ledger: Ledger, notices: list[str]) -> list[int]:
    """Those that do not exist, asked in a thread: a dead share may never answer. Its patience is spent once in a
    scan."""
    silent = "a folder does not answer; files missing from the archive are kept for now"
    if ledger.silent:
        notices.append(silent)
        return []
    made = ledger.store.folder / "version.json"
    answers: list[int | str] = []

    def ask() -> None:
        for index, path in suspects:
            try:
                if not is_url(path):  # of an address the listing of its folder has told it
                    os.lstat(path)
                    continue
            except (FileNotFoundError, NotADirectoryError):
                answers.append(_uncovered(path, made) or index)
            except OSError:
                continue
            else:
                answers.append(index)

    asking, before = threading.Thread(target=ask, daemon=True), -1
    asking.start()
    while asking.is_alive() and len(answers) > before:
        before = len(answers)
        asking.join(_PATIENCE_S)
    if asking.is_alive():
        ledger.silent = True
        notices.append(silent)
    told = answers.copy()
    away = Counter(answer for answer in told if isinstance(answer, str))
    notices += [
        f"{printable(folder)}: empty, and unchanged since before the first run (is its disk mounted? or remove "
        f"the empty folder if its pictures were deleted); frames known from there and kept: {count:,}"
        for folder, count in away.items()
    ]
    return [answer for answer in told if isinstance(answer, int)]


def _uncovered(path: str, made: Path) -> str | None:
    """The folder on the way to a missing file that a disk must have covered: an empty one in which nothing has
    changed since the store was `made` (a file of it that never changes), not even by deleting (POSIX, unlink)."""
    folder = os.path.dirname(path)
    while not os.path.isdir(folder) and folder != os.path.dirname(folder):
        folder = os.path.dirname(folder)
    try:
        unchanged = os.stat(folder).st_mtime_ns < made.stat().st_mtime_ns
        return folder if unchanged and not os.listdir(folder) else None
    except OSError:
        return None
