"""Bytes of one file, read once: from a local path, or from anything that fsspec reads."""

from __future__ import annotations

import contextlib
import errno
import os
import stat
import time
from collections.abc import Iterator
from dataclasses import dataclass
from hashlib import blake2b
from typing import BinaryIO, Final, Literal

from auditor.crawl.entries import changed_ns
from auditor.error_text import one_line
from auditor.open_files import open_unnoticed
from auditor.units import MB

__all__ = [
    "Content",
    "Unreadable",
    "is_url",
    "place_reachable",
    "read",
    "read_head",
    "read_sidecar",
]

_SIDECAR_LIMIT: Final = 16 * MB
"""A larger sidecar is not read: they have some kilobytes."""
_MARKED: Final = 64 * 2**10
"""Bytes at the beginning, in the middle and at the end of a file that its mark is made of: scans may have margins
in common, and no picture between them."""
_MARK_BYTES: Final = 12
"""Of that mark: among ten million files two share one by chance with 1 in 10^15."""
_AGAIN_S: Final = 0.5
"""Pause before a file that changed while it was read is read once more."""
Retry = Literal["never", "next run", "soon"]
_RETRIES: dict[int, Retry] = {
    **dict.fromkeys([errno.EACCES, errno.EPERM], "next run"),
    **dict.fromkeys(
        [errno.EFBIG, errno.ELOOP, errno.ENAMETOOLONG, errno.EISDIR, errno.ENXIO], "never"
    ),
}
"""When another attempt may do better; "soon" for every other error, such as those of a network."""


class Unreadable(Exception):
    """The file's bytes cannot be had; the message says why in plain words.

    `retry`: when another attempt may do better. "never": it is the file itself. "next run": something
    about its rights. "soon": something about its place or its moment.
    """

    def __init__(self, message: str, retry: Retry) -> None:
        super().__init__(message)
        self.retry: Retry = retry


def _unreadable(what: str, error: OSError) -> Unreadable:
    return Unreadable(
        f"the file cannot be {what} ({error.strerror})", _RETRIES.get(error.errno or 0, "soon")
    )


@dataclass(frozen=True, slots=True)
class Content:
    """What was read, and the file's size and time of change as they were then."""

    data: bytes
    size_bytes: int
    mtime_ns: int | None


def is_url(path: str) -> bool:
    """Whether `path` is an address for fsspec rather than a local path."""
    return "://" in path[:16]


def read(path: str, limit_bytes: int, mtime_ns: int | None = None) -> Content:
    """The whole file. A file that changes while it is read is read once more. Raises Unreadable."""
    if is_url(path):
        return _read_url(path, limit_bytes, mtime_ns)
    for attempt in range(2):
        content, unchanged = _read_local(path, limit_bytes)
        if unchanged:
            return content
        if attempt == 0:
            time.sleep(_AGAIN_S)
    raise Unreadable("the file was being written while it was read", "soon")


def read_head(path: str, count: int, limit_bytes: int, size_bytes: int) -> tuple[bytes, bool, str]:
    """(first `count` bytes, whether that is all, a mark that files of one content have in common).

    The mark is made of three places and the size. Of an address, where only the beginning is read, `size_bytes`
    is what the file had when it was found.
    Raises Unreadable.
    """
    if is_url(path):
        data, size = _head_of_url(path, count), size_bytes
        whole, marked = len(data) < count, data[: 4 * _MARKED]
    else:
        with _opened(path, limit_bytes) as (file, info):
            size = info.st_size
            data = file.read(min(count, size))
            whole, marked = len(data) >= size, data[:_MARKED]
            for place in (size // 2, size - _MARKED):
                file.seek(max(place, 0))
                marked += file.read(_MARKED)
    return data, whole, f"{size:x}-{blake2b(marked, digest_size=_MARK_BYTES).hexdigest()}"


def _head_of_url(path: str, count: int) -> bytes:
    import fsspec

    with _url_errors():
        fs, inner = fsspec.core.url_to_fs(path)
        return bytes(fs.cat_file(inner, start=0, end=count))[:count]


@contextlib.contextmanager
def _opened(path: str, limit_bytes: int) -> Iterator[tuple[BinaryIO, os.stat_result]]:
    """An ordinary file that is not too large, and what it is like. Raises Unreadable, also for what goes
    wrong while it is open."""
    fd = _open_named(path)
    try:
        info = _regular(fd, limit_bytes)
        with open(fd, "rb", closefd=False) as file:
            yield file, info
    except OSError as error:
        raise _unreadable("read", error) from None
    finally:
        os.close(fd)


def _open_named(path: str) -> int:
    try:
        return open_unnoticed(path)
    except FileNotFoundError:
        raise Unreadable("the file disappeared before it could be read", "soon") from None
    except PermissionError:
        raise Unreadable("the file may not be read (permission denied)", "next run") from None
    except ValueError:
        reason = "the file's name cannot be used under this system's settings"
        raise Unreadable(reason, "next run") from None
    except OSError as error:
        raise _unreadable("opened", error) from None


def _regular(fd: int, limit_bytes: int) -> os.stat_result:
    info = os.fstat(fd)
    if not stat.S_ISREG(info.st_mode):
        raise Unreadable("not an ordinary file", "never")
    if info.st_size > limit_bytes:
        raise Unreadable(f"the file is larger than {limit_bytes // MB} MB", "never")
    return info


def _read_local(path: str, limit_bytes: int) -> tuple[Content, bool]:
    with _opened(path, limit_bytes) as (file, before):
        data = file.read(before.st_size + 1)
        after = os.fstat(file.fileno())
    unchanged = (
        len(data) == before.st_size == after.st_size and before.st_mtime_ns == after.st_mtime_ns
    )
    return Content(data, after.st_size, changed_ns(after)), unchanged


@contextlib.contextmanager
def _url_errors() -> Iterator[None]:
    try:
        yield
    except FileNotFoundError:
        raise Unreadable("the file disappeared before it could be read", "soon") from None
    except Exception as error:  # every kind of file system has errors of its own
        reason = one_line(error) or type(error).__name__
        raise Unreadable(f"the file cannot be read ({reason})", "soon") from None


def _read_url(path: str, limit_bytes: int, mtime_ns: int | None) -> Content:
    import fsspec

    with _url_errors():
        fs, inner = fsspec.core.url_to_fs(path)
        with fs.open(inner, "rb", cache_type="none") as file:
            data = file.read(limit_bytes + 1)
    if len(data) > limit_bytes:
        raise Unreadable(f"the file is larger than {limit_bytes // MB} MB", "never")
    return Content(data, len(data), mtime_ns)


def read_sidecar(path: str | None) -> bytes | None:
    """A sidecar's content; None where there is none, or it can't be had."""
    with contextlib.suppress(Unreadable):
        return None if path is None else read(path, _SIDECAR_LIMIT).data
    return None


def place_reachable(path: str, root: str) -> bool:
    """Whether the place of a file that can't be read still answers, as far as can be told: its
    archive can be listed and holds something, and no folder on the way to the file has become empty.
    That is what a share leaves behind that went away."""
    try:
        if is_url(root):
            import fsspec

            fs, inner = fsspec.core.url_to_fs(root)
            return bool(fs.ls(inner, detail=False))
        if not os.path.isdir(root):
            return os.path.exists(root)
        folder = os.path.dirname(path)
        while len(folder) > len(root) and not os.path.isdir(folder):
            folder = os.path.dirname(folder)
        with os.scandir(folder) as entries:
            return next(entries, None) is not None
    except Exception:
        return False
