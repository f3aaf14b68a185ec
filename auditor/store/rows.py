"""Rows of the frame table: Arrow columns as numpy arrays and back, and which rows count: the newest of every
file that is still there, by path.

Arrow's own conversions load pandas, which takes longer than a second look at a whole archive.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from auditor.store.schema import Trouble, path_key

__all__ = [
    "KNOWN_COLUMNS",
    "Known",
    "codes",
    "digests",
    "flags",
    "newest",
    "positions",
    "whole_numbers",
]


def _plain(column: pa.ChunkedArray, missing: int = 0) -> NDArray[np.generic]:
    """A column of numbers, with `missing` in place of null."""
    # Made of a plain number it would load pandas.
    stand_in = positions(np.array([missing]))[0].cast(column.type)
    array = column.fill_null(stand_in).combine_chunks()
    if isinstance(array, pa.ChunkedArray):  # how some versions give back an empty one
        array = array.chunk(0) if array.num_chunks else pa.nulls(0, column.type)
    return np.from_dlpack(array)


def whole_numbers(column: pa.ChunkedArray) -> NDArray[np.int64]:
    """A column of 64-bit integers; -1 stands for null."""
    return np.asarray(_plain(column, -1), np.int64)


def flags(column: pa.ChunkedArray) -> NDArray[np.bool_]:
    """A column of yes and no; null is no."""
    return _plain(column.cast(pa.uint8())).astype(bool)


def codes(column: pa.ChunkedArray) -> tuple[NDArray[np.int64], list[str]]:
    """A column of text as indices into a list of its distinct values; null is the empty text."""
    names = column.unique()
    index = pc.index_in(column, value_set=names)
    return _plain(index).astype(np.int64), [name or "" for name in names.to_pylist()]


def digests(column: pa.ChunkedArray) -> NDArray[np.bytes_]:
    """A column of hex digests, 32 characters at most; empty where there is none."""
    return np.array([text or "" for text in column.to_pylist()], dtype="S32")


def positions(rows: NDArray[np.integer]) -> pa.Array:
    """Row numbers in the form that Arrow takes them."""
    numbers = np.ascontiguousarray(rows, np.int64)
    return pa.Array.from_buffers(pa.int64(), len(numbers), [None, pa.py_buffer(numbers)])


def newest(tables: Sequence[pa.Table], key: str = "path_key") -> pa.Table:
    """Of rows with one key the last, of the tables of parts in their order."""
    table = pa.concat_tables(tables)
    column = table[key]
    keys = whole_numbers(column) if pa.types.is_integer(column.type) else digests(column)
    # numpy's unique would load half of numpy first.
    order = np.argsort(keys, kind="stable")
    last = np.ones(len(keys), bool)
    last[:-1] = keys[order[1:]] != keys[order[:-1]]
    return table if last.all() else table.take(positions(np.sort(order[last])))


KNOWN_COLUMNS = (
    *("path_key", "size_bytes", "mtime_ns", "status", "tool_version", "sidecar_stamp"),
    *("gone", "file_id", "sidecar_id", "leader_key", "trouble"),
)


class Known:
    """Arrays over the newest row of every path, sorted by the path's key.

    Attributes
    ----------
    key : (n,) ndarray of int64
        Signed 64-bit hash of each path (`schema.path_key`), ascending.
    size, mtime, stamp : (n,) ndarray of int64
        Bytes and time of change (ns) of the file, and stamp of its sidecar; -1 where unknown.
    leader : (n,) ndarray of int64
        Key of the file that a counted one's exposure is measured on; -1 for others.
    gone : (n,) ndarray of bool
        The file is no longer there.
    measured, counted : (n,) ndarray of bool
        The status; neither means set aside.
    retry, ended : (n,) ndarray of bool
        Set aside by something that may have passed; in the midst of measuring.
    troubled : (n,) ndarray of bool
        Something that is nothing about the file itself stood in its way (`schema.Trouble`).
    no_pictures : (n,) ndarray of bool
        Measured, and gives no small pictures.
    version : (n,) ndarray of int16
        Index into `versions` of the program that measured the file.
    versions : list of str
        Versions of the program.
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
        trouble, kinds = codes(table["trouble"])

        def is_trouble(*wanted: str) -> NDArray[np.bool_]:
            return _is_one_of(trouble, kinds, *wanted)[order]

        self.measured = _is_one_of(status, names, "measured")[order]
        self.counted = _is_one_of(status, names, "counted")[order]
        self.retry = is_trouble(Trouble.UNREAD, Trouble.ENDED)
        self.ended = is_trouble(Trouble.ENDED)
        self.troubled = is_trouble(Trouble.UNREAD, Trouble.ENDED, Trouble.ENDED_TWICE)
        self.no_pictures = is_trouble(Trouble.NO_PICTURES)
        version, self.versions = codes(table["tool_version"])
        self.version: NDArray[np.int16] = version.astype(np.int16)[order]

    def __len__(self) -> int:
        return len(self.key)

    # Asked for only when a file is new or changed: most later runs find none.

    @cached_property
    def ids(self) -> NDArray[np.bytes_]:
        """(n,) hex digests of content, 32 characters; empty where there is none."""
        return digests(self._table["file_id"])[self._order]

    @cached_property
    def sidecar_ids(self) -> NDArray[np.bytes_]:
        """(n,) hex digests of the sidecars' content, 32 characters; empty where there is none."""
        return digests(self._table["sidecar_id"])[self._order]

    @cached_property
    def by_size(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """(sizes, indices) of the rows with a content hash, sorted by size."""
        rows = np.flatnonzero(self.ids != b"")
        rows = rows[np.argsort(self.size[rows], kind="stable")]
        return self.size[rows], rows

    def find(self, keys: NDArray[np.int64]) -> NDArray[np.int64]:
        """Rows of some paths by their keys.

        Parameters
        ----------
        keys : (k,) ndarray of int64
            From `schema.path_key`.

        Returns
        -------
        (k,) ndarray of int64
            Indices; -1 where the path is unknown.
        """
        if not len(self.key):
            return np.full(len(keys), -1, np.int64)
        at = np.searchsorted(self.key, keys)
        at[at == len(self.key)] = 0
        return np.where(self.key[at] == keys, at, -1)

    def index(self, path: str) -> int:
        """Row of one path.

        Parameters
        ----------
        path : str
            Path as files are opened with it.

        Returns
        -------
        int
            Its index; -1 where it is unknown.
        """
        return int(self.find(np.array([path_key(path)], np.int64))[0])


def _is_one_of(code: NDArray[np.int64], names: list[str], *wanted: str) -> NDArray[np.bool_]:
    return np.array([name in wanted for name in names], bool)[code]
