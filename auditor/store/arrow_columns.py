"""Arrow columns as numpy arrays, and back.

Arrow's own conversions load pandas, which takes longer than a second look at a whole archive.
"""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

__all__ = ["chosen", "codes", "flags", "positions", "whole_numbers"]


def _joined(column: pa.ChunkedArray) -> pa.Array:
    array = column.combine_chunks()
    if isinstance(array, pa.ChunkedArray):  # how some versions give back an empty one
        array = array.chunk(0) if array.num_chunks else pa.nulls(0, column.type)
    return array


def _values(array: pa.Array, kind: type) -> NDArray[np.generic]:
    buffer = array.buffers()[1]
    if buffer is None:
        return np.zeros(len(array), kind)
    size = np.dtype(kind).itemsize
    return np.frombuffer(buffer, kind, len(array), array.offset * size)


def _valid(array: pa.Array) -> NDArray[np.bool_]:
    if not array.null_count:
        return np.ones(len(array), bool)
    return _values(pc.is_valid(array).cast(pa.uint8()), np.uint8).astype(bool)


def whole_numbers(column: pa.ChunkedArray, missing: int = -1) -> NDArray[np.int64]:
    """A column of 64-bit integers; `missing` stands for null."""
    array = _joined(column)
    return np.where(_valid(array), _values(array, np.int64), missing)


def flags(column: pa.ChunkedArray) -> NDArray[np.bool_]:
    """A column of yes and no; null is no."""
    array = _joined(column)
    return _values(array.cast(pa.uint8()), np.uint8).astype(bool) & _valid(array)


def codes(column: pa.ChunkedArray) -> tuple[NDArray[np.int64], list[str]]:
    """A column of text as indices into a list of its distinct values; null is the empty text."""
    array = _joined(column).dictionary_encode()
    names = [*array.dictionary.to_pylist(), ""]
    valid = _valid(array)
    index = _values(array.indices, np.int32).astype(np.int64)
    return np.where(valid, index, len(names) - 1), names


def positions(rows: NDArray[np.integer]) -> pa.Array:
    """Row numbers in the form that Arrow takes them."""
    numbers = np.ascontiguousarray(rows, np.int64)
    return pa.Array.from_buffers(pa.int64(), len(numbers), [None, pa.py_buffer(numbers)])


def chosen(table: pa.Table, rows: NDArray[np.integer]) -> pa.Table:
    """Some rows of a table, given in ascending order; the table itself where that is all of them."""
    return table if len(rows) == len(table) else table.take(positions(rows))
