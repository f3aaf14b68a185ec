"""The same walk over another machine's file system, by any address that fsspec knows."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

from auditor.crawl.entries import FileEntry, Skipped, in_64_bits, sidecar_of, stamp
from auditor.crawl.suffixes import (
    SIDECAR_SUFFIX,
    claims_picture,
    folder_reason,
    hidden_reason,
    suffix_of,
)
from auditor.error_text import one_line


def find_remote(address: str) -> Iterator[FileEntry | Skipped]:
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
        yield Skipped(address, f"can't be opened: {_words(error)}", False, True)
        return
    # A web server calls everything a file; a folder's address there ends with a slash.
    if kind == "file" and not start.endswith("/"):
        yield _entry(system, system.info(start), address, None)
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
            reason = f"the folder can't be read: {_words(error)}"
            yield Skipped(system.unstrip_protocol(folder), reason, False, True)
            continue
        names = {_last(info): info for info in listing if info.get("type") == "file"}
        sidecars = {name[:-4].lower(): name for name in names if suffix_of(name) == SIDECAR_SUFFIX}
        for name, info in names.items():
            if not claims_picture(name):
                continue
            hidden = hidden_reason(name)
            if hidden:
                yield Skipped(system.unstrip_protocol(info["name"]), hidden, True)
                continue
            beside = sidecar_of(name, sidecars)
            yield _entry(system, info, address, names[beside] if beside else None)
        inner: list[str] = []
        for info in listing:
            if info.get("type") == "directory" and info["name"].rstrip("/") != folder.rstrip("/"):
                excluded = folder_reason(_last(info))
                if excluded is None:
                    inner.append(str(info["name"]))
                else:
                    yield Skipped(system.unstrip_protocol(info["name"]), excluded, False)
        pending.extend(reversed(inner))


def _entry(
    system: Any, info: dict[str, Any], root: str, sidecar: dict[str, Any] | None
) -> FileEntry:
    path = system.unstrip_protocol(info["name"])
    size, time = _size_and_time(system, info)
    if sidecar is None:
        return FileEntry(path, size, time, root)
    beside = system.unstrip_protocol(sidecar["name"])
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


def _words(error: Exception) -> str:
    return one_line(error) or type(error).__name__
