"""What a worker does with one batch of files. Sent to Dask by name; needs no access to the store."""

from __future__ import annotations

import threading
import time
from collections import Counter
from collections.abc import Sequence
from functools import cache
from hashlib import blake2b
from pathlib import Path
from typing import Any, Final

from .decoder import Decoder
from .messages import DecoderSettings, Job
from .options import ScanOptions

__all__ = [
    "at_work",
    "close_decoders",
    "copy_of_program",
    "run_batch",
    "settings_of",
    "warm_up",
    "wind_down",
]

_HASH_BYTES: Final = 12
"""Of the hash of a copy of this program: two copies never share one by chance."""

# By the scan that they belong to: a worker of a cluster may serve several.
_idle: dict[str, list[Decoder]] = {}
_busy: dict[str, list[Decoder]] = {}
_winding_down: set[str] = set()
_ended: set[str] = set()
_warming: Counter[str] = Counter()
_guard = threading.Condition()


def settings_of(options: ScanOptions, memory_mb: int | None = None) -> DecoderSettings:
    """The part of the options that a decoder needs, as plain values."""
    return {
        "seconds_per_file": float(options.seconds_per_file),
        "stall_seconds": float(options.stall_seconds),
        "memory_mb": int(memory_mb or options.memory_mb),
        "max_file_mb": int(options.max_file_mb),
        "measure": options.measure,
        "identify": options.identify,
        "max_pixels": int(options.max_pixels),
    }


@cache
def copy_of_program() -> str:
    """Which copy of this program runs here: a hash of its source. Two copies measure differently."""
    folder = Path(__file__).parent.parent
    digest = blake2b(digest_size=_HASH_BYTES)
    for path in sorted(folder.rglob("*.py")):
        digest.update(str(path.relative_to(folder)).encode() + path.read_bytes())
    return digest.hexdigest()


def _take(scan: str, settings: DecoderSettings, cold: bool = False) -> Decoder:
    """A decoder that waits for work, or a new one; unless `cold`, one that is starting is waited for."""
    with _guard:
        while _warming[scan] and not (cold or _idle.get(scan)):
            _guard.wait()
        waiting = _idle.get(scan)
        decoder = waiting.pop() if waiting else Decoder(settings)
        _busy.setdefault(scan, []).append(decoder)
        if scan in _ended:
            decoder.stop(for_good=True)
    return decoder


def _give_back(scan: str, decoder: Decoder) -> None:
    with _guard:
        _busy[scan].remove(decoder)
        _guard.notify_all()
        if scan not in _ended:
            _idle.setdefault(scan, []).append(decoder)
            return
    decoder.stop(for_good=True)


def warm_up(settings: DecoderSettings, scan: str) -> None:
    """Have a decoder ready before the first batch comes."""
    with _guard:
        _warming[scan] += 1
    try:
        decoder = _take(scan, settings, cold=True)
        try:
            decoder.start()
        finally:
            _give_back(scan, decoder)
    finally:
        with _guard:
            _warming[scan] -= 1
            _guard.notify_all()


def run_batch(jobs: Sequence[Job], settings: DecoderSettings, scan: str) -> dict[str, Any]:
    """Outcomes of `jobs` in order (see `Decoder.measure`), with the seconds it took.

    After `wind_down` no further job is begun, and the outcomes are fewer than the jobs.
    """
    decoder = _take(scan, settings)
    before, start = decoder.replaced, time.monotonic()
    try:
        outcomes = []
        for job in jobs:
            if scan in _winding_down:
                break
            outcomes.append(decoder.measure(job))
    except BaseException:
        decoder.stop()
        raise
    finally:
        _give_back(scan, decoder)
    return {
        "outcomes": outcomes,
        "seconds": time.monotonic() - start,
        "replaced": decoder.replaced - before,
    }


def at_work(scan: str) -> bool:
    """Whether a batch of this scan runs on this worker."""
    with _guard:
        return bool(_busy.get(scan))


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
