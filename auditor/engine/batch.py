"""What a worker does with one batch of files. Sent to Dask by name; needs no access to the store."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Sequence
from typing import Any

from .decoder import Decoder
from .options import ScanOptions

__all__ = ["close_decoders", "run_batch", "settings_of", "warm_up"]

_idle: dict[str, list[Decoder]] = {}
_guard = threading.Lock()


def settings_of(options: ScanOptions) -> dict[str, Any]:
    """The part of the options that a decoder needs, as plain values."""
    return {
        "seconds_per_file": float(options.seconds_per_file),
        "stall_seconds": float(options.stall_seconds),
        "memory_mb": int(options.memory_mb),
        "max_file_mb": int(options.max_file_mb),
        "measure": options.measure,
        "identify": options.identify,
        "max_pixels": int(options.max_pixels),
    }


def _take(settings: dict[str, Any]) -> Decoder:
    with _guard:
        waiting = _idle.get(repr(settings))
        if waiting:
            return waiting.pop()
    return Decoder(settings)


def _give_back(decoder: Decoder) -> None:
    with _guard:
        _idle.setdefault(repr(decoder.settings), []).append(decoder)


def warm_up(settings: dict[str, Any]) -> None:
    """Have a decoder ready before the first batch comes."""
    decoder = _take(settings)
    try:
        decoder.start()
    finally:
        _give_back(decoder)


def run_batch(
    jobs: Sequence[dict[str, Any]], settings: dict[str, Any], stop_file: str | None = None
) -> dict[str, Any]:
    """Outcomes of `jobs` in order (see `Decoder.measure`), with the seconds it took.

    Once `stop_file` exists no further job is begun, and the outcomes are fewer than the jobs.
    """
    decoder = _take(settings)
    before, start = decoder.replaced, time.monotonic()
    try:
        outcomes = []
        for job in jobs:
            if stop_file is not None and os.path.exists(stop_file):
                break
            outcomes.append(decoder.measure(job))
    except BaseException:
        decoder.stop()
        raise
    _give_back(decoder)
    return {
        "outcomes": outcomes,
        "seconds": time.monotonic() - start,
        "replaced": decoder.replaced - before,
    }


def close_decoders() -> None:
    """End the idle decoders of this worker."""
    with _guard:
        decoders = [d for waiting in _idle.values() for d in waiting]
        _idle.clear()
    for decoder in decoders:
        decoder.stop()
