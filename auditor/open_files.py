"""Opening files with care: archives are left as they were found, and what is written is a file of its own."""

from __future__ import annotations

import contextlib
import os
import stat
from pathlib import Path
from typing import Final

__all__ = ["open_own", "open_unnoticed"]

_RIGHTS: Final = 0o644
"""Of a new file: its owner may write, others read."""


def open_unnoticed(path: str) -> int:
    """Descriptor for reading. The time of last access stays as it was where the system allows that, and a
    pipe with a picture's name does not block. Raises OSError, and ValueError for a name that can be none."""
    flags = os.O_RDONLY
    for name in ("O_CLOEXEC", "O_BINARY", "O_NONBLOCK"):
        flags |= getattr(os, name, 0)
    if hasattr(os, "O_NOATIME"):
        with contextlib.suppress(PermissionError):  # only the file's owner may ask for that
            return os.open(path, flags | os.O_NOATIME)
    return os.open(path, flags)


def open_own(path: Path, flags: int) -> int | None:
    """Descriptor of a file that is made where it is not there; None where it is no file of its own:
    writing into a pipe would wait for a reader, and through a link it would change a file elsewhere.
    Raises OSError."""
    for name in ("O_CLOEXEC", "O_NONBLOCK", "O_NOFOLLOW"):
        flags |= getattr(os, name, 0)
    fd = os.open(path, flags | os.O_CREAT, _RIGHTS)
    info = os.fstat(fd)
    if stat.S_ISREG(info.st_mode) and info.st_nlink <= 1:
        return fd
    os.close(fd)
    return None
