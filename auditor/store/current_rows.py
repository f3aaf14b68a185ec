"""Which rows of the frame table count: the newest of every file that is still there, by path."""

from __future__ import annotations

from collections.abc import Callable, Container, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from .arrow_columns import chosen, flags, positions, whole_numbers
from .merge import last_in_parts
from .parts import Part
from .schema import FRAME_SCHEMA

__all__ = ["Found", "columns_of", "rows_there"]

Read = Callable[[Part, Sequence[str]], pa.Table | None]
"""Some columns of a part; None where it is damaged."""


@dataclass(frozen=True, slots=True)
class Found:
    """Rows of the frame table: per part its row numbers that count and its number of rows; and the
    order by path of all of them."""

    picked: list[tuple[Part, NDArray[np.int64], int]]
    order: pa.Array


def rows_there(
    parts: Sequence[Part],
    read: Read,
    wanted: NDArray[np.int64] | None = None,
    unusable: Container[Path] = (),
) -> Found:
    """Where the newest row of every file lies that is still there, and their order by path.

    `wanted`: only files whose path has one of these keys, in ascending order. `unusable` parts are
    left out.
    """
    seen = []
    for part in parts:
        names = ["path_key", "gone", "path"]
        table = None if part.path in unusable else read(part, names)
        if table is not None:
            keys, gone = whole_numbers(table["path_key"]), flags(table["gone"])
            seen.append((part, keys, gone, table["path"]))
    picked: list[tuple[Part, NDArray[np.int64], int]] = []
    paths: list[pa.Array] = []
    last = last_in_parts([keys for _, keys, _, _ in seen])
    for (part, keys, gone, path), keep in zip(seen, last, strict=True):
        there = keep & ~gone
        if wanted is not None:
            at = np.searchsorted(wanted, keys)
            there &= wanted.take(at, mode="clip") == keys if len(wanted) else False
        rows = np.flatnonzero(there)
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
