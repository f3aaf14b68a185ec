"""What the store knows of every file, in a few bytes per file: is it new, changed, moved, gone?"""

from __future__ import annotations

from functools import cached_property

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from .rows import codes, flags, whole_numbers
from .schema import Trouble, path_key

KNOWN_COLUMNS = (
    *("path_key", "size_bytes", "mtime_ns", "status", "tool_version", "sidecar_stamp"),
    *("gone", "file_id", "sidecar_id", "leader_key", "trouble"),
)


class Known:
    """Arrays over the newest row of every path, sorted by `key` (the 64-bit hash of the path).

    `size`, `mtime` and `stamp` are -1 where unknown. `measured` and `counted` tell the status, neither
    means set aside; `again`: by something that may have passed, `ended`: in the midst of measuring;
    `leader` is the key of the file that a counted one's exposure is measured on.
    `ids` and `sidecar_ids` are hex digests of 32 characters (empty when there is none).
    """

    def __init__(self, table: pa.Table) -> None:
        """`table` has the columns `KNOWN_COLUMNS`, one row per path, in any order."""
        self._table = table
        key = whole_numbers(table["path_key"])
        self._order = order = np.argsort(key, kind="stable")
        self.key: NDArray[np.int64] = key[order]

        def numbers(name: str) -> NDArray[np.int64]:
            return whole_numbers(table[name])[order]

        self.size, self.mtime = numbers("size_bytes"), numbers("mtime_ns")
        self.stamp, self.leader = numbers("sidecar_stamp"), numbers("leader_key")
        self.gone: NDArray[np.bool_] = flags(table["gone"])[order]
        status, names = codes(table["status"])
        self.measured: NDArray[np.bool_] = _is(status, names, "measured")[order]
        self.counted: NDArray[np.bool_] = _is(status, names, "counted")[order]
        trouble, kinds = codes(table["trouble"])
        self.again: NDArray[np.bool_] = _is_one_of(trouble, kinds, Trouble.UNREAD, Trouble.ENDED)[
            order
        ]
        self.ended: NDArray[np.bool_] = _is_one_of(trouble, kinds, Trouble.ENDED)[order]
        self.troubled: NDArray[np.bool_] = _is_one_of(
            trouble, kinds, Trouble.UNREAD, Trouble.ENDED, Trouble.ENDED_TWICE
        )[order]
        self.no_pictures: NDArray[np.bool_] = _is_one_of(trouble, kinds, Trouble.NO_PICTURES)[order]
        version, self.versions = codes(table["tool_version"])
        self.version: NDArray[np.int16] = version.astype(np.int16)[order]

    def __len__(self) -> int:
        return len(self.key)

    def _digests(self, name: str) -> NDArray[np.bytes_]:
        texts = [text or "" for text in self._table[name].to_pylist()]
        return np.array(texts, dtype="S32")[self._order]

    # Asked for only when a file is new or changed: most later runs find none.

    @cached_property
    def ids(self) -> NDArray[np.bytes_]:
        """(n,) hex digests of content."""
        return self._digests("file_id")

    @cached_property
    def sidecar_ids(self) -> NDArray[np.bytes_]:
        """(n,) hex digests of the sidecars' content."""
        return self._digests("sidecar_id")

    @cached_property
    def by_size(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """(sizes, indices) of the rows with a content hash, sorted by size."""
        rows = np.flatnonzero(self.ids != b"")
        rows = rows[np.argsort(self.size[rows], kind="stable")]
        return self.size[rows], rows

    def find(self, keys: NDArray[np.int64]) -> NDArray[np.int64]:
        """Index of each key's row, -1 where the path is unknown."""
        if not len(self.key):
            return np.full(len(keys), -1, np.int64)
        at = np.searchsorted(self.key, keys)
        at[at == len(self.key)] = 0
        return np.where(self.key[at] == keys, at, -1)

    def index(self, path: str) -> int:
        """Index of one path's row, -1 where it is unknown."""
        return int(self.find(np.array([path_key(path)], np.int64))[0])


def _is_one_of(code: NDArray[np.int64], names: list[str], *wanted: str) -> NDArray[np.bool_]:
    return np.array([name in wanted for name in names], bool)[code]


def _is(status: NDArray[np.int64], names: list[str], wanted: str) -> NDArray[np.bool_]:
    return status == names.index(wanted) if wanted in names else np.zeros(len(status), bool)
