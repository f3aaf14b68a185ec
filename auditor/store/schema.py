"""The store's tables: Arrow types, rows to tables, tables to pandas.

The frame table has the columns of `record.COLUMNS` and a few of the store's own (`OWN_COLUMNS`), which
say whether a file has to be read again. The picture table holds small pictures by content.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping, Sequence
from enum import StrEnum
from hashlib import blake2b
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from auditor.crawl.names import printable
from auditor.record import COLUMNS, PICTURE_COLUMNS

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "FRAME_NAMES",
    "FRAME_SCHEMA",
    "OWN_COLUMNS",
    "PICTURE_SCHEMA",
    "Trouble",
    "frame_table",
    "lean",
    "narrow_table",
    "path_key",
    "path_keys",
    "picture_table",
    "side_by_side",
    "stored_key",
    "stored_keys",
    "to_frame",
    "to_pandas",
]


_TYPES: Final = {
    "str": pa.string(),
    "float": pa.float64(),
    "int": pa.int64(),
    "bool": pa.bool_(),
    "list": pa.list_(pa.string()),
}

OWN_COLUMNS: Final = (
    pa.field("path_key", pa.int64()),  # 64-bit hash of the path: finds the newest row of a file
    pa.field("gone", pa.bool_()),  # the file is no longer where it was
    pa.field("tool_version", pa.string()),  # which version measured it
    pa.field("sidecar_stamp", pa.int64()),  # size and time of the sidecar, mixed; missing: none
    pa.field("sidecar_id", pa.string()),  # hash of the sidecar's content
    pa.field("leader_key", pa.int64()),  # path_key of `measured_on`
    pa.field("trouble", pa.string()),  # what may pass: see `Trouble`; missing: nothing
)


_KEY_BYTES: Final = 8
"""Bytes of a path's key: those of the store's whole numbers. Among ten million paths two share one with a
chance of 3 in a million (n^2 / 2^65)."""


class Trouble(StrEnum):
    """What stood in a file's way that is nothing about the file itself, so that it is tried again."""

    UNREAD = "unread"
    """It could not be read: tried on every run."""
    ENDED = "ended"
    """Its measurement was ended (time, memory, a signal): tried once more."""
    ENDED_TWICE = "ended twice"
    """Tried again when the file changes, or when that is asked for."""
    NO_PICTURES = "no pictures"
    """Measured; it gives no small pictures, so that missing ones are no loss."""


FRAME_NAMES: Final = tuple(c.name for c in COLUMNS)
FRAME_SCHEMA: Final = pa.schema(
    [*(pa.field(c.name, _TYPES[c.kind]) for c in COLUMNS), *OWN_COLUMNS]
)
PICTURE_SCHEMA: Final = pa.schema(
    [pa.field("file_id", pa.string()), *(pa.field(n, pa.binary()) for n in PICTURE_COLUMNS)]
)


def path_key(path: str) -> int:
    """Key of a path as files are opened with it.

    Parameters
    ----------
    path : str
        Path, with bytes escaped after PEP 383.

    Returns
    -------
    int
        `stored_key` of its printable form.
    """
    return stored_key(printable(path))


def path_keys(paths: Sequence[str]) -> NDArray[np.int64]:
    """Keys of many paths.

    Parameters
    ----------
    paths : sequence of str
        Paths as files are opened with them.

    Returns
    -------
    (n,) ndarray of int64
        `path_key` of each.
    """
    joined = "".join(paths)
    if not joined.isprintable() or "\\" in joined:
        paths = [printable(p) for p in paths]
    return stored_keys(paths)


def stored_key(shown: str) -> int:
    """Key of a path as it is stored.

    Parameters
    ----------
    shown : str
        Printable path (`names.printable`).

    Returns
    -------
    int
        Signed 64-bit hash (BLAKE2b).
    """
    return int(stored_keys([shown])[0])


def stored_keys(shown: Sequence[str]) -> NDArray[np.int64]:
    """Keys of many paths as they are stored.

    Parameters
    ----------
    shown : sequence of str
        Printable paths.

    Returns
    -------
    (n,) ndarray of int64
        `stored_key` of each.
    """
    digests = [blake2b(p.encode("utf-8"), digest_size=_KEY_BYTES).digest() for p in shown]
    return np.frombuffer(b"".join(digests), "<i8").astype(np.int64)


def _coerce(value: Any, kind: pa.DataType) -> Any:
    """`value` in the column's type, or None where it cannot be: one odd tag must not cost a row."""
    if value is None:
        return None
    try:
        if hasattr(value, "item"):
            value = value.item()
        if pa.types.is_string(kind):
            return str(value).encode("utf-8", "backslashreplace").decode("utf-8")
        if pa.types.is_integer(kind):
            number = int(value)
            return number if -(2**63) <= number < 2**63 else None
        if pa.types.is_floating(kind):
            return float(value)
        if pa.types.is_boolean(kind):
            return bool(value)
        if pa.types.is_binary(kind):
            return bytes(value)
        return [_coerce(v, pa.string()) for v in value]
    except (TypeError, ValueError, OverflowError):
        return None


def _table(rows: Sequence[Mapping[str, Any]], schema: pa.Schema) -> pa.Table:
    arrays = []
    for field in schema:
        values = [row.get(field.name) for row in rows]
        try:
            array = pa.array(values, type=field.type)
        except (pa.ArrowException, UnicodeError, TypeError, ValueError, OverflowError):
            array = pa.array([_coerce(v, field.type) for v in values], type=field.type)
        arrays.append(array)
    return pa.Table.from_arrays(arrays, schema=schema)


def frame_table(rows: Iterable[Mapping[str, Any]]) -> pa.Table:
    """Rows (names of `record.COLUMNS`, and of the store's own columns) as an Arrow table.

    `path` opens the file, unless `path_key` stands beside it: then it was stored before. `measured_on`
    is a path as it is stored.
    """
    full = []
    for row in rows:
        text = str(row["path"])
        if row.get("path_key") is None:
            text = printable(text)
        own = {"path": text, "path_key": stored_key(text), "gone": bool(row.get("gone"))}
        if row.get("measured_on"):
            leader = str(row["measured_on"])
            own |= {"measured_on": leader, "leader_key": stored_key(leader)}
        full.append({**row, **own})
    return _table(full, FRAME_SCHEMA)


def narrow_table(rows: Sequence[Mapping[str, Any]], names: Sequence[str]) -> pa.Table:
    """Some columns of rows as an Arrow table.

    Parameters
    ----------
    rows : sequence of mapping
        Values by column; a missing one is null.
    names : sequence of str
        Columns of the frame table.

    Returns
    -------
    pyarrow.Table
        In the frame table's types.
    """
    return _table(rows, pa.schema([FRAME_SCHEMA.field(n) for n in names]))


def picture_table(pictures: Sequence[Mapping[str, Any]]) -> pa.Table:
    """Picture rows (`file_id` and `record.PICTURE_COLUMNS`) as an Arrow table."""
    return _table(pictures, PICTURE_SCHEMA)


def to_pandas(table: pa.Table) -> pd.DataFrame:
    """Arrow table as pandas has it.

    Parameters
    ----------
    table : pyarrow.Table
        Columns in the store's types.

    Returns
    -------
    pandas.DataFrame
        Whole numbers as nullable Int64, yes/no as nullable boolean, text as pandas text.
    """
    import pandas as pd

    mapper = {pa.int64(): pd.Int64Dtype(), pa.bool_(): pd.BooleanDtype()}.get
    frame = table.to_pandas(types_mapper=mapper)
    assert isinstance(frame, pd.DataFrame)
    return frame


def lean(table: pa.Table, single: Container[str]) -> pa.Table:
    """The table with numbers named in `single` as float32, and lists named there missing where they hold nothing."""
    for at, name in enumerate(table.column_names):
        if name not in single:
            continue
        column = table[name]
        if pa.types.is_list(column.type):
            empty = pc.equal(pc.list_value_length(column), 0)
            column = pc.if_else(empty, pa.scalar(None, column.type), column)
        else:
            column = column.cast(pa.float32(), safe=False)
        table = table.set_column(at, name, column)
    return table


def side_by_side(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Tables of the same rows as one."""
    import pandas as pd

    return pd.concat(parts, axis=1)


def to_frame(rows: Iterable[Mapping[str, Any]]) -> pd.DataFrame:
    """Rows as the table that `Store.load` gives back: same columns, same types.

    Parameters
    ----------
    rows : iterable of mapping
        Values by the names of `record.COLUMNS`.

    Returns
    -------
    pandas.DataFrame
        Sorted by path; whole numbers are nullable Int64, yes/no nullable boolean.
    """
    table = frame_table(rows).select(list(FRAME_NAMES))
    return to_pandas(table.sort_by("path"))
