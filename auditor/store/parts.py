"""Parts: the files that the tables of a store are made of.

A part is written to a temporary name, flushed to disk and renamed, so that it is there whole or not at
all. Its name carries the batch it holds and a checksum of the whole file (`part-00000007.89ab12cd.parquet`)
or, after a merge, the range of batches (`part-00000000-00000063.89ab12cd.parquet`). A merge that was cut
short leaves the parts that it joined beside the whole; their rows are then there twice, of which the newest
counts, until the next merge.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from auditor.error_text import one_line
from auditor.open_files import write_file
from auditor.units import MB

__all__ = [
    "UNREADABLE",
    "DamagedPart",
    "Part",
    "damaged",
    "is_whole",
    "list_parts",
    "part_name",
    "read_part",
    "read_rows",
    "read_whole",
    "write_part",
]

UNREADABLE = (OSError, pa.ArrowException, ValueError, KeyError, UnicodeError)
"""What the Parquet library raises for files that are not what they claim to be."""

_BLOCK_BYTES: Final = 4 * MB
"""Read at a time for a checksum."""

_NAME = re.compile(r"part-(\d{8})(?:-(\d{8}))?\.([0-9a-f]{8})\.parquet")


class DamagedPart(ValueError):
    """A part that cannot be read back; the message is one line."""


@dataclass(frozen=True, slots=True, order=True)
class Part:
    """One file of a table; `first` and `last` are the batches it covers, both included."""

    last: int
    first: int
    path: Path


def part_name(first: int, last: int, data: bytes | memoryview) -> str:
    """File name of the part that holds batches `first` to `last`, `data` being its content."""
    batches = f"{first:08d}" if first == last else f"{first:08d}-{last:08d}"
    return f"part-{batches}.{zlib.crc32(data):08x}.parquet"


def is_whole(part: Part) -> bool:
    """Whether the file's content agrees with the checksum in its name. Raises OSError."""
    match = _NAME.fullmatch(part.path.name)
    checksum = 0
    with open(part.path, "rb") as file:
        while block := file.read(_BLOCK_BYTES):
            checksum = zlib.crc32(block, checksum)
    return match is not None and checksum == int(match[3], 16)


def list_parts(folder: Path) -> list[Part]:
    """Parts in the order in which they were written; a missing folder has none."""
    found = []
    with contextlib.suppress(FileNotFoundError):
        for name in os.listdir(folder):
            if match := _NAME.fullmatch(name):
                first = int(match[1])
                found.append(Part(int(match[2] or first), first, folder / name))
    return sorted(found)


def write_part(folder: Path, first: int, last: int, table: pa.Table, rows_per_group: int) -> Part:
    """Write one part as Parquet, with a checksum on every page."""
    out = io.BytesIO()
    pq.write_table(
        table,
        out,
        rows_per_group,
        compression="zstd",
        write_page_checksum=True,
        write_statistics=False,
        use_dictionary=[f.name for f in table.schema if pa.types.is_string(f.type)],
        store_schema=False,
    )
    data = out.getbuffer()
    path = folder / part_name(first, last, data)
    write_file(path, data, durable=True)
    return Part(last, first, path)


def read_part(part: Part, columns: Sequence[str], schema: pa.Schema) -> pa.Table:
    """The named columns of a part, in the types of `schema`.

    A column that an older store did not have comes back empty. Raises DamagedPart.
    """
    try:
        with pq.ParquetFile(part.path, page_checksum_verification=True) as file:
            table = file.read(_those_in(file, columns))
            return _fitted(table, file.metadata.num_rows, columns, schema)
    except UNREADABLE as error:
        raise damaged(part, error) from error


def read_whole(part: Part, columns: Sequence[str], schema: pa.Schema) -> pa.Table:
    """As `read_part`, once the whole file agrees with its checksum. Raises DamagedPart, and OSError where
    its bytes can't be had."""
    if not is_whole(part):
        raise damaged(part, ValueError("its checksum is wrong"))
    return read_part(part, columns, schema)


def read_rows(part: Part, rows: np.ndarray, schema: pa.Schema) -> pa.Table:
    """Some rows of a part (ascending numbers), reading only the row groups that hold them."""
    try:
        with pq.ParquetFile(part.path, page_checksum_verification=True) as file:
            names = _those_in(file, schema.names)
            tables = [schema.empty_table()]
            start = 0
            for group in range(file.metadata.num_row_groups):
                end = start + file.metadata.row_group(group).num_rows
                inside = rows[(rows >= start) & (rows < end)] - start
                if len(inside):
                    table = file.read_row_group(group, names, use_threads=False)
                    table = table.take(pa.array(inside))
                    tables.append(_fitted(table, len(inside), schema.names, schema))
                start = end
        return pa.concat_tables(tables)
    except UNREADABLE as error:
        raise damaged(part, error) from error


def _those_in(file: pq.ParquetFile, columns: Sequence[str]) -> list[str]:
    names = set(file.schema_arrow.names)
    return [c for c in columns if c in names]


def _fitted(table: pa.Table, rows: int, columns: Sequence[str], schema: pa.Schema) -> pa.Table:
    """The columns in the types of `schema`; empty where the table does not have them."""
    wanted = pa.schema([schema.field(c) for c in columns])
    have = set(table.column_names)
    arrays = [
        table[field.name].cast(field.type) if field.name in have else pa.nulls(rows, field.type)
        for field in wanted
    ]
    return pa.Table.from_arrays(arrays, schema=wanted)


def damaged(part: Part, error: Exception) -> DamagedPart:
    """One line about a part that cannot be used."""
    reason = one_line(error) or type(error).__name__
    return DamagedPart(
        f"{part.path.name} in {part.path.parent} cannot be read and is left out ({reason}); "
        "its frames are measured again on the next run"
    )
