"""Parts: the files that the tables of a store are made of.

A part is written to a temporary name, flushed to disk and renamed, so that it is there whole or not at
all. Its name carries the batch it holds and a checksum of the whole file (`part-00000007.89ab12cd.parquet`)
or, after a merge, the range of batches (`part-00000000-00000063.89ab12cd.parquet`). A merge that was cut
short leaves the parts that it joined beside the whole; their rows are then there twice, of which the newest
counts, until the next merge.

Nothing damaged is deleted. A part that was set apart can be put back by hand should it turn out to be good.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from auditor.error_text import one_line
from auditor.open_files import write_file
from auditor.store.rows import newest, positions
from auditor.units import MB

__all__ = [
    "APART",
    "DamagedPart",
    "Part",
    "check_whole",
    "count_rows",
    "list_parts",
    "merge_small",
    "part_name",
    "read_part",
    "set_apart",
    "write_part",
]

APART: Final = "damaged"
"""Folder beside the tables for parts that can't be used."""
SMALL_BYTES: Final = 8 * MB
"""Smaller parts are merged with their neighbours: a million frames then lie in some hundred parts, and a merge fits
into memory."""
_BLOCK_BYTES: Final = 4 * MB
"""Read at a time for a checksum."""
_UNREADABLE = (OSError, pa.ArrowException, ValueError, KeyError, UnicodeError)
"""What the Parquet library raises for files that are not what they claim to be."""
_NAME = re.compile(r"part-(\d{8})(?:-(\d{8}))?\.([0-9a-f]{8})\.parquet")


@dataclass(frozen=True, slots=True, order=True)
class Part:
    """One file of a table; `first` and `last` are the batches it covers, both included."""

    last: int
    first: int
    path: Path


class DamagedPart(ValueError):
    """A part that cannot be used; the message is one line."""

    def __init__(self, part: Part, error: Exception) -> None:
        # A run reads every byte of the frame table, of pictures as a rule only how many there are.
        mended = " after `auditor verify --mend`" if part.path.parent.name == "pictures" else ""
        super().__init__(
            f"{part.path.name} in {part.path.parent} cannot be read and is left out "
            f"({one_line(error) or type(error).__name__}); "
            f"its frames are measured again on the next run{mended}"
        )
        self.part = part
        self.out_of_reach = isinstance(error, OSError)
        """Whether its bytes cannot be had, which is no damage."""


def part_name(first: int, last: int, data: bytes | memoryview) -> str:
    """File name of the part that holds batches `first` to `last`, `data` being its content."""
    batches = f"{first:08d}" if first == last else f"{first:08d}-{last:08d}"
    return f"part-{batches}.{zlib.crc32(data):08x}.parquet"


def list_parts(folder: Path) -> list[Part]:
    """Parts in the order in which they were written; a missing folder has none."""
    found = []
    with contextlib.suppress(FileNotFoundError):
        for name in os.listdir(folder):
            if match := _NAME.fullmatch(name):
                first = int(match[1])
                found.append(Part(int(match[2] or first), first, folder / name))
    return sorted(found)


def write_part(folder: Path, first: int, last: int, table: pa.Table, rows_per_group: int) -> Path:
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
    return path


def check_whole(part: Part) -> None:
    """Raise DamagedPart where the file's content does not agree with the checksum in its name."""
    checksum = 0
    try:
        with open(part.path, "rb") as file:
            while block := file.read(_BLOCK_BYTES):
                checksum = zlib.crc32(block, checksum)
    except OSError as error:
        raise DamagedPart(part, error) from error
    if f".{checksum:08x}." not in part.path.name:
        raise DamagedPart(part, ValueError("its checksum is wrong"))


def read_part(
    part: Part, columns: Sequence[str], schema: pa.Schema, rows: NDArray[np.int64] | None = None
) -> pa.Table:
    """The named columns of a part, in the types of `schema`: all rows, or those of some ascending numbers, for
    which only the row groups that hold them are read.

    A column that an older store did not have comes back empty. Raises DamagedPart.
    """
    wanted = pa.schema([schema.field(name) for name in columns])
    try:
        with pq.ParquetFile(part.path, page_checksum_verification=True) as file:
            have = set(file.schema_arrow.names)
            names = [name for name in columns if name in have]
            if rows is None:
                table, count = file.read(names), file.metadata.num_rows
            else:
                table, count = _some_rows(file, names, rows), len(rows)
        arrays = [
            table[field.name].cast(field.type)
            if field.name in have
            else pa.nulls(count, field.type)
            for field in wanted
        ]
        return pa.Table.from_arrays(arrays, schema=wanted)
    except _UNREADABLE as error:
        check_whole(part)  # the Parquet library calls a wrong checksum of a page an OSError too
        raise DamagedPart(part, error) from error


def _some_rows(file: pq.ParquetFile, names: Sequence[str], rows: NDArray[np.int64]) -> pa.Table:
    sizes = [file.metadata.row_group(group).num_rows for group in range(file.num_row_groups)]
    group_of_row = np.repeat(np.arange(len(sizes)), sizes)
    groups = np.flatnonzero(np.bincount(group_of_row[rows], minlength=len(sizes)))
    read = np.flatnonzero(np.isin(group_of_row, groups))
    table = file.read_row_groups(groups.tolist(), names, use_threads=False)
    return table.take(positions(np.searchsorted(read, rows)))


def count_rows(part: Part) -> int:
    """How many rows a part has; 0 where that can't be told."""
    with contextlib.suppress(*_UNREADABLE):
        return int(pq.read_metadata(part.path).num_rows)
    return 0


def merge_small(folder: Path, schema: pa.Schema, group: int, key: str) -> None:
    """Write one part in place of neighbouring small ones; of rows with the same key the newest stays."""
    for run in _small_runs(folder, schema):
        if len(run) > 1:
            parts, tables = zip(*run, strict=True)
            table = newest(tables, key)
            whole = write_part(folder, parts[0].first, parts[-1].last, table, group)
            for part in parts:
                if part.path != whole:  # a merge cut short is made again
                    part.path.unlink(missing_ok=True)


def _small_runs(folder: Path, schema: pa.Schema) -> Iterator[list[tuple[Part, pa.Table]]]:
    """Neighbouring small parts, up to what makes a large one; what can't be read parts its neighbours."""
    run: list[tuple[Part, pa.Table]] = []
    together = 0
    for part in list_parts(folder):
        size, table = part.path.stat().st_size, None
        if size < SMALL_BYTES:
            with contextlib.suppress(DamagedPart):
                check_whole(part)
                table = read_part(part, schema.names, schema)
        if table is None or together >= SMALL_BYTES:
            yield run
            run, together = [], 0
        if table is not None:
            run.append((part, table))
            together += size
    yield run


def set_apart(part: Part) -> bool:
    """Move a damaged part into the folder `APART` beside the tables; whether that went well."""
    folder = part.path.parent.parent / APART
    with contextlib.suppress(OSError):
        folder.mkdir(exist_ok=True)
        os.replace(part.path, folder / f"{part.path.parent.name}-{part.path.name}")
        return True
    return False
