"""Small pictures by the content of their file: where they come from, and how they are fetched."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any, Final, TypeAlias

import pandas as pd

__all__ = ["PictureSource", "fetch_pictures"]

PictureSource: TypeAlias = Callable[[list[str]], pd.DataFrame] | pd.DataFrame
"""A table with `PICTURE_COLUMNS` and `file_id` (column or index), any of the former may be missing; or a
function that gives such a table for a list of file ids."""

AT_ONCE: Final = 200
"""Files whose pictures are asked for at a time: some megabytes of them."""


def fetch_pictures(
    source: PictureSource | None, file_ids: Iterable[Any], at_once: int = AT_ONCE
) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Small pictures by the content of their file.

    Parameters
    ----------
    source : PictureSource or None
        Table, or function that gives one for file ids; None has no pictures.
    file_ids : iterable
        Content hashes; those that are missing are passed over, and each is asked for once.
    at_once : int
        Files whose pictures are asked for at a time.

    Yields
    ------
    file_id : str
        A hash that has pictures, in the order asked.
    pictures : mapping
        Values by the names of `PICTURE_COLUMNS`; any may be absent.
    """
    wanted = list(dict.fromkeys(f for f in file_ids if isinstance(f, str) and f))
    for start in range(0, len(wanted) if source is not None else 0, at_once):
        batch = wanted[start : start + at_once]
        table = source(batch) if callable(source) else source
        assert table is not None
        if "file_id" in table.columns:
            table = table.set_index("file_id")
        table = table[table.index.isin(batch) & ~table.index.duplicated()]
        known = table.to_dict("index")
        yield from ((f, known[f]) for f in batch if f in known)
