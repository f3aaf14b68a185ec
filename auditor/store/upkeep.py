"""Upkeep of a store: small parts become one, and damaged ones are set apart, so that their frames are measured again.

Nothing damaged is deleted. A part that was set apart can be put back by hand should it turn out to be good.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from numpy.typing import NDArray

from auditor.store.parts import (
    UNREADABLE,
    DamagedPart,
    Part,
    damaged,
    list_parts,
    read_part,
    read_whole,
    write_part,
)
from auditor.store.rows import KNOWN_COLUMNS, Known, chosen, last_in_parts, newest, whole_numbers
from auditor.store.schema import FRAME_SCHEMA, PICTURE_SCHEMA, stored_key
from auditor.units import MB

__all__ = ["check", "mend", "merge_parts", "merge_small", "set_apart", "without_pictures"]


SMALL_BYTES: Final = 8 * MB
"""Smaller parts are merged with their neighbours: a million frames then lie in some hundred parts, and a merge fits
into memory."""


def merge_parts(folder: Path, run: Sequence[Part], schema: pa.Schema, group: int, key: str) -> Part:
    """Write one part in place of neighbouring ones; of rows with the same key the newest stays.

    The old parts are left to the caller. Raises DamagedPart, also where bytes can't be had: that costs no run.
    """
    tables = []
    for part in run:
        try:
            tables.append(read_whole(part, schema.names, schema))
        except OSError as error:
            raise damaged(part, error) from error
    last = last_in_parts([_keys(table[key]) for table in tables])
    kept = [chosen(table, np.flatnonzero(here)) for table, here in zip(tables, last, strict=True)]
    return write_part(folder, run[0].first, run[-1].last, pa.concat_tables(kept), group)


def _keys(column: pa.ChunkedArray) -> NDArray[np.generic]:
    if pa.types.is_integer(column.type):
        return whole_numbers(column)
    return np.array([text or "" for text in column.to_pylist()], dtype="S64")


def merge_small(folder: Path, schema: pa.Schema, group: int, key: str) -> Iterator[Path]:
    """Merge neighbouring small parts, and delete them; yields what is gone."""
    runs: list[list[Part]] = [[]]
    together = 0
    for part in list_parts(folder):
        size = part.path.stat().st_size
        if max(size, together) >= SMALL_BYTES:
            runs.append([])
            together = 0
        if size < SMALL_BYTES:
            runs[-1].append(part)
            together += size
    for run in runs:
        if len(run) > 1:
            with contextlib.suppress(DamagedPart):
                whole = merge_parts(folder, run, schema, group, key)
                for part in run:
                    if part.path != whole.path:  # a merge cut short is made again
                        part.path.unlink(missing_ok=True)
                        yield part.path


APART: Final = "damaged"
_TABLES: Final = {"frames": FRAME_SCHEMA, "pictures": PICTURE_SCHEMA}


def set_apart(part: Part) -> bool:
    """Move a damaged part into the folder `damaged` beside the tables; whether that went well."""
    folder = part.path.parent.parent / APART
    with contextlib.suppress(OSError):
        folder.mkdir(exist_ok=True)
        os.replace(part.path, folder / f"{part.path.parent.name}-{part.path.name}")
        return True
    return False


def mend(folder: Path) -> list[str]:
    """Set every damaged part apart; a line for each. The caller holds the writer's lock. Raises OSError:
    whatever keeps a part's bytes away is no damage."""
    done = []
    for name, schema in _TABLES.items():
        for part in list_parts(folder / name):
            try:
                read_whole(part, schema.names, schema)
            except DamagedPart:
                if set_apart(part):
                    done.append(
                        f"{part.path.name} of {name}: damaged, set apart in {folder / APART}; its frames "
                        "are measured again by the next run"
                    )
    return done


def without_pictures(folder: Path, known: Known) -> NDArray[np.int64]:
    """Indices of measured frames whose small pictures are lost.

    Looked into only where there are fewer pictures than frames: the usual run costs a few footers.
    """
    rows = np.flatnonzero(known.measured & ~known.gone & ~known.no_pictures)
    parts = list_parts(folder / "pictures")
    count = 0
    for part in parts:
        with contextlib.suppress(*UNREADABLE):
            count += int(pq.read_metadata(part.path).num_rows)
    if count >= len(rows):
        return np.zeros(0, np.int64)
    found = [pa.array([], pa.string())]
    for part in parts:
        with contextlib.suppress(DamagedPart, OSError):
            found += read_part(part, ["file_id"], PICTURE_SCHEMA)["file_id"].chunks
    ids = pa.array([known.ids[i].decode() for i in rows.tolist()], pa.string())
    present = pc.is_in(ids, value_set=pa.chunked_array(found).combine_chunks())
    return rows[~present.to_numpy(zero_copy_only=False) & (known.ids[rows] != b"")]


def check(folder: Path) -> list[str]:
    """Read every byte of the store at `folder`: one line for each problem, none where it is whole."""
    problems: list[str] = []
    tables = []
    for name, schema in _TABLES.items():
        for part in list_parts(folder / name):
            try:
                table = read_whole(part, schema.names, schema)
            except (DamagedPart, OSError) as error:
                problems.append(str(error))
                continue
            if name == "frames":
                problems += _frames(part.path.name, table)
                tables.append(table.select(list(KNOWN_COLUMNS)))
            elif missing := table["file_id"].null_count:
                problems.append(f"{part.path.name}: {missing} pictures without a content hash")
        for path in sorted((folder / name).glob("*.tmp")):
            problems.append(f"{path.name}: a write that was cut short; the next run removes it")
    if tables and (lost := len(without_pictures(folder, Known(newest(tables))))):
        problems.append(
            f"small pictures of {lost:,} frames are lost; the next run measures them again"
        )
    return problems


_NEEDED: Final = {"measured": "file_id", "counted": "measured_on", "set-aside": "reason"}
"""What the row of a file of each status must say."""


def _frames(name: str, table: pa.Table) -> list[str]:
    """What is wrong with the rows of a part of this name."""
    rows = table.select(["path", "path_key", "status", *_NEEDED.values()]).to_pylist()
    if any(row["path"] is None for row in rows):
        return [f"{name}: rows without a path"]
    problems = []
    if any(row["path_key"] != stored_key(row["path"]) for row in rows):
        problems.append(f"{name}: paths do not agree with their keys")
    for row in rows:
        needed = _NEEDED.get(row["status"])
        if needed is None:
            problems.append(f"{name}: {row['path']}: unknown status {row['status']}")
        elif not row[needed]:
            problems.append(f"{name}: {row['path']}: {row['status']} without {needed}")
    return problems
