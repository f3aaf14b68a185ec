"""What a worker does with one batch of files. Sent to Dask by name; needs no access to the store.

A few named files are measured in the same way, in order and without any store."""

from __future__ import annotations

import os
import secrets
import threading
import time
from collections import deque
from collections.abc import Generator, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from functools import cache
from hashlib import blake2b
from pathlib import Path
from typing import Any, Final

from auditor.crawl.entries import FileEntry, Skipped
from auditor.crawl.names import root_name
from auditor.crawl.walk import find_files
from auditor.engine.decoder import Decoder
from auditor.engine.messages import FileRow, Job, Measured, job_of
from auditor.engine.options import ScanOptions

__all__ = [
    "close_decoders",
    "measure_files",
    "new_scan_id",
    "program_hash",
    "run_batch",
    "run_sent_batch",
    "warm_up",
    "wind_down",
]

_HASH_BYTES: Final = 12
"""Of the hash of a copy of this program: two copies never share one by chance."""
_NAME_BYTES: Final = 8
"""Random bytes of a scan's name: two on one cluster never share them by chance."""
BATCH_SECONDS: Final = 2.0
"""After so long a batch begins no further file: long against what sending it takes, short against what its
loss costs."""

# By the scan that they belong to: a worker of a cluster may serve several.
_idle: dict[str, list[Decoder]] = {}
_busy: dict[str, list[Decoder]] = {}
_winding_down: set[str] = set()
_ended: set[str] = set()
_guard = threading.Lock()


def new_scan_id() -> str:
    """A name that no other scan on any worker has."""
    return secrets.token_hex(_NAME_BYTES)


@cache
def program_hash() -> str:
    """Which copy of this program runs here: a hash of its source. Two copies measure differently."""
    folder = Path(__file__).parent.parent
    digest = blake2b(digest_size=_HASH_BYTES)
    for path in sorted(folder.rglob("*.py")):
        digest.update(str(path.relative_to(folder)).encode() + path.read_bytes())
    return digest.hexdigest()


def _take(scan: str, options: ScanOptions) -> Decoder:
    """A decoder that waits for work, or a new one."""
    with _guard:
        waiting = _idle.get(scan)
        decoder = waiting.pop() if waiting else Decoder(options)
        _busy.setdefault(scan, []).append(decoder)
        if scan in _ended:
            decoder.stop(for_good=True)
    return decoder


def _give_back(scan: str, decoder: Decoder) -> None:
    with _guard:
        _busy[scan].remove(decoder)
        if scan not in _ended:
            _idle.setdefault(scan, []).append(decoder)
            return
    decoder.stop(for_good=True)


def warm_up(options: ScanOptions, scan: str) -> None:
    """Have a decoder ready before the first batch comes; a batch that gets it earlier waits for it."""
    decoder = Decoder(options)
    with _guard:
        if scan in _ended:
            decoder.stop(for_good=True)
        else:
            _idle.setdefault(scan, []).append(decoder)
    decoder.start()


def run_batch(jobs: Sequence[Job], options: ScanOptions, scan: str) -> list[list[Any]]:
    """Outcomes of the first of `jobs`, in order (see `Decoder.measure`): of as many as `BATCH_SECONDS` allow, one
    at least; after `wind_down` none is begun."""
    decoder = _take(scan, options)
    start = time.monotonic()
    outcomes: list[list[Any]] = []
    try:
        for job in jobs:
            late = outcomes and time.monotonic() - start > BATCH_SECONDS
            if late or scan in _winding_down:
                break
            outcomes.append(decoder.measure(job))
    except BaseException:
        decoder.stop()
        raise
    finally:
        _give_back(scan, decoder)
    return outcomes


def run_sent_batch(
    program: str, jobs: Sequence[Job], options: ScanOptions, scan: str
) -> list[list[Any]]:
    """As `run_batch`, sent by the copy of this program with this `program_hash`; raises RuntimeError where another
    one is here."""
    if program != program_hash():
        raise RuntimeError("a worker has another copy of auditor: install this one there")
    return run_batch(jobs, options, scan)


def wind_down(scan: str) -> None:
    """Batches of this scan that run on this worker begin no further file."""
    _winding_down.add(scan)


def close_decoders(scan: str) -> None:
    """End the decoders of a scan on this worker, also those in the middle of a file."""
    with _guard:
        _ended.add(scan)
        decoders = [*_idle.pop(scan, []), *_busy.get(scan, [])]
    for decoder in decoders:
        decoder.stop(for_good=True)


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
