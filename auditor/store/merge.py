"""Many small parts into one, a few of them in memory at a time."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from auditor.store.parts import (
    UNREADABLE,
    DamagedPart,
    Part,
    is_whole,
    list_parts,
    read_whole,
    write_part,
)
from auditor.store.rows import chosen, last_in_parts, whole_numbers
from auditor.units import MB

__all__ = ["SmallParts", "merge_parts"]

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
