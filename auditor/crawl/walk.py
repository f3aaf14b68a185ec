"""Folders to files: every picture of an archive once, in a fixed order, with what was passed over; of this machine,
or of another one's file system by any address that fsspec knows.

One pass of `os.scandir` distinguishes files, folders and links without asking the disk again; only
pictures are asked for size and time, and only files without an ending are opened. Per folder only
names are held, so that memory follows the largest folder, not the archive.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from functools import partial
from operator import attrgetter
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit

from auditor.crawl.entries import FileEntry, Skipped, changed_ns, in_64_bits, sidecar_of, stamp
from auditor.crawl.mounts import is_of_system
from auditor.crawl.names import full_address, root_name, without_password
from auditor.crawl.suffixes import (
    PICTURE_SUFFIXES,
    SIDECAR_SUFFIX,
    claims_picture,
    folder_reason,
    hidden_reason,
    holds_picture,
    suffix_of,
)
from auditor.error_text import one_line

__all__ = ["find_files"]

_name = attrgetter("name")


def find_files(roots: Sequence[str | Path]) -> Iterator[FileEntry | Skipped]:
    """Walk folders and find every picture once.

    Pictures come sorted by name within each folder, parents first. Links are followed when they lead out of
    the archive, and nothing is followed twice; a folder given twice, or inside another, is walked once.

    Parameters
    ----------
    roots : sequence of str or pathlib.Path
        Folders; files, which are taken whatever their name; or addresses of another file system
        ('memory://archive').

    Yields
    ------
    FileEntry or Skipped
        `FileEntry` for what can be read, `Skipped` for what can't or should not be.
    """
    named = [root_name(r) for r in roots]
    walker = _Walker([os.path.realpath(r) for r in named if "://" not in r])
    for root in named:
        if "://" in root:
            yield from _find_remote(root)
        else:
            yield from walker.walk(root)


def _why(error: OSError) -> str:
    return (error.strerror or type(error).__name__).lower()


_SPECIAL: Final = "not an ordinary file, but a pipe, a socket or a device"


class _Walker:
    """Holds what must not be visited twice: folders, and files that links led to."""

    def __init__(self, real_roots: list[str]) -> None:
        self._device: int | None = None  # of the root that is walked
        self._roots = [r.rstrip(os.sep) + os.sep for r in real_roots]
        self._folders: set[tuple[int, int]] = set()
        self._linked: set[tuple[int, int]] = set()

    def walk(self, root: str) -> Iterator[FileEntry | Skipped]:
        try:
            info = os.stat(root)
        except OSError as error:
            picture = claims_picture(root)
            yield Skipped(root, f"can't be opened: {_why(error)}", picture, not picture)
            return
        if stat.S_ISREG(info.st_mode):
            key = (info.st_dev, info.st_ino)
            target = os.path.realpath(root)
            inside = any(target.startswith(r) for r in self._roots)
            walked = inside and _is_picture(os.path.basename(target), target)
            if walked or key in self._linked:
                return  # found in its folder, or named twice
            self._linked.add(key)
            yield FileEntry(root, info.st_size, changed_ns(info), root, _lone_sidecar(root))
            return
        if not stat.S_ISDIR(info.st_mode):
            yield Skipped(root, _SPECIAL, claims_picture(root))
            return
        self._device = info.st_dev
        pending = [root]
        while pending:
            folder = pending.pop()
            inner: list[str] = []
            yield from self._folder(folder, root, inner)
            pending.extend(reversed(inner))

    def _folder(self, folder: str, root: str, inner: list[str]) -> Iterator[FileEntry | Skipped]:
        """One folder's files; its folders are appended to `inner` in order."""
        files: list[os.DirEntry[str]] = []
        folders: list[str] = []
        links: list[str] = []
        sidecars: dict[str, str] = {}
        special: list[str] = []
        try:
            with os.scandir(folder) as entries:
                info = os.stat(folder)
                if (info.st_dev, info.st_ino) in self._folders:
                    yield Skipped(folder, "a folder that was read already", False)
                    return
                if info.st_dev != self._device and is_of_system(folder):
                    yield Skipped(folder, "a folder of the system, not of the archive", False)
                    return
                self._folders.add((info.st_dev, info.st_ino))
                for entry in entries:
                    name = entry.name
                    if entry.is_file(follow_symlinks=False):
                        suffix = suffix_of(name)
                        if suffix in PICTURE_SUFFIXES:
                            files.append(entry)
                        elif suffix == SIDECAR_SUFFIX:
                            sidecars[name[:-4].lower()] = name
                        elif not suffix and _is_picture(name, entry.path):
                            files.append(entry)
                    elif entry.is_symlink():
                        links.append(name)
                    elif entry.is_dir(follow_symlinks=False):
                        folders.append(name)
                    else:
                        special.append(name)
        except OSError as error:
            yield Skipped(folder, f"the folder can't be read: {_why(error)}", False, True)
            return
        base = folder.rstrip(os.sep) + os.sep
        for entry in sorted(files, key=_name):
            yield self._file(entry, base, root, sidecars)
        for name in sorted(special):
            yield Skipped(base + name, _SPECIAL, claims_picture(name))
        for name in sorted(links):
            found = self._link(base, name, root, folders, sidecars)
            if found is not None:
                yield found
        for name in sorted(folders):
            reason = folder_reason(name)
            if reason is None:
                inner.append(base + name)
            else:
                yield Skipped(base + name, reason, False)

    def _file(
        self, entry: os.DirEntry[str], base: str, root: str, sidecars: dict[str, str]
    ) -> FileEntry | Skipped:
        name = entry.name
        path = base + name
        if name[0] == ".":
            return Skipped(path, hidden_reason(name) or "a hidden file", True)
        try:
            info = entry.stat(follow_symlinks=False)
        except OSError as error:
            return Skipped(
                path, f"gone or unreadable while the folder was read: {_why(error)}", True, True
            )
        return _entry(base, name, info, root, sidecars)

    def _link(
        self, base: str, name: str, root: str, folders: list[str], sidecars: dict[str, str]
    ) -> FileEntry | Skipped | None:
        """A link: a file outside the archive is taken once, a folder outside is walked once."""
        path = base + name
        picture = claims_picture(name)
        if hidden_reason(name):
            return Skipped(path, hidden_reason(name) or "", True) if picture else None
        try:
            info = os.stat(path)
        except FileNotFoundError:
            return Skipped(path, "a link to something that is not there", picture, picture)
        except OSError as error:
            unreadable = error.errno != errno.ELOOP  # may lead to a folder
            return Skipped(
                path, f"a link that can't be followed: {_why(error)}", picture, unreadable
            )
        target = os.path.realpath(path).rstrip(os.sep) + os.sep
        key = (info.st_dev, info.st_ino)
        read = key in self._folders or key in self._linked
        read = read or any(target.startswith(r) for r in self._roots)
        if stat.S_ISDIR(info.st_mode):
            unreadable = False
            if read:
                reason = "a link to a folder that is read without it"
            elif os.path.realpath(root).startswith(target):
                reason = "a link to a folder that the archive lies in, which is read only when it is given"
            elif info.st_dev != self._device:
                reason = "a link to another disk or share, which is read only when it is given"
                unreadable = not is_of_system(path)
            else:
                folders.append(name)
                return None
            return Skipped(path, reason, False, unreadable)
        if not stat.S_ISREG(info.st_mode):
            return Skipped(path, f"a link to what is {_SPECIAL}", picture)
        if not (picture or _is_picture(name, path)):
            return None
        if read:
            return Skipped(path, "a link to a file that is read without it", True)
        self._linked.add(key)
        return _entry(base, name, info, root, sidecars)


def _is_picture(name: str, path: str) -> bool:
    """Whether a file counts as a picture: by its name, or without an ending by its beginning."""
    if suffix_of(name):
        return claims_picture(name)
    return not hidden_reason(name) and holds_picture(path)


def _entry(
    base: str, name: str, info: os.stat_result, root: str, sidecars: dict[str, str]
) -> FileEntry:
    beside = sidecar_of(name, sidecars) if sidecars else None
    size, time = info.st_size, changed_ns(info)
    return FileEntry(base + name, size, time, root, base + beside if beside else None)


def _lone_sidecar(path: str) -> str | None:
    stem = path[: path.rfind(".")] if suffix_of(os.path.basename(path)) else path
    for candidate in (path, stem):
        for suffix in (".xmp", ".XMP"):
            if os.path.isfile(candidate + suffix):
                return candidate + suffix
    return None


def _find_remote(address: str) -> Iterator[FileEntry | Skipped]:
    """Every picture under an address such as 'sftp://host/pictures' or 'memory://archive', by its name:
    looking into files without an ending would cost a question over the network for each.

    Paths are given with their protocol, so that `fsspec.open` reads them. A file system that keeps
    no time of change reports 0, and its files are distinguished by size alone.
    """
    import fsspec

    try:
        system, start = fsspec.core.url_to_fs(address)
        kind = system.info(start)["type"]
    except Exception as error:  # every protocol has its own; the run goes on with the next root
        yield Skipped(address, f"can't be opened: {_error_words(error)}", False, True)
        return
    named = partial(full_address, system, start, address)
    if urlsplit(address).password and named(start) != system.unstrip_protocol(start):
        reason = (
            "its password would be stored with every file: keep it in fsspec's own configuration"
        )
        yield Skipped(without_password(address), reason, False, True)
        return
    # A web server calls everything a file; a folder's address there ends with a slash.
    if kind == "file" and not start.endswith("/"):
        yield _remote_entry(system, system.info(start), address, None, named)
        return
    pending = [start]
    visited: set[str] = set()
    while pending:
        folder = pending.pop()
        if folder in visited:
            continue
        visited.add(folder)
        try:
            listing = sorted(system.ls(folder, detail=True), key=lambda info: str(info["name"]))
        except Exception as error:
            reason = f"the folder can't be read: {_error_words(error)}"
            yield Skipped(named(folder), reason, False, True)
            continue
        names = {_last(info): info for info in listing if info.get("type") == "file"}
        sidecars = {name[:-4].lower(): name for name in names if suffix_of(name) == SIDECAR_SUFFIX}
        for name, info in names.items():
            if not claims_picture(name):
                continue
            hidden = hidden_reason(name)
            if hidden:
                yield Skipped(named(info["name"]), hidden, True)
                continue
            beside = sidecar_of(name, sidecars)
            sidecar = names[beside] if beside else None
            yield _remote_entry(system, info, address, sidecar, named)
        inner: list[str] = []
        for info in listing:
            if info.get("type") == "directory" and info["name"].rstrip("/") != folder.rstrip("/"):
                excluded = folder_reason(_last(info))
                if excluded is None:
                    inner.append(str(info["name"]))
                else:
                    yield Skipped(named(info["name"]), excluded, False)
        pending.extend(reversed(inner))


def _remote_entry(
    system: Any, info: dict[str, Any], root: str, sidecar: dict[str, Any] | None,
    named: Callable[[str], str],
) -> FileEntry:  # fmt: skip
    path = named(info["name"])
    size, time = _size_and_time(system, info)
    if sidecar is None:
        return FileEntry(path, size, time, root)
    beside = named(sidecar["name"])
    return FileEntry(path, size, time, root, beside, stamp(*_size_and_time(system, sidecar)))


def _size_and_time(system: Any, info: dict[str, Any]) -> tuple[int, int]:
    """(bytes, time of change in ns), 0 for what can't be told."""
    if info.get("size") is None:  # listings of web servers have names only
        with contextlib.suppress(Exception):
            info = system.info(info["name"])
    return int(info.get("size") or 0), _mtime_ns(info)


def _mtime_ns(info: dict[str, Any]) -> int:
    for key in ("mtime", "LastModified", "last_modified", "modified", "updated", "created"):
        value = info.get(key)
        if isinstance(value, datetime):
            when = value if value.tzinfo else value.replace(tzinfo=UTC)
            return in_64_bits(int(when.timestamp() * 1e9))
        if isinstance(value, int | float):
            return in_64_bits(int(value * 1e9))
    return 0


def _last(info: dict[str, Any]) -> str:
    return str(info["name"]).rstrip("/").rsplit("/", 1)[-1]


def _error_words(error: Exception) -> str:
    return one_line(error) or type(error).__name__
