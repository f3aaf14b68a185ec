"""Which of the folders given to a scan held a picture, so that none is passed over without a word."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from pathlib import Path

from auditor.crawl.entries import FileEntry, Skipped
from auditor.crawl.names import root_name
from auditor.engine.file_bytes import is_url

__all__ = ["RootsFound", "with_end"]


def with_end(root: str) -> str:
    """A root as the beginning of the paths of what lies in it."""
    return root.rstrip("/" + os.sep) + ("/" if is_url(root) else os.sep)


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
        places = [path]
        for root, real in self._real.items():
            if with_end(path).startswith(with_end(root)):
                places.append(real + path[len(root) :])
        for root, real in list(self._empty.items()):
            if any(with_end(p).startswith((with_end(root), with_end(real))) for p in places):
                del self._empty[root]

    def empty(self) -> list[str]:
        """The roots in which nothing was found."""
        return list(self._empty)
