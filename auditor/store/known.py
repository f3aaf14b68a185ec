"""What the store knows of every file, in a few bytes per file: is it new, changed, moved, gone?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .schema import path_key

__all__ = ["KNOWN_COLUMNS", "Known", "KnownFile"]

KNOWN_COLUMNS = (
    *("path_key", "size_bytes", "mtime_ns", "status", "tool_version", "sidecar_stamp"),
    *("gone", "file_id", "sidecar_id"),
)


@dataclass(frozen=True, slots=True)
class KnownFile:
    """The newest row of one path, as far as deciding needs it. -1 stands for an unknown number."""

    size_bytes: int
    mtime_ns: int
    status: str
    tool_version: str
    sidecar_stamp: int
    gone: bool
    at: int


@dataclass(frozen=True)
class Known:
    """Arrays over the newest row of every path, sorted by `key` (the 64-bit hash of the path).

    `ids` and `sidecar_ids` are hex digests of 32 characters (empty when there is none).
    """

    key: NDArray[np.int64]
    size: NDArray[np.int64]
    mtime: NDArray[np.int64]
    measured: NDArray[np.bool_]
    version: NDArray[np.int16]
    versions: Sequence[str]
    stamp: NDArray[np.int64]
    gone: NDArray[np.bool_]
    ids: NDArray[np.bytes_]
    sidecar_ids: NDArray[np.bytes_]

    def __len__(self) -> int:
        return len(self.key)

    def find(self, keys: NDArray[np.int64]) -> NDArray[np.int64]:
        """Index of each key's row, -1 where the path is unknown."""
        if not len(self.key):
            return np.full(len(keys), -1, np.int64)
        at = np.searchsorted(self.key, keys)
        at[at == len(self.key)] = 0
        return np.where(self.key[at] == keys, at, -1)

    def at(self, index: int) -> KnownFile:
        """The row at an index that `find` gave."""
        return KnownFile(
            int(self.size[index]),
            int(self.mtime[index]),
            "measured" if self.measured[index] else "set-aside",
            self.versions[self.version[index]],
            int(self.stamp[index]),
            bool(self.gone[index]),
            index,
        )

    def get(self, path: str) -> KnownFile | None:
        """The newest row of one path, or None."""
        index = int(self.find(np.array([path_key(path)], np.int64))[0])
        return None if index < 0 else self.at(index)

    def by_size(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """(sizes, indices) of the rows with a content hash, sorted by size."""
        rows = np.flatnonzero(self.ids != b"")
        rows = rows[np.argsort(self.size[rows], kind="stable")]
        return self.size[rows], rows
