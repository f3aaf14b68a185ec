"""A few named files, measured in decoder processes, in order, without Dask or a store."""

from __future__ import annotations

import itertools
import os
import queue
from collections import deque
from collections.abc import Generator, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

from ..crawl.entries import FileEntry, Skipped
from ..crawl.walk import find_files
from .batch import settings_of
from .decoder import Decoder
from .messages import Measured, Row, job_of, unpack
from .options import ScanOptions

__all__ = ["measure_files"]


def measure_files(
    paths: Iterable[str | Path], *, workers: int | None = None, options: ScanOptions | None = None
) -> Generator[Row, None, None]:
    """The row of every file, in the order given; decoding never runs in this process.

    `row` has the names of `record.COLUMNS`, and of `record.PICTURE_COLUMNS` where there are pictures.
    A file that cannot be measured gives a row with status 'set-aside' and the reason; a folder gives
    the rows of the pictures in it.
    """
    files = (found for path in paths for found in find_files([path]))
    settings = settings_of(options or ScanOptions())
    first = list(itertools.islice(files, workers or os.cpu_count() or 1))
    decoders = [Decoder(settings) for _ in first]
    idle: queue.SimpleQueue[Decoder] = queue.SimpleQueue()
    for decoder in decoders:
        idle.put(decoder)

    def work(found: FileEntry | Skipped) -> Row:
        decoder = idle.get()
        try:
            return _one(decoder, found)
        finally:
            idle.put(decoder)

    under_way: deque[Future[Row]] = deque()
    pool = ThreadPoolExecutor(max(len(decoders), 1))
    try:
        for found in itertools.chain(first, files):
            under_way.append(pool.submit(work, found))
            if len(under_way) > 2 * len(decoders):
                yield under_way.popleft().result()
        while under_way:
            yield under_way.popleft().result()
    finally:
        # Whoever stops early does not wait for files that nobody has begun.
        pool.shutdown(cancel_futures=True)
        for decoder in decoders:
            decoder.stop()


def _one(decoder: Decoder, found: FileEntry | Skipped) -> Row:
    row: Row = {"path": found.path, "status": "set-aside"}
    if isinstance(found, Skipped):
        return row | {"reason": found.reason}
    outcome = decoder.measure(job_of(found))
    if outcome[0] == "row":
        message: Measured = unpack(outcome[1])
        return message["row"] | (message["pictures"] or {})
    size = {"size_bytes": found.size_bytes, "mtime_ns": found.mtime_ns}
    own = (outcome[2] if outcome[0] == "failed" else None) or {}
    return row | {"reason": outcome[1]} | size | own
