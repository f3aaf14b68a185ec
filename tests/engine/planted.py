"""Measuring functions that misbehave on purpose, by the name of the file; run in decoder processes."""

from __future__ import annotations

import dataclasses
import os
import signal
import time
from pathlib import Path

import numpy as np
import psutil

from auditor.record import FrameRecord, Settings


def measure_by_tags(
    data: bytes, path: str, sidecar: bytes | None = None, *, max_pixels: int = 0
) -> FrameRecord:
    """Like `measure`, with the settings that the file's tags give. 'preview' in the name stands for a
    raw file of which only a small preview can be read."""
    from auditor.settings import read_settings

    settings = read_settings(data, path, sidecar)
    if "preview" in Path(path).name:
        settings = dataclasses.replace(settings, source="camera", width_px=16, height_px=16)
    made = measure(data, path, sidecar)
    # As large as the small pictures of a real frame are.
    small = np.random.default_rng(len(path)).bytes(15_000)
    return dataclasses.replace(made, settings=settings, thumb_jpeg=small)


def measure_for_real(
    data: bytes, path: str, sidecar: bytes | None = None, *, max_pixels: int = 0
) -> FrameRecord:
    """The true measuring function, with the faults of `measure` before it."""
    from auditor.measure import measure_file

    measure(data[:100], path)
    found = measure_file(data, path, sidecar, max_pixels=max_pixels)
    assert isinstance(found, FrameRecord)
    return found


def measure(
    data: bytes, path: str, sidecar: bytes | None = None, *, max_pixels: int = 0
) -> FrameRecord:
    """A record that depends on the content only; faults by the file's name.

    Where the environment names a file in PLANTED_CALLS every call leaves a line there.
    """
    name = Path(path).name
    calls = os.environ.get("PLANTED_CALLS")
    if calls:
        with open(calls, "a", errors="surrogateescape") as out:
            out.write(f"{path}\n")
    if "slow" in name:
        time.sleep(0.2)
    if "abort" in name:
        os.abort()
    if "spin" in name:
        while True:
            pass
    if "sleep" in name:
        time.sleep(1e5)
    if "huge" in name:
        np.ones(20 * 2**30 // 8)
    if "killed" in name:
        os.kill(os.getpid(), signal.SIGKILL)
    if "takedown" in name:
        parent = psutil.Process().parent()
        if parent is not None and "multiprocessing" in " ".join(parent.cmdline()):
            parent.kill()
    if "odd" in name:
        raise ValueError("two\nlines")
    if "chatty" in name:
        os.write(1, b"a library that prints\n" * 5000)
        os.write(2, b"and warns\n" * 5000)
    if "refused" in name:
        return FrameRecord(path, "set-aside", "not a picture")
    settings = Settings(
        body="Fern 2", iso=float(sum(data) % 1000), rating=len(sidecar or b"") or None
    )
    return FrameRecord(path, settings=settings, thumb_jpeg=data[:100])
