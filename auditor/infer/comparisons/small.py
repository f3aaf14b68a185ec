"""Small pictures of frames, fetched a batch at a time: thumbnails and colour grids."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Final, TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.comparisons.colour import read_grid
from auditor.infer.lenses.grouping import texts

__all__ = ["PictureSource", "SmallPictures"]

PictureSource: TypeAlias = pd.DataFrame | Callable[[list[str]], pd.DataFrame]
"""A table with `file_id` (as column or index), `thumb_jpeg` and `colour_grid`, or what gives such a
table for some file ids."""

_MOST: Final = 5000
"""So many pictures at most are fetched at a time; they are read into memory."""


class SmallPictures:
    """Small pictures by position in the frame table. What is not there is None."""

    def __init__(self, frames: pd.DataFrame, source: PictureSource | None) -> None:
        self._ids = texts(frames, "file_id")
        self._source = source if callable(source) else None
        self._kept: dict[str, tuple[bytes | None, bytes | None]] = {}
        if isinstance(source, pd.DataFrame):
            self._keep(source)

    def fetch(self, rows: Iterable[int]) -> None:
        """Have the pictures of these rows at hand; those fetched before are let go."""
        if self._source is None:
            return
        wanted = list(dict.fromkeys(rows))
        ids = [str(i) for i in dict.fromkeys(self._ids.iloc[wanted]) if i][:_MOST]
        self._kept = {k: self._kept[k] for k in ids if k in self._kept}
        fresh = [k for k in ids if k not in self._kept]
        if fresh:
            self._keep(self._source(fresh))

    def _keep(self, table: pd.DataFrame) -> None:
        ids = table.get("file_id", table.index)
        columns = [
            table[n].to_list() if n in table else [None] * len(table)
            for n in ("thumb_jpeg", "colour_grid")
        ]
        for key, thumb, grid in zip(ids, *columns, strict=True):
            self._kept[str(key)] = (_bytes(thumb), _bytes(grid))

    def thumb(self, row: int) -> bytes | None:
        """The small JPEG of one frame, None where it is not known."""
        return self._kept.get(str(self._ids.iloc[row]), (None, None))[0]

    def grid(self, row: int) -> NDArray[np.float64] | None:
        """Area means of one frame in linear light (see `read_grid`), None where they are not known."""
        return read_grid(self._kept.get(str(self._ids.iloc[row]), (None, None))[1])


def _bytes(value: object) -> bytes | None:
    return bytes(value) if isinstance(value, (bytes, bytearray, memoryview)) else None
