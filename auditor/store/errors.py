"""What can be wrong with a store, in plain words."""

from __future__ import annotations

import errno
import re
from pathlib import Path
from typing import Final

from auditor.error_text import one_line

__all__ = ["StoreBusy", "StoreError", "why", "write_error"]


class StoreError(RuntimeError):
    """The store cannot be used as it is; the message is one line and says what to do."""


class StoreBusy(StoreError):
    """Another run holds the store; the message names it."""


_WORDS: Final = {
    errno.ENOSPC: "the disk is full: free some space, then run again",
    errno.EROFS: "the disk is read-only: give another --out folder",
    errno.EACCES: "it may not be written: give another --out folder",
    errno.EPERM: "it may not be written: give another --out folder",
    errno.ENOENT: "the folder has disappeared: make it available again, then run again",
    getattr(errno, "EDQUOT", -1): "the disk quota is used up: free some space, then run again",
}
"""Error numbers of the system -> what is wrong and what to do (-1, which is none, where a system lacks one)."""


def why(error: OSError) -> str:
    """Why something cannot be written, and what to do.

    Parameters
    ----------
    error : OSError
        The system's or Arrow's own.

    Returns
    -------
    str
        A clause in plain words.
    """
    code = error.errno
    if code is None and (number := re.search(r"\[errno (\d+)\]", str(error))):
        code = int(number[1])  # Arrow's own errors carry it in their text alone
    message = error.strerror or one_line(error)
    return _WORDS.get(code or 0, f"{message}: check the disk, then run again")


def write_error(error: OSError, folder: Path) -> StoreError:
    """What to say of a store that cannot be written."""
    return StoreError(
        f"the store in {folder} cannot be written ({why(error)}); all that was stored before is kept"
    )
