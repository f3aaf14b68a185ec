"""Opening and writing files with care: archives are left as they were found, and what is written is a file of
its own, there whole or not at all."""

from __future__ import annotations

import contextlib
import os
import shutil
import stat
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from auditor.units import MB

__all__ = ["RunLog", "atomic_write", "open_own", "open_unnoticed", "write_file"]


_RIGHTS: Final = 0o644
"""Of a new file: its owner may write, others read."""


def open_unnoticed(path: str) -> int:
    """Open a file for reading without leaving a trace.

    The time of last access stays as it was where the system allows that, and a pipe with a picture's name
    does not block.

    Parameters
    ----------
    path : str
        File to open.

    Returns
    -------
    int
        File descriptor, which the caller closes.

    Raises
    ------
    OSError
        When it can't be opened.
    ValueError
        For a name that no file can have.
    """
    flags = os.O_RDONLY
    for name in ("O_CLOEXEC", "O_BINARY", "O_NONBLOCK"):
        flags |= getattr(os, name, 0)
    if hasattr(os, "O_NOATIME"):
        with contextlib.suppress(PermissionError):  # only the file's owner may ask for that
            return os.open(path, flags | os.O_NOATIME)
    return os.open(path, flags)


def open_own(path: Path, flags: int) -> int | None:
    """Open a file for writing, made where it is not there, if it is a regular file with one name.

    Writing into a pipe would wait for a reader, and through a link it would change a file elsewhere.

    Parameters
    ----------
    path : pathlib.Path
        File to open.
    flags : int
        Flags of `os.open`, to which those that create and don't follow are added.

    Returns
    -------
    int or None
        File descriptor, which the caller closes; None where `path` is no such file.

    Raises
    ------
    OSError
        When it can't be opened; a symbolic link included.
    """
    for name in ("O_CLOEXEC", "O_NONBLOCK", "O_NOFOLLOW"):
        flags |= getattr(os, name, 0)
    fd = os.open(path, flags | os.O_CREAT, _RIGHTS)
    info = os.fstat(fd)
    if stat.S_ISREG(info.st_mode) and info.st_nlink <= 1:
        return fd
    os.close(fd)
    return None


def write_file(path: Path, data: bytes | memoryview, durable: bool = False) -> None:
    """Write a file so that it is there whole or not at all.

    Parameters
    ----------
    path : pathlib.Path
        File to write; `path` with '.tmp' after its name is written first and renamed.
    data : bytes or memoryview
        Content.
    durable : bool
        Flush file and folder to disk, so that the file survives a power cut.

    Raises
    ------
    OSError
        When it can't be written; what was there is kept.
    """
    temporary = path.with_name(path.name + ".tmp")
    with contextlib.suppress(FileNotFoundError):
        os.unlink(temporary)  # whatever lies there, a link that leads elsewhere included
    try:
        with open(temporary, "xb") as out:
            out.write(data)
            if durable:
                out.flush()
                os.fsync(out.fileno())
        os.replace(temporary, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(temporary)
        raise
    if durable and hasattr(os, "O_DIRECTORY"):
        fd = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)


_PREFIX: Final = ".writing-"
_LEFT_S: Final = 24 * 3600.0
"""A folder that has been written to for longer belongs to a program that was killed."""


@contextlib.contextmanager
def atomic_write(out: Path) -> Iterator[Path]:
    """Temporary folder whose files move into `out` at the end of the block.

    Parameters
    ----------
    out : pathlib.Path
        Folder that takes the files; it exists.

    Yields
    ------
    pathlib.Path
        Folder inside `out` to write into; after an error it is removed, and `out` is as it was.

    Raises
    ------
    OSError
        When it can't be made, or a file can't be moved.
    """
    for old in out.glob(f"{_PREFIX}*"):
        with contextlib.suppress(OSError):
            if time.time() - old.stat().st_mtime > _LEFT_S:
                shutil.rmtree(old, ignore_errors=True)
    beside = Path(tempfile.mkdtemp(prefix=_PREFIX, dir=out))
    try:
        yield beside
        moves = [(p, out / p.relative_to(beside)) for p in sorted(beside.rglob("*")) if p.is_file()]
        for folder in {place.parent for _, place in moves}:  # before anything has moved
            folder.mkdir(parents=True, exist_ok=True)
        for path, place in moves:
            os.replace(path, place)
    finally:
        shutil.rmtree(beside, ignore_errors=True)


LIMIT_BYTES: Final = 4 * MB
"""At this size a log becomes an old one."""


class RunLog:
    """Appends lines to `path`; at `LIMIT_BYTES` it becomes `path.1`, in place of an older one.

    A log that cannot be written is no reason to stop: its lines are dropped.
    """

    def __init__(self, path: Path) -> None:
        self.path = path

    def line(self, text: str) -> None:
        """Append one line with the time; dropped where the log cannot be written.

        Parameters
        ----------
        text : str
            What is said; line ends become blanks.
        """
        stamp = time.strftime("%Y-%m-%d %H:%M:%S")
        line = f"{stamp} {' '.join(text.split())}\n".encode("utf-8", "backslashreplace")
        with contextlib.suppress(OSError):
            if self.path.exists() and self.path.stat().st_size >= LIMIT_BYTES:
                os.replace(self.path, self.path.with_name(f"{self.path.name}.1"))
            fd = open_own(self.path, os.O_WRONLY | os.O_APPEND)
            if fd is None:
                return
            try:
                os.write(fd, line)
            finally:
                os.close(fd)
