"""Many small parts into one, a few of them in memory at a time."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from ..units import MB
from .parts import (
    UNREADABLE,
    DamagedPart,
    Part,
    is_whole,
    list_parts,
    read_whole,
    write_part,
)
from .rows import chosen, last_in_parts, whole_numbers

__all__ = ["merge_parts", "merge_small"]

_TOGETHER_ROWS: Final = 4096
"""Rows that are held in memory before they are written into the merged part ..."""
_TOGETHER_BYTES: Final = 8 * MB
"""... or bytes of them, whichever comes first."""


def merge_parts(
    folder: Path,
    run: Sequence[Part],
    schema: pa.Schema,
    group: int,
    key: str,
    fresh: Mapping[Path, pa.Table],
) -> Part:
    """Write one part in place of neighbouring ones; of rows with the same key the newest stays. The old parts
    are left to the caller; some may still be in memory (`fresh`). Raises DamagedPart."""

    def content(part: Part, names: list[str]) -> pa.Table:
        held = fresh.get(part.path)
        return read_whole(part, names, schema) if held is None else held.select(names)

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

    return write_part(folder, run[0].first, run[-1].last, tables(), schema, group)


def _keys(column: pa.ChunkedArray) -> NDArray[np.generic]:
    if pa.types.is_integer(column.type):
        return whole_numbers(column)
    return np.array([text or "" for text in column.to_pylist()], dtype="S64")


def merge_small(
    folder: Path,
    schema: pa.Schema,
    group: int,
    key: str,
    sizes: Sequence[int],
    fresh: Mapping[Path, pa.Table],
    whole: set[Path],
) -> Iterator[Path]:
    """Merge neighbours of fewer rows than each of `sizes`, and delete them; yields what is gone. `fresh`: parts
    still in memory; `whole`: parts whose checksum was found right, to which more are added."""
    for limit in sizes:
        runs: list[list[Part]] = [[]]
        rows = 0
        for part in list_parts(folder):
            count = _rows(part, limit, whole)
            if count >= limit or rows >= limit:
                runs.append([])
                rows = 0
            if count < limit:
                runs[-1].append(part)
                rows += count
        for run in runs[: None if limit == sizes[0] else -1]:  # the last run may still grow
            if len(run) < 2:
                continue
            try:
                merged = merge_parts(folder, run, schema, group, key, fresh)
            except (DamagedPart, FileNotFoundError):
                continue
            # What is left of a merge cut short may give the same part again.
            for part in run:
                if part.path != merged.path:
                    part.path.unlink(missing_ok=True)
                    yield part.path


def _rows(part: Part, limit: int, whole: set[Path]) -> int:
    """Number of rows; `limit` when there are more, or when the part is damaged: not to be merged."""
    try:
        count = int(pq.read_metadata(part.path).num_rows)
        if count < limit and part.path not in whole:
            if not is_whole(part):
                return limit
            whole.add(part.path)
        return min(count, limit)
    except UNREADABLE:
        return limit
