"""Rows of the frame table: Arrow columns as numpy arrays and back, and which rows count: the newest of every
file that is still there, by path.

Arrow's own conversions load pandas, which takes longer than a second look at a whole archive.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import accumulate
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from auditor.store.parts import Part
from auditor.store.schema import FRAME_SCHEMA, Trouble, path_key

__all__ = [
    "KNOWN_COLUMNS",
    "Found",
    "Known",
    "chosen",
    "codes",
    "columns_of",
    "flags",
    "last_in_parts",
    "last_of_each",
    "newest",
    "positions",
    "present_rows",
    "whole_numbers",
]


def _plain(column: pa.ChunkedArray) -> NDArray[np.generic]:
    """A column of numbers without any missing."""
    array = column.combine_chunks()
    if isinstance(array, pa.ChunkedArray):  # how some versions give back an empty one
        array = array.chunk(0) if array.num_chunks else pa.nulls(0, column.type)
    return np.from_dlpack(array)


def _valid(column: pa.ChunkedArray) -> NDArray[np.bool_]:
    return _plain(column.is_valid().cast(pa.uint8())).astype(bool)


def whole_numbers(column: pa.ChunkedArray) -> NDArray[np.int64]:
    """A column of 64-bit integers; -1 stands for null."""
    out = np.full(len(column), -1, np.int64)
    out[_valid(column)] = _plain(column.drop_null())
    return out


def flags(column: pa.ChunkedArray) -> NDArray[np.bool_]:
    """A column of yes and no; null is no."""
    out = np.zeros(len(column), bool)
    out[_valid(column)] = _plain(column.drop_null().cast(pa.uint8()))
    return out


def codes(column: pa.ChunkedArray) -> tuple[NDArray[np.int64], list[str]]:
    """A column of text as indices into a list of its distinct values; null is the empty text."""
    names = column.unique()
    index = pc.index_in(column, value_set=names)
    return _plain(index).astype(np.int64), [name or "" for name in names.to_pylist()]


def positions(rows: NDArray[np.integer]) -> pa.Array:
    """Row numbers in the form that Arrow takes them."""
    numbers = np.ascontiguousarray(rows, np.int64)
    return pa.Array.from_buffers(pa.int64(), len(numbers), [None, pa.py_buffer(numbers)])


def chosen(table: pa.Table, rows: NDArray[np.integer]) -> pa.Table:
    """Some rows of a table, given in ascending order; the table itself where that is all of them."""
    return table if len(rows) == len(table) else table.take(positions(rows))


def last_of_each(keys: NDArray[np.generic]) -> NDArray[np.int64]:
    """Index of the last occurrence of every distinct key, in the order of the keys."""
    # numpy's unique would load half of numpy first.
    order = np.argsort(keys, kind="stable")
    ordered = keys[order]
    last = np.ones(len(keys), bool)
    last[:-1] = ordered[1:] != ordered[:-1]
    return np.asarray(order[last])


def last_in_parts(keys: Sequence[NDArray[np.generic]]) -> list[NDArray[np.bool_]]:
    """For the rows of each of several parts, whether no later one, in any part, has the same key."""
    last = np.zeros(sum(map(len, keys)), bool)
    if len(last):
        last[last_of_each(np.concatenate(keys))] = True
    ends = accumulate(map(len, keys))
    return [last[end - len(own) : end] for own, end in zip(keys, ends, strict=True)]


def newest(tables: Sequence[pa.Table]) -> pa.Table:
    """The newest row of each path, of the tables of parts in their order."""
    last = last_in_parts([whole_numbers(table["path_key"]) for table in tables])
    return pa.concat_tables(
        [chosen(table, np.flatnonzero(kept)) for table, kept in zip(tables, last, strict=True)]
    )


Read = Callable[[Part, Sequence[str]], pa.Table | None]
"""Some columns of a part; None where it is damaged."""


@dataclass(frozen=True, slots=True)
class Found:
    """Rows of the frame table: per part its row numbers that count and its number of rows; and the
    order by path of all of them."""

    picked: list[tuple[Part, NDArray[np.int64], int]]
    order: pa.Array


def present_rows(
    parts: Sequence[Part],
    read: Read,
    wanted: NDArray[np.int64] | None = None,
    unusable: Container[Path] = (),
) -> Found:
    """Where the newest row of every file lies that is still there, and their order by path.

    `wanted`: only files whose path has one of these keys, in ascending order. `unusable` parts are
    left out.
    """
    columns = []
    for part in parts:
        names = ["path_key", "gone", "path"]
        table = None if part.path in unusable else read(part, names)
        if table is not None:
            keys, gone = whole_numbers(table["path_key"]), flags(table["gone"])
            columns.append((part, keys, gone, table["path"]))
    picked: list[tuple[Part, NDArray[np.int64], int]] = []
    paths: list[pa.Array] = []
    last = last_in_parts([keys for _, keys, _, _ in columns])
    for (part, keys, gone, path), keep in zip(columns, last, strict=True):
        present = keep & ~gone
        if wanted is not None:
            at = np.searchsorted(wanted, keys)
            present &= wanted.take(at, mode="clip") == keys if len(wanted) else False
        rows = np.flatnonzero(present)
        if len(rows):
            picked.append((part, rows, len(keys)))
            paths += path.take(positions(rows)).chunks
    return Found(picked, pc.sort_indices(pa.chunked_array(paths, pa.string())))


def columns_of(found: Found, read: Read, names: Sequence[str]) -> pa.Table | Path:
    """Some columns of the rows found, in the order of the parts; or the part that is no longer what
    it was."""
    tables = [FRAME_SCHEMA.empty_table().select(list(names))]
    for part, rows, length in found.picked:
        table = read(part, names)
        if table is None or len(table) != length:
            return part.path
        tables.append(chosen(table, rows))
    return pa.concat_tables(tables)


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

    def _digests(self, name: str) -> NDArray[np.bytes_]:
        texts = [text or "" for text in self._table[name].to_pylist()]
        return np.array(texts, dtype="S32")[self._order]

    # Asked for only when a file is new or changed: most later runs find none.

    @cached_property
    def ids(self) -> NDArray[np.bytes_]:
        """(n,) hex digests of content, 32 characters; empty where there is none."""
        return self._digests("file_id")

    @cached_property
    def sidecar_ids(self) -> NDArray[np.bytes_]:
        """(n,) hex digests of the sidecars' content, 32 characters; empty where there is none."""
        return self._digests("sidecar_id")

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
