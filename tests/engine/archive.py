"""Small archives of files that are nearly pictures, and a look at what a scan left of them."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import psutil
from at_once import Here

from auditor.engine import ScanOptions, ScanSummary, scan
from auditor.store import Store

_kept = tempfile.TemporaryDirectory(prefix="planted-")
CALLS = Path(_kept.name) / "calls.txt"
"""Where the planted measuring functions leave a line for each of their calls."""
os.environ["PLANTED_CALLS"] = str(CALLS)


def make(folder: Path, names: list[str], size: int = 3000, seed: int = 0) -> Path:
    """Files with random content of distinct sizes, one second apart in time."""
    rng = np.random.default_rng(seed)
    folder.mkdir(parents=True, exist_ok=True)
    for number, name in enumerate(names):
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(rng.bytes(size + number))
        os.utime(path, (1.6e9 + number, 1.6e9 + number))
    return folder


def look(folder: Path) -> dict[str, tuple[Any, ...]]:
    """Everything about a tree that a scan could change: names, content, times, modes."""
    found: dict[str, tuple[Any, ...]] = {}
    for path in sorted(folder.rglob("*")):
        info = path.lstat()
        data = path.read_bytes() if path.is_file() else b""
        times = (info.st_mtime_ns, info.st_ctime_ns, info.st_mode, info.st_size)
        found[str(path)] = (*times, data)
    return found


def measured_now() -> list[str]:
    """Names of the files that were measured since this was last asked."""
    names = sorted(
        Path(line).name for line in CALLS.read_text(errors="surrogateescape").splitlines()
    )
    CALLS.write_text("")
    return names


def run(root: Path | str, out: Path, workers: int = 2, **options: Any) -> ScanSummary:
    """One scan with the planted measuring function."""
    wanted = {"measure": "planted:measure"} | options
    return scan([root], Store(out), workers=workers, options=ScanOptions(**wanted))


def rows(out: Path) -> dict[str, tuple[str, str]]:
    """File name -> (status, reason)."""
    frames = Store(out).load(["path", "status", "reason"])
    return {
        Path(p).name: (s, "" if r is None or r != r else str(r))
        for p, s, r in zip(frames["path"], frames["status"], frames["reason"], strict=True)
    }


def started_here() -> list[int]:
    """Processes under this one that scans could have left running; a zombie has ended."""
    Here.end()
    left = []
    for child in psutil.Process().children(recursive=True):
        with contextlib.suppress(psutil.NoSuchProcess):
            command = " ".join(child.cmdline())
            # Python's own helpers, and the browser and its driver of tests that ran before these.
            helpers = ("resource_tracker", "forkserver", "chrom", "playwright")
            other = any(n in command for n in helpers)
            if not other and child.status() != psutil.STATUS_ZOMBIE:
                left.append(child.pid)
    return left
