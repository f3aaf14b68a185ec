"""What a store says to its readers: frame table, small pictures, what is known of every path."""

from __future__ import annotations

import os
from collections.abc import Callable, Container, Iterable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from auditor.store.parts import (
    DamagedPart,
    Part,
    check_whole,
    count_rows,
    list_parts,
    read_part,
    set_apart,
)
from auditor.store.rows import (
    KNOWN_COLUMNS,
    Known,
    codes,
    digests,
    flags,
    newest,
    positions,
    whole_numbers,
)
from auditor.store.schema import (
    FRAME_NAMES,
    FRAME_SCHEMA,
    PICTURE_SCHEMA,
    lean,
    side_by_side,
    stored_keys,
    to_pandas,
)
from auditor.store.side_files import read_unread, version_of

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["TABLES", "StoreReader"]

Read = TypeVar("Read")

TABLES: Final = {"frames": FRAME_SCHEMA, "pictures": PICTURE_SCHEMA}


AT_ONCE: Final = 24
"""So many columns are put in order and made into a table before the next."""


class StoreReader:
    """Measurements in `folder`: `frames/` (one row per file) and `pictures/` (by content).

    Reading needs no lock. `warnings` collects one line per damaged part.
    """

    def __init__(self, folder: str | os.PathLike[str]) -> None:
        self.folder = Path(folder)
        self.warnings: list[str] = []
        self._keys: dict[Path, pa.ChunkedArray] = {}  # path keys or content hashes of parts
        self._whole: set[Path] = set()
        version_of(self.folder)  # refuses what another version wrote

    @property
    def writing(self) -> bool:
        """Whether this object may change the store: a reader never may."""
        return False

    def _parts(self, name: str) -> list[Part]:
        return list_parts(self.folder / name)

    def _read(
        self,
        part: Part,
        columns: Sequence[str],
        schema: pa.Schema = FRAME_SCHEMA,
        rows: NDArray[np.int64] | None = None,
    ) -> pa.Table:
        """Without any row where the part can't be used."""
        try:
            # Every column's bytes are checked before any is used: known() and load() read different
            # columns and must agree on what is damaged.
            if schema is FRAME_SCHEMA and part.path not in self._whole:
                check_whole(part)
                self._whole.add(part.path)
            return read_part(part, columns, schema, rows)
        except DamagedPart as error:
            if part.path.exists() and str(error) not in self.warnings:  # not merged meanwhile
                self.warnings.append(str(error))
            if self.writing and not error.out_of_reach:
                set_apart(part)  # its frames are measured again: it would be damaged for ever
            return schema.empty_table().select(list(columns))

    def _of_parts(self, name: str, read: Callable[[Part], Read]) -> list[Read]:
        """What is read of every part of a table; once more where one was merged meanwhile."""
        while True:
            parts = self._parts(name)
            found = [read(part) for part in parts]
            if set(parts) <= set(self._parts(name)):
                return found

    def _newest(self, columns: Sequence[str], single: Container[str] = ()) -> pa.Table:
        """The newest row of each path, gone ones included, in the order of the parts."""
        names = list(dict.fromkeys(["path_key", "gone", *columns]))
        tables = self._of_parts("frames", lambda part: lean(self._read(part, names), single))
        # Making even an empty table loads pandas.
        return newest(tables or [lean(FRAME_SCHEMA.empty_table().select(names), single)])

    def load(
        self,
        columns: Iterable[str] | None = None,
        *,
        single: Iterable[str] = (),
        paths: Iterable[str] | None = None,
    ) -> pd.DataFrame:
        """Frame table: the newest row of every file that is still there.

        Damaged parts are left out and named in `warnings`.

        Parameters
        ----------
        columns : iterable of str or None
            Names of `record.COLUMNS`; None for all.
        single : iterable of str
            Columns in single precision: numbers of any kind as float32, and lists only where they hold something.
        paths : iterable of str or None
            Printable paths of the files to keep; None for all.

        Returns
        -------
        pandas.DataFrame
            Sorted by path, in the types of `schema.to_pandas`.
        """
        names = list(FRAME_NAMES) if columns is None else list(columns)
        table = self._newest(["path", *names], frozenset(single))
        present = ~flags(table["gone"])
        if paths is not None:
            present &= np.isin(whole_numbers(table["path_key"]), stored_keys(list(paths)))
        rows = positions(np.flatnonzero(present))
        rows = rows.take(pc.sort_indices(table["path"].take(rows)))
        # A few columns at a time: a large table does not lie in memory three times.
        parts = [names[at : at + AT_ONCE] for at in range(0, len(names), AT_ONCE)] or [[]]
        return side_by_side([to_pandas(table.select(part).take(rows)) for part in parts])

    def set_aside(self) -> list[tuple[str, str]]:
        """Files that are there and were set aside.

        Returns
        -------
        list of tuple
            (path, reason), sorted by path.
        """
        table = self._newest(["path", "status", "reason"])
        status, names = codes(table["status"])
        keep = ~flags(table["gone"]) & np.array([n == "set-aside" for n in names], bool)[status]
        table = table.select(["path", "reason"]).take(positions(np.flatnonzero(keep)))
        reasons = [reason or "" for reason in table["reason"].to_pylist()]
        return sorted(zip(table["path"].to_pylist(), reasons, strict=True))

    def unread(self) -> list[tuple[str, str]]:
        """Folders that could not be read when they were last looked at.

        Returns
        -------
        list of tuple
            (path, reason), sorted by path.
        """
        return read_unread(self.folder)

    def pictures(self, file_ids: Iterable[str]) -> pd.DataFrame:
        """Picture table for some content hashes.

        Parameters
        ----------
        file_ids : iterable of str
            Content hashes.

        Returns
        -------
        pandas.DataFrame
            `file_id` and `record.PICTURE_COLUMNS`; a hash without pictures has no row.
        """
        wanted = pa.array(sorted(set(file_ids)), pa.string())
        names = PICTURE_SCHEMA.names
        tables = self._of_parts(
            "pictures", lambda part: self._matching(part, names, PICTURE_SCHEMA, "file_id", wanted)
        )
        return to_pandas(newest([PICTURE_SCHEMA.empty_table(), *tables], "file_id"))

    def _keys_of(self, part: Part, key: str, schema: pa.Schema) -> pa.ChunkedArray:
        """Path keys or content hashes of a part, which are remembered."""
        if part.path not in self._keys:
            self._keys[part.path] = self._read(part, [key], schema)[key]
        return self._keys[part.path]

    def _matching(
        self, part: Part, columns: Sequence[str], schema: pa.Schema, key: str, wanted: pa.Array
    ) -> pa.Table:
        """Rows of a part with one of these keys."""
        hits = np.flatnonzero(flags(pc.is_in(self._keys_of(part, key, schema), value_set=wanted)))
        if not len(hits):
            return schema.empty_table().select(list(columns))
        return self._read(part, columns, schema, hits)

    def _damaged(self) -> Iterator[DamagedPart]:
        """Reads every byte of the store."""
        for name, schema in TABLES.items():
            found = self._of_parts(name, partial(_damage, schema=schema))
            yield from (error for error in found if error is not None)

    def verify(self) -> list[str]:
        """Read everything and check it.

        Returns
        -------
        list of str
            One line for each problem; empty when the store is whole.
        """
        problems = [str(error) for error in self._damaged()]
        problems += [
            f"{path.name}: a write that was cut short; the next run removes it"
            for path in sorted(self.folder.glob("*/*.tmp"))
        ]
        if lost := len(self.without_pictures(self.known())):
            problems.append(
                f"small pictures of {lost:,} frames are lost; the next run measures them again"
            )
        return problems

    def without_pictures(self, known: Known) -> NDArray[np.int64]:
        """Measured frames whose small pictures are lost.

        Looked into only where there are fewer pictures than frames: the usual run costs a few footers.

        Parameters
        ----------
        known : Known
            From `known`.

        Returns
        -------
        (k,) ndarray of int64
            Indices in `known`.
        """
        rows = np.flatnonzero(known.measured & ~known.gone & ~known.no_pictures)
        parts = self._parts("pictures")
        if sum(map(count_rows, parts)) >= len(rows):
            return np.zeros(0, np.int64)
        keys = self._of_parts(
            "pictures", lambda part: digests(self._keys_of(part, "file_id", PICTURE_SCHEMA))
        )
        present = np.concatenate([np.zeros(0, "S32"), *keys])
        ids = known.ids[rows]
        return rows[~np.isin(ids, present) & (ids != b"")]

    def known(self) -> Known:
        """What is known of every path, to tell which files have to be read again.

        Returns
        -------
        Known
            Arrays over the newest row of each path; about 150 bytes a file.
        """
        return Known(self._newest(KNOWN_COLUMNS))

    def rows(
        self, known: Known, indices: Sequence[int], columns: Sequence[str] = FRAME_SCHEMA.names
    ) -> dict[int, dict[str, Any]]:
        """Rows of some files.

        Parameters
        ----------
        known : Known
            From `known`.
        indices : sequence of int
            Indices in it.
        columns : sequence of str
            Names of columns, `path_key` among them.

        Returns
        -------
        dict
            Index -> values by column; an index whose part was damaged since is absent.
        """
        # Parts may have been merged since `known` was made, so rows are found by key, not by place.
        index_of = {int(known.key[i]): i for i in indices}
        wanted = positions(np.fromiter(index_of, np.int64))
        if not index_of:
            return {}
        tables = self._of_parts(
            "frames", lambda part: self._matching(part, columns, FRAME_SCHEMA, "path_key", wanted)
        )
        return {index_of[row["path_key"]]: row for table in tables for row in table.to_pylist()}

    def paths(self, known: Known, indices: Sequence[int]) -> list[str]:
        """Stored paths of some files.

        Parameters
        ----------
        known : Known
            From `known`.
        indices : sequence of int
            Indices in it.

        Returns
        -------
        list of str
            Printable paths; "" where the part was damaged since.
        """
        rows = self.rows(known, indices, ["path", "path_key"])
        return [rows[i]["path"] if i in rows else "" for i in indices]


def _damage(part: Part, schema: pa.Schema) -> DamagedPart | None:
    """What is wrong with a part, of which every byte is read."""
    try:
        check_whole(part)
        read_part(part, schema.names, schema)
    except DamagedPart as error:
        return error
    return None
