"""Which known files are no longer there. An archive that is not mounted has not lost its pictures."""

from __future__ import annotations

import os
import queue
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from ..crawl.names import on_disk, root_name
from .file_bytes import is_url

if TYPE_CHECKING:
    from .ledger import Ledger

__all__ = ["settle_departed"]

_PATIENCE_S: Final = 60.0
"""So long may pass without any file found gone before a folder is taken for silent."""


def settle_departed(ledger: Ledger, roots: Sequence[str | Path], roots_seen: set[str]) -> None:
    """Mark what is no longer there; never when the archive itself seems to be missing.

    A file counts as gone when it lies under a root in which this scan found files (`roots_seen`), or was
    found elsewhere by its content, and asking for it by name says that it does not exist.
    """
    planner, notices = ledger.planner, ledger.summary.notices
    unseen = np.flatnonzero(~planner.seen & ~planner.known.gone)
    if not len(unseen):
        return
    suspects, absent = _suspects(ledger, unseen, roots, roots_seen)
    departed = _ask(suspects, absent)
    notices += [n for n in absent if n not in notices]
    ledger.mark_gone(departed)
    planner.known.gone[departed] = True


def _suspects(
    ledger: Ledger, unseen: np.ndarray, roots: Sequence[str | Path], roots_seen: set[str]
) -> tuple[list[tuple[int, str]], list[str]]:
    """(index and path of known rows that may be gone, notices of roots that seem to be missing)."""
    paths = [on_disk(str(p)) for p in ledger.store.paths(ledger.planner.known, unseen.tolist())]
    asked = {root_name(r) for r in roots}
    alive = tuple(_with_end(r) for r in roots_seen)
    silent = [r for r in sorted(asked) if not any(s.startswith(_with_end(r)) for s in alive)]
    suspects: list[tuple[int, str]] = []
    missing: dict[str, int] = {}
    for index, path in zip(unseen.tolist(), paths, strict=True):
        if path.startswith(alive) or index in ledger.moved_from:
            suspects.append((index, path))
            continue
        for root in silent:
            if path.startswith(_with_end(root)):
                missing[root] = missing.get(root, 0) + 1
    notices = [
        f"{root}: nothing found, though {n} frames are known from there; they are kept "
        "(is the drive mounted?)"
        for root, n in missing.items()
    ]
    return suspects, notices


def _with_end(root: str) -> str:
    return root.rstrip("/" + os.sep) + ("/" if is_url(root) else os.sep)


def _ask(suspects: list[tuple[int, str]], notices: list[str]) -> list[int]:
    """Those that do not exist, asked in a thread: a dead share may never answer."""
    answers: queue.Queue[int | None] = queue.Queue()

    def work() -> None:
        for index, path in suspects:
            if is_url(path):
                answers.put(index)  # the listing of its folder did not hold it
                continue
            try:
                os.lstat(path)
            except (FileNotFoundError, NotADirectoryError):
                answers.put(index)
            except OSError:
                pass
        answers.put(None)

    threading.Thread(target=work, daemon=True).start()
    gone: list[int] = []
    try:
        while (index := answers.get(timeout=_PATIENCE_S)) is not None:
            gone.append(index)
    except queue.Empty:
        notices.append("a folder does not answer; files missing from it are kept for now")
    return gone
