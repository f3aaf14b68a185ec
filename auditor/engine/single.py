"""A few named files, measured one after the other in a decoder process, without Dask or a store."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from ..crawl.walk import FileEntry, Skipped, find_files
from .batch import settings_of
from .decoder import Decoder
from .options import ScanOptions
from .wire import unpack

__all__ = ["measure_each"]


def measure_each(
    paths: Iterable[str | Path], options: ScanOptions | None = None
) -> Iterator[tuple[dict[str, Any], dict[str, bytes | None]]]:
    """(row, pictures) of every file, in the order given; decoding never runs in this process.

    `row` has the names of `record.COLUMNS`. A file that cannot be measured gives a row with status
    'set-aside' and the reason; a folder gives the rows of the pictures in it.
    """
    decoder = Decoder(settings_of(options or ScanOptions(), 1))
    try:
        for path in paths:
            for found in find_files([path]):
                yield _one(decoder, found)
    finally:
        decoder.stop()


def _one(
    decoder: Decoder, found: FileEntry | Skipped
) -> tuple[dict[str, Any], dict[str, bytes | None]]:
    row: dict[str, Any] = {"path": found.path, "status": "set-aside"}
    if isinstance(found, Skipped):
        return row | {"reason": found.reason}, {}
    job: dict[str, Any] = {
        "path": found.path,
        "root": found.root,
        "sidecar": found.sidecar,
        "mtime_ns": found.mtime_ns,
        "size_bytes": found.size_bytes,
        "same": [],
    }
    outcome = decoder.measure(job)
    if outcome[0] == "row":
        message = unpack(outcome[1])
        return message["row"], message["pictures"] or {}
    size = {"size_bytes": found.size_bytes, "mtime_ns": found.mtime_ns}
    own = outcome[2] if outcome[0] == "failed" else {}
    return row | {"reason": outcome[1]} | size | own, {}
