"""The measurement store: one folder of Parquet files, written in batches, readable by any pandas user."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from .errors import trouble
from .lock import WriterLock
from .merge import SmallParts
from .parts import (
    DamagedPart,
    Part,
    damaged,
    list_parts,
    read_part,
    read_rows,
    read_whole,
    write_part,
)
from .repair import check, mend, set_apart, without_pictures
from .rows import (
    KNOWN_COLUMNS,
    Known,
    codes,
    columns_of,
    flags,
    last_of_each,
    newest,
    positions,
    rows_there,
)
from .schema import (
    FRAME_NAMES,
    FRAME_SCHEMA,
    PICTURE_SCHEMA,
    frame_table,
    picture_table,
    side_by_side,
    some_rows,
    stored_keys,
)
from .side_files import read_unread, renew_unread, version_of, write_version

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Store"]


SMALL_PARTS: Final = 64
"""So many small parts are merged into one."""
TIDY_PARTS: Final = 8
"""So many small parts a run may leave unmerged at its end."""
PART_ROWS: Final = (2048, 16384)
"""Parts under the first number of rows are small; merged ones are merged again up to the second."""
AT_ONCE: Final = 24
"""So many columns are read and made into a table before the next."""
FRAME_GROUP: Final = 16384
"""Rows of a Parquet row group, the least that is read at once."""
PICTURE_GROUP: Final = 128
"""The same for pictures, of which a few are read at a time."""


class Store:
    """Measurements in `folder`: `frames/` (one row per file) and `pictures/` (by content).

    Reading needs no lock. `open_for_writing` (or using the store in a `with` statement) takes the
    writer's lock; `append` commits a batch. `warnings` collects one line per damaged part.
    """

    def __init__(self, folder: str | os.PathLike[str]) -> None:
        self.folder = Path(folder)
        self.warnings: list[str] = []
        self._lock = WriterLock(self.folder / "lock")
        self._next = 0
        self._keys: dict[Path, pa.ChunkedArray] = {}  # path keys or content hashes of parts
        self._whole: set[Path] = set()
        self._fresh: dict[Path, pa.Table] = {}  # parts written since the last merge
        self._small = 0
        version_of(self.folder)  # refuses what another version wrote

    # -- opening -------------------------------------------------------------------------------

    @property
    def writing(self) -> bool:
        """Whether this object holds the writer's lock."""
        return self._lock.held

    def open_for_writing(self) -> Store:
        """Make the folder, take the writer's lock, clear leftovers. Raises StoreError, StoreBusy."""
        try:
            with self._told():
                for name in ("frames", "pictures"):
                    (self.folder / name).mkdir(parents=True, exist_ok=True)
                self._lock.acquire()
                self._prepare()
        except BaseException:
            self._lock.release()
            raise
        return self

    def _prepare(self) -> None:
        if version_of(self.folder) is None:
            write_version(self.folder)
        last = -1
        for name in ("frames", "pictures"):
            parts, leftovers = list_parts(self.folder / name)
            stray = [p for p in (self.folder / name).iterdir() if p.name.endswith(".tmp")]
            for path in (*(p.path for p in leftovers), *stray):
                path.unlink(missing_ok=True)
            last = max([last, *(p.last for p in parts)])
        self._next = last + 1

    @contextlib.contextmanager
    def _told(self) -> Iterator[None]:
        """Errors of the system inside are told as StoreError."""
        try:
            yield
        except OSError as error:
            raise trouble(error, self.folder) from error

    def tidy(self) -> None:
        """Merge what a run left in many small parts: each costs the next run some milliseconds."""
        if self._small >= TIDY_PARTS:
            with self._told():
                self.compact()

    def close(self) -> None:
        """Give the writer's lock back."""
        self._lock.release()

    def __enter__(self) -> Store:
        return self.open_for_writing()

    def __exit__(self, *exc: object) -> None:
        self.close()

    # -- writing -------------------------------------------------------------------------------

    def append(
        self, rows: Sequence[Mapping[str, Any]], pictures: Sequence[Mapping[str, Any]] = ()
    ) -> None:
        """Commit one batch: on return it is on disk, before it none of it is visible.

        Pictures are written first; the part of frames is the commit. Raises StoreError (disk full,
        folder gone), and StoreBusy when another process took the store.
        """
        if not rows:
            return
        self._lock.confirm()
        number, self._next = self._next, self._next + 1
        with self._told():
            if pictures:
                self._write("pictures", number, picture_table(pictures), PICTURE_GROUP)
            table = frame_table(rows)
            part = self._write("frames", number, table, FRAME_GROUP)
            self._fresh[part.path] = table
            self._small += 1
            if self._small >= SMALL_PARTS:
                self.compact()

    def _write(self, name: str, number: int, table: pa.Table, group: int) -> Part:
        return write_part(self.folder / name, number, number, [table], table.schema, group)

    def compact(self) -> None:
        """Merge small neighbouring parts; the newest row of each path in the merged run is kept."""
        self._lock.confirm()
        for name, schema, group, key, sizes in (
            ("frames", FRAME_SCHEMA, FRAME_GROUP, "path_key", PART_ROWS),
            ("pictures", PICTURE_SCHEMA, PICTURE_GROUP, "file_id", PART_ROWS[:1]),
        ):
            parts = SmallParts(self.folder / name, schema, self._fresh, self._whole)
            for path in parts.merge(group, key, sizes):
                self._keys.pop(path, None)
        self._fresh.clear()
        self._small = 0

    # -- reading -------------------------------------------------------------------------------

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
        read = [self._read_frames(part, names) for part in list_parts(self.folder / "frames")[0]]
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
        """The frame table: the newest row of every file that is still there, sorted by path.

        `columns` are names of `record.COLUMNS` (all by default); those in `single` come with single
        precision, numbers of any kind as float32 and lists only where they hold something. `paths`
        keeps these files only. Damaged parts are left out and named in `warnings`.
        """
        names = list(FRAME_NAMES) if columns is None else list(columns)
        narrow = frozenset(single)
        wanted = None if paths is None else np.sort(np.array(stored_keys(list(paths)), np.int64))
        unusable: set[Path] = set()
        while True:
            found = rows_there(
                list_parts(self.folder / "frames")[0], self._read_frames, wanted, unusable
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
        """(path, reason) of every file that is there and was set aside, sorted by path."""
        table = self._newest(["path", "status", "reason"])
        status, names = codes(table["status"])
        keep = ~flags(table["gone"]) & np.array([n == "set-aside" for n in names])[status]
        table = table.select(["path", "reason"]).take(positions(np.flatnonzero(keep)))
        reasons = [reason or "" for reason in table["reason"].to_pylist()]
        return sorted(zip(table["path"].to_pylist(), reasons, strict=True))

    def unread(self) -> list[tuple[str, str]]:
        """(path, reason) of folders that could not be read when they were last looked at, by path."""
        return read_unread(self.folder)

    def remember_unread(self, found: Iterable[tuple[str, str]], walked: Sequence[str] = ()) -> None:
        """Remember folders that could not be read; `walked` are roots seen to their end, of which
        nothing older is kept. Raises StoreError."""
        self._lock.confirm()
        with self._told():
            renew_unread(self.folder, found, walked)

    def pictures(self, file_ids: Iterable[str]) -> pd.DataFrame:
        """The picture table for these content hashes: `file_id` and `record.PICTURE_COLUMNS`.

        A hash without pictures has no row.
        """
        wanted = pa.array(sorted(set(file_ids)), pa.string())
        tables = [PICTURE_SCHEMA.empty_table()]
        for part in list_parts(self.folder / "pictures")[0]:
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
        """Read everything; one line for each problem, none when the store is whole."""
        return check(self.folder)

    def mend(self) -> list[str]:
        """Set damaged parts apart and clear leftovers; one line for each part. Raises StoreError."""
        with self, self._told():
            return mend(self.folder)

    def without_pictures(self, known: Known) -> NDArray[np.int64]:
        """Indices in `known` of measured frames whose small pictures are lost."""
        return without_pictures(self.folder, known)

    def known(self) -> Known:
        """What is known of every path, memory-lean (about 150 bytes a file)."""
        return Known(self._newest(KNOWN_COLUMNS))

    def rows(self, known: Known, indices: Sequence[int]) -> dict[int, dict[str, Any]]:
        """Whole rows by their index in `known`; an index whose part was damaged since is absent."""
        return self._fetch(known, indices, FRAME_SCHEMA.names)

    def paths(self, known: Known, indices: Sequence[int]) -> list[str]:
        """Stored paths at indices of `known`; "" where the part was damaged since."""
        rows = self._fetch(known, indices, ["path", "path_key"])
        return [rows[i]["path"] if i in rows else "" for i in indices]

    def _fetch(
        self, known: Known, indices: Sequence[int], columns: Sequence[str]
    ) -> dict[int, dict[str, Any]]:
        # Parts may have been merged since `known` was made, so rows are found by key, not by place.
        index_of = {int(known.key[i]): i for i in indices}
        wanted = pa.array(list(index_of), pa.int64())
        found: dict[int, dict[str, Any]] = {}
        for part in list_parts(self.folder / "frames")[0]:
            hits = self._hits(part, "path_key", FRAME_SCHEMA, wanted)
            table = self._read(part, columns, FRAME_SCHEMA) if len(hits) else None
            if table is not None:
                for row in table.take(pa.array(hits)).to_pylist():
                    found[index_of[row["path_key"]]] = row
        return found
