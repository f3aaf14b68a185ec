"""A few named files, measured in decoder processes, in order, without a store."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Generator, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

from auditor.crawl.entries import FileEntry, Skipped
from auditor.crawl.names import root_name
from auditor.crawl.walk import find_files
from auditor.engine.batch import close_decoders, new_scan_id, run_batch
from auditor.engine.messages import FileRow, Measured, job_of
from auditor.engine.options import ScanOptions

__all__ = ["measure_files"]


def measure_files(
    paths: Iterable[str | Path], *, workers: int | None = None, options: ScanOptions | None = None
) -> Generator[FileRow, None, None]:
    """Measure some files without a store; decoding never runs in this process.

    Parameters
    ----------
    paths : iterable of str or pathlib.Path
        Files, or folders that stand for the pictures in them.
    workers : int or None
        Decoder processes; None for one per core.
    options : ScanOptions or None
        Limits and habits; None for the usual ones.

    Yields
    ------
    FileRow
        The row of every file, in the order given, with the names of `record.COLUMNS`, and of
        `record.PICTURE_COLUMNS` where there are pictures. A file that cannot be measured gives a row with
        status 'set-aside' and the reason.
    """
    files = (found for path in paths for found in _files_of(path))
    scan, limits = new_scan_id(), options or ScanOptions()
    count = workers or os.cpu_count() or 1
    under_way: deque[Future[FileRow]] = deque()
    pool = ThreadPoolExecutor(count)
    try:
        for found in files:
            under_way.append(pool.submit(_row, found, limits, scan))
            if len(under_way) > 2 * count:
                yield under_way.popleft().result()
        while under_way:
            yield under_way.popleft().result()
    finally:
        # Whoever stops early does not wait for files that nobody has begun.
        pool.shutdown(cancel_futures=True)
        close_decoders(scan)


def _files_of(path: str | Path) -> Iterator[FileEntry | Skipped]:
    """The file, or the pictures of the folder; a folder without any is told like a file that is not there."""
    empty = True
    for found in find_files([path]):
        empty = False
        yield found
    if empty:
        yield Skipped(root_name(path), "no picture was found in this folder", False)


def _row(found: FileEntry | Skipped, options: ScanOptions, scan: str) -> FileRow:
    row: FileRow = {"path": found.path, "status": "set-aside"}
    if isinstance(found, Skipped):
        return row | {"reason": found.reason}
    (outcome,) = run_batch([job_of(found)], options, scan)
    if outcome[0] == "row":
        message: Measured = outcome[1]
        return message["row"] | (message["pictures"] or {})
    size = {"size_bytes": found.size_bytes, "mtime_ns": found.mtime_ns}
    own = (outcome[2] if outcome[0] == "failed" else None) or {}
    return row | {"reason": outcome[1]} | size | own
