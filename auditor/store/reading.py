"""What a store says to its readers: frame table, small pictures, what is known of every path."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from auditor.store.parts import (
    DamagedPart,
    Part,
    damaged,
    list_parts,
    read_part,
    read_rows,
    read_whole,
)
from auditor.store.rows import (
    KNOWN_COLUMNS,
    Known,
    codes,
    columns_of,
    flags,
    last_of_each,
    newest,
    positions,
    present_rows,
)
from auditor.store.schema import (
    FRAME_NAMES,
    FRAME_SCHEMA,
    PICTURE_SCHEMA,
    side_by_side,
    some_rows,
    stored_keys,
)
from auditor.store.side_files import read_unread, version_of
from auditor.store.upkeep import check, set_apart, without_pictures

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["StoreReader"]

AT_ONCE: Final = 24
"""So many columns are read and made into a table before the next."""


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

    def _read(self, part: Part, columns: Sequence[str], schema: pa.Schema) -> pa.Table | None:
        try:
            # Every column's bytes are checked before any is used: known() and load() read different
            # columns and must agree on what is damaged.
            if schema is PICTURE_SCHEMA or part.path in self._whole:
                return read_part(part, columns, schema)
            table = read_whole(part, columns, schema)
            self._whole.add(part.path)
            return table
        except OSError as error:
            self._warn(damaged(part, error))
            return None
        except DamagedPart as error:
            self._warn(error)
            if self.writing and not isinstance(error.__cause__, OSError):
                set_apart(part)  # its frames are measured again: it would be damaged for ever
            return None

    def _warn(self, error: DamagedPart) -> None:
        if str(error) not in self.warnings:
            self.warnings.append(str(error))

    def _newest(self, columns: Sequence[str]) -> pa.Table:
        """The newest row of each path, gone ones included, in the order of the parts."""
        names = list(dict.fromkeys(["path_key", "gone", *columns]))
        read = [self._read_frames(part, names) for part in list_parts(self.folder / "frames")]
        tables = [table for table in read if table is not None]
        # Making even an empty table from nothing loads pandas.
        return newest(tables) if tables else FRAME_SCHEMA.empty_table().select(names)

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
        narrow = frozenset(single)
        wanted = None if paths is None else np.sort(np.array(stored_keys(list(paths)), np.int64))
        unusable: set[Path] = set()
        while True:
            found = present_rows(
                list_parts(self.folder / "frames"), self._read_frames, wanted, unusable
            )
            parts = []
            # A few columns at a time: a large table does not lie in memory twice.
            for first in range(0, len(names), AT_ONCE):
                table = columns_of(found, self._read_frames, names[first : first + AT_ONCE])
                if isinstance(table, Path):  # merged meanwhile, or damaged in a way seen only now
                    unusable.add(table)
                    break
                parts.append(some_rows(table, found.order, narrow))
            else:
                return side_by_side(parts, len(found.order))

    def _read_frames(self, part: Part, columns: Sequence[str]) -> pa.Table | None:
        return self._read(part, columns, FRAME_SCHEMA)

    def set_aside(self) -> list[tuple[str, str]]:
        """Files that are there and were set aside.

        Returns
        -------
        list of tuple
            (path, reason), sorted by path.
        """
        table = self._newest(["path", "status", "reason"])
        status, names = codes(table["status"])
        keep = ~flags(table["gone"]) & np.array([n == "set-aside" for n in names])[status]
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
        tables = [PICTURE_SCHEMA.empty_table()]
        for part in list_parts(self.folder / "pictures"):
            hits = self._hits(part, "file_id", PICTURE_SCHEMA, wanted)
            if len(hits):
                try:
                    tables.append(read_rows(part, hits, PICTURE_SCHEMA))
                except DamagedPart as error:
                    self._warn(error)
        table = pa.concat_tables(tables)
        newest = np.sort(last_of_each(np.array(table["file_id"].to_pylist(), dtype="S64")))
        frame: pd.DataFrame = table.take(pa.array(newest, pa.int64())).to_pandas()
        return frame

    def _hits(self, part: Part, key: str, schema: pa.Schema, wanted: pa.Array) -> NDArray[np.int64]:
        """Rows of a part with one of these keys, which are remembered while the part exists."""
        if part.path not in self._keys:
            table = self._read(part, [key], schema)
            self._keys[part.path] = (schema.empty_table() if table is None else table)[key]
        return np.flatnonzero(flags(pc.is_in(self._keys[part.path], value_set=wanted)))

    def verify(self) -> list[str]:
        """Read everything and check it.

        Returns
        -------
        list of str
            One line for each problem; empty when the store is whole.
        """
        return check(self.folder)

    def without_pictures(self, known: Known) -> NDArray[np.int64]:
        """Measured frames whose small pictures are lost.

        Parameters
        ----------
        known : Known
            From `known`.

        Returns
        -------
        (k,) ndarray of int64
            Indices in `known`.
        """
        return without_pictures(self.folder, known)

    def known(self) -> Known:
        """What is known of every path, to tell which files have to be read again.

        Returns
        -------
        Known
            Arrays over the newest row of each path; about 150 bytes a file.
        """
        return Known(self._newest(KNOWN_COLUMNS))

    def rows(self, known: Known, indices: Sequence[int]) -> dict[int, dict[str, Any]]:
        """Whole rows of some files.

        Parameters
        ----------
        known : Known
            From `known`.
        indices : sequence of int
            Indices in it.

        Returns
        -------
        dict
            Index -> values by column; an index whose part was damaged since is absent.
        """
        return self._fetch(known, indices, FRAME_SCHEMA.names)

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
        rows = self._fetch(known, indices, ["path", "path_key"])
        return [rows[i]["path"] if i in rows else "" for i in indices]

    def _fetch(
        self, known: Known, indices: Sequence[int], columns: Sequence[str]
    ) -> dict[int, dict[str, Any]]:
        # Parts may have been merged since `known` was made, so rows are found by key, not by place.
        index_of = {int(known.key[i]): i for i in indices}
        wanted = positions(np.fromiter(index_of, np.int64))
        found: dict[int, dict[str, Any]] = {}
        for part in list_parts(self.folder / "frames") if index_of else ():
            hits = self._hits(part, "path_key", FRAME_SCHEMA, wanted)
            table = self._read(part, columns, FRAME_SCHEMA) if len(hits) else None
            if table is not None:
                for row in table.take(positions(hits)).to_pylist():
                    found[index_of[row["path_key"]]] = row
        return found
