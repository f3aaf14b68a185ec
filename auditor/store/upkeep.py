"""Upkeep of a store: small parts become one, a few of them in memory at a time, and damaged ones are set apart, so
that their frames are measured again.

Nothing damaged is deleted. A part that was set apart can be put back by hand should it turn out to be good.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
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
    is_whole,
    list_parts,
    read_part,
    read_whole,
    write_part,
)
from auditor.store.rows import KNOWN_COLUMNS, Known, chosen, last_in_parts, newest, whole_numbers
from auditor.store.schema import FRAME_SCHEMA, PICTURE_SCHEMA, stored_key
from auditor.units import MB

__all__ = ["SmallParts", "check", "mend", "merge_parts", "set_apart", "without_pictures"]


_TOGETHER_ROWS: Final = 4096
"""Rows that are held in memory before they are written into the merged part ..."""
_TOGETHER_BYTES: Final = 8 * MB
"""... or bytes of them, whichever comes first."""


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

    write_part(folder, run[0].first, run[-1].last, tables(), schema, group)


def _keys(column: pa.ChunkedArray) -> NDArray[np.generic]:
    if pa.types.is_integer(column.type):
        return whole_numbers(column)
    return np.array([text or "" for text in column.to_pylist()], dtype="S64")


class SmallParts:
    """The small parts of one table, and how they become fewer."""

    def __init__(
        self, folder: Path, schema: pa.Schema, fresh: Mapping[Path, pa.Table], verified: set[Path]
    ) -> None:
        """`fresh`: parts just written, still in memory. `verified`: parts whose checksum was found right;
        more are added."""
        self._folder, self._schema, self._fresh, self._verified = folder, schema, fresh, verified

    def merge(self, group: int, key: str, sizes: Sequence[int]) -> Iterator[Path]:
        """Merge neighbours of fewer rows than each of `sizes`, and delete them; yields what is gone."""
        for limit in sizes:
            runs: list[list[Part]] = [[]]
            rows = 0
            for part in list_parts(self._folder)[0]:
                count = self._rows(part, limit)
                if count >= limit or rows >= limit:
                    runs.append([])
                    rows = 0
                if count < limit:
                    runs[-1].append(part)
                    rows += count
            for run in runs[: None if limit == sizes[0] else -1]:  # the last run may still grow
                if len(run) > 1:
                    yield from self._merge_run(run, group, key)

    def _merge_run(self, run: Sequence[Part], group: int, key: str) -> Iterator[Path]:
        try:
            merge_parts(self._folder, run, self._content, self._schema, group, key)
        except (DamagedPart, FileNotFoundError):
            return
        for part in run:
            part.path.unlink(missing_ok=True)
            yield part.path

    def _rows(self, part: Part, limit: int) -> int:
        """Number of rows; `limit` when there are more, or when the part is damaged: not to be merged."""
        if part.path in self._fresh:
            return len(self._fresh[part.path])
        try:
            count = int(pq.read_metadata(part.path).num_rows)
            if count < limit and part.path not in self._verified:
                if not is_whole(part):
                    return limit
                self._verified.add(part.path)
            return min(count, limit)
        except UNREADABLE:
            return limit

    def _content(self, part: Part, names: Sequence[str]) -> pa.Table:
        """From memory when it was just written, else read and checked."""
        if part.path in self._fresh:
            return self._fresh[part.path].select(list(names))
        return read_whole(part, names, self._schema)


APART: Final = "damaged"
_KEPT: Final = {"frames": "its frames", "pictures": "the frames of its pictures"}


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
    for name, schema in (("frames", FRAME_SCHEMA), ("pictures", PICTURE_SCHEMA)):
        for part in list_parts(folder / name)[0]:
            try:
                read_whole(part, schema.names, schema)
            except DamagedPart:
                if set_apart(part):
                    done.append(
                        f"{part.path.name}: damaged, set apart in {folder / APART}; {_KEPT[name]} "
                        "are measured again by the next run"
                    )
    return done


def without_pictures(folder: Path, known: Known) -> NDArray[np.int64]:
    """Indices of measured frames whose small pictures are lost.

    Looked into only where there are fewer pictures than frames: the usual run costs a few footers.
    """
    rows = np.flatnonzero(known.measured & ~known.gone & ~known.no_pictures)
    parts = list_parts(folder / "pictures")[0]
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
    parts, leftovers = list_parts(folder / "frames")
    for part in leftovers:
        problems.append(f"{part.path.name}: left over from a merge; the next run removes it")
    tables = []
    for part in parts:
        try:
            table = read_whole(part, FRAME_SCHEMA.names, FRAME_SCHEMA)
        except (DamagedPart, OSError) as error:
            problems.append(str(error))
        else:
            problems += _frames(part.path.name, table)
            tables.append(table.select(list(KNOWN_COLUMNS)))
    for part in list_parts(folder / "pictures")[0]:
        problems += _pictures(part)
    if tables and (lost := len(without_pictures(folder, Known(newest(tables))))):
        problems.append(
            f"small pictures of {lost:,} frames are lost; the next run measures them again"
        )
    for name in ("frames", "pictures"):
        for path in sorted((folder / name).glob("*.tmp")):
            problems.append(f"{path.name}: a write that was cut short; the next run removes it")
    return problems


def _frames(name: str, table: pa.Table) -> list[str]:
    """What is wrong with the rows of a part of this name."""
    problems = []
    paths = table["path"].to_pylist()
    keys = whole_numbers(table["path_key"])
    if any(p is None for p in paths):
        return [f"{name}: rows without a path"]
    if not np.array_equal(keys, np.array([stored_key(p) for p in paths], np.int64)):
        problems.append(f"{name}: paths do not agree with their keys")
    for path, status, reason, file_id, leader in zip(
        paths,
        *(table[c].to_pylist() for c in ("status", "reason", "file_id", "measured_on")),
        strict=True,
    ):
        if status not in ("measured", "set-aside", "counted"):
            problems.append(f"{name}: {path}: unknown status {status}")
        elif status == "counted" and not leader:
            problems.append(f"{name}: {path}: counted without the file that it is measured on")
        elif status == "set-aside" and not reason:
            problems.append(f"{name}: {path}: set aside without a reason")
        elif status == "measured" and not file_id:
            problems.append(f"{name}: {path}: measured without a content hash")
    return problems


def _pictures(part: Part) -> list[str]:
    try:
        table = read_whole(part, PICTURE_SCHEMA.names, PICTURE_SCHEMA)
    except (DamagedPart, OSError) as error:
        consequence = "its frames are measured again on the next run"
        return [str(error).replace(consequence, "pictures are lost")]
    missing = table["file_id"].null_count
    return [f"{part.path.name}: {missing} pictures without a content hash"] if missing else []
