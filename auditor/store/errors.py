"""What can be wrong with a store, in plain words."""

from __future__ import annotations

import errno
from pathlib import Path
from typing import Final

__all__ = ["StoreBusy", "StoreError", "trouble"]


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


def trouble(error: OSError, folder: Path) -> StoreError:
    """Why the store cannot be written, and what to do."""
    why = _WORDS.get(error.errno or 0, f"{error.strerror or error}: check the disk, then run again")
    return StoreError(
        f"the store in {folder} cannot be written ({why}); all that was stored before is kept"
    )
