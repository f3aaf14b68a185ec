"""The measurement store: one folder of Parquet files, written in batches, readable by any pandas user.

One writer at a time: a lock file names its holder. The kernel holds the lock (flock), so that a dead process never blocks.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import socket
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import pyarrow as pa

from auditor.open_files import open_own
from auditor.store.errors import StoreBusy, StoreError, why, write_error
from auditor.store.parts import APART, merge_small, set_apart, write_part
from auditor.store.reading import TABLES, StoreReader
from auditor.store.schema import FRAME_SCHEMA, PICTURE_SCHEMA, frame_table, picture_table
from auditor.store.side_files import renew_unread, version_of, write_version

__all__ = ["Store", "take_lock"]

_TEXT_BYTES: Final = 4096
"""Bytes that are read of a holder's text, which has some hundred."""


def take_lock(path: Path) -> int:
    """Lock a file, which then names this process, until the descriptor given back is closed. Raises StoreBusy, naming
    the holder, StoreError and OSError."""
    fd = open_own(path, os.O_RDWR)
    if fd is None:
        raise StoreError(f"{path} is not a file of its own; remove it, then run again")
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        since = time.strftime("%Y-%m-%d %H:%M:%S")
        os.ftruncate(fd, 0)
        os.pwrite(fd, f"process {os.getpid()} on {socket.gethostname()}, since {since}".encode(), 0)
    except BlockingIOError:
        holder = os.read(fd, _TEXT_BYTES).decode("utf-8", "replace") or "another process"
        os.close(fd)
        raise StoreBusy(
            f"another run is writing to this store ({holder}): "
            f"{path.parent}; wait until it ends, or give another --out folder"
        ) from None
    except OSError as error:
        os.close(fd)
        raise StoreError(
            f"{path} cannot be locked ({why(error)}): give --out a folder on a disk of this machine"
        ) from error
    return fd


SMALL_PARTS: Final = 64
"""So many small parts are merged into one."""
TIDY_PARTS: Final = 8
"""So many small parts a run may leave unmerged at its end."""
FRAME_GROUP: Final = 16384
"""Rows of a Parquet row group, the least that is read at once."""
PICTURE_GROUP: Final = 128
"""The same for pictures, of which a few are read at a time."""


class Store(StoreReader):
    """Measurements in `folder`, to read and to write.

    `open_for_writing` (or using the store in a `with` statement) takes the writer's lock; `append`
    commits a batch.
    """

    def __init__(self, folder: str | os.PathLike[str]) -> None:
        super().__init__(folder)
        self._lock: int | None = None
        self._next = 0
        self._small = 0

    @property
    def writing(self) -> bool:
        """Whether this object holds the writer's lock."""
        return self._lock is not None

    def open_for_writing(self) -> Store:
        """Make the folder, take the writer's lock and clear leftovers of runs that were cut short.

        Returns
        -------
        Store
            This object.

        Raises
        ------
        StoreError
            When it can't be written.
        StoreBusy
            When another process writes to it.
        """
        if self._lock is not None:
            return self
        with self._store_errors():
            for name in TABLES:
                (self.folder / name).mkdir(parents=True, exist_ok=True)
            self._lock = take_lock(self.folder / "lock")
            try:
                self._prepare()
            except BaseException:
                self.close()
                raise
        return self

    def _prepare(self) -> None:
        if version_of(self.folder) is None:
            write_version(self.folder)
        last = -1
        for name in TABLES:
            for path in (self.folder / name).glob("*.tmp"):
                path.unlink(missing_ok=True)
            last = max([last, *(p.last for p in self._parts(name))])
        self._next = last + 1

    def _confirm(self) -> None:
        if not self.writing:
            raise StoreBusy(f"the store is not open for writing: {self.folder}")

    @contextlib.contextmanager
    def _store_errors(self) -> Iterator[None]:
        """Errors of the system inside are raised as StoreError."""
        try:
            yield
        except OSError as error:
            raise write_error(error, self.folder) from error

    def tidy(self) -> None:
        """Merge what a run left in many small parts: each costs the next run some milliseconds."""
        if self._small >= TIDY_PARTS:
            with self._store_errors():
                self.compact()

    def close(self) -> None:
        """Give the writer's lock back; harmless when it is not held."""
        if self._lock is not None:
            with contextlib.suppress(OSError):
                os.ftruncate(self._lock, 0)
            os.close(self._lock)
            self._lock = None

    def __enter__(self) -> Store:
        return self.open_for_writing()

    def __exit__(self, *exc: object) -> None:
        self.close()

    def append(
        self, rows: Sequence[Mapping[str, Any]], pictures: Sequence[Mapping[str, Any]] = ()
    ) -> None:
        """Commit one batch: on return it is on disk, before it none of it is visible.

        Pictures are written first; the part of frames is the commit.

        Parameters
        ----------
        rows : sequence of mapping
            Values by the names of `record.COLUMNS` and of the store's own columns.
        pictures : sequence of mapping
            `file_id` and values by the names of `record.PICTURE_COLUMNS`.

        Raises
        ------
        StoreError
            When the disk is full, or the folder gone.
        StoreBusy
            When it is not open for writing.
        """
        if not rows:
            return
        self._confirm()
        number, self._next = self._next, self._next + 1
        with self._store_errors():
            if pictures:
                self._write("pictures", number, picture_table(pictures), PICTURE_GROUP)
            self._write("frames", number, frame_table(rows), FRAME_GROUP)
            self._small += 1
            if self._small >= SMALL_PARTS:
                self.compact()

    def _write(self, name: str, number: int, table: pa.Table, group: int) -> None:
        write_part(self.folder / name, number, number, table, group)

    def compact(self) -> None:
        """Merge small neighbouring parts; the newest row of each path in the merged run is kept."""
        self._confirm()
        merge_small(self.folder / "frames", FRAME_SCHEMA, FRAME_GROUP, "path_key")
        merge_small(self.folder / "pictures", PICTURE_SCHEMA, PICTURE_GROUP, "file_id")
        for path in [path for path in self._keys if not path.exists()]:
            del self._keys[path]  # merged
        self._small = 0

    def remember_unread(self, found: Iterable[tuple[str, str]], walked: Sequence[str] = ()) -> None:
        """Remember folders that could not be read.

        Parameters
        ----------
        found : iterable of tuple
            (path, reason) of each.
        walked : sequence of str
            Roots seen to their end, of which nothing older is kept.

        Raises
        ------
        StoreError
            When it can't be written.
        """
        self._confirm()
        with self._store_errors():
            renew_unread(self.folder, found, walked)

    def mend(self) -> list[str]:
        """Set damaged parts apart and clear leftovers.

        Returns
        -------
        list of str
            One line for each part.

        Raises
        ------
        StoreError
            When it can't be written.
        """
        with self, self._store_errors():
            parts = [error.part for error in self._damaged() if not error.out_of_reach]
            return [
                f"{part.path.name} of {part.path.parent.name}: damaged, set apart in {self.folder / APART}; "
                "its frames are measured again by the next run"
                for part in parts
                if set_apart(part)
            ]
