"""Many small parts into one, a few of them in memory at a time."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import accumulate
from pathlib import Path

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from .columns import chosen, whole_numbers
from .parts import Part, write_tables

__all__ = ["last_in_parts", "last_of_each", "merge_parts"]

_TOGETHER_ROWS = 4096
_TOGETHER_BYTES = 8 * 2**20


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


def merge_parts(
    folder: Path,
    run: Sequence[Part],
    content: Callable[[Part, Sequence[str]], pa.Table],
    schema: pa.Schema,
    group: int,
    key: str,
) -> None:
    """Write one part in place of neighbouring ones; of rows with the same key the newest stays.

    `content` gives some columns of a part and raises DamagedPart. The old parts are left to the caller.
    """
    last = last_in_parts([_keys(content(part, [key])[key]) for part in run])

    def tables() -> Iterator[pa.Table]:
        waiting: list[pa.Table] = []
        rows = size = 0
        for part, here in zip(run, last, strict=True):
            waiting.append(chosen(content(part, schema.names), np.flatnonzero(here)))
            rows += len(waiting[-1])
            size += waiting[-1].nbytes
            if rows >= _TOGETHER_ROWS or size >= _TOGETHER_BYTES:
                yield pa.concat_tables(waiting)
                waiting, rows, size = [], 0, 0
        if waiting:
            yield pa.concat_tables(waiting)

    write_tables(folder, run[0].first, run[-1].last, tables(), schema, group)


def _keys(column: pa.ChunkedArray) -> NDArray[np.generic]:
    if pa.types.is_integer(column.type):
        return whole_numbers(column)
    return np.array([text or "" for text in column.to_pylist()], dtype="S64")
