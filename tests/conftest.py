"""What tests of several rooms need."""

from __future__ import annotations

import os

# Several workers share the cores: threads that the libraries of numbers start beside them cost a quarter
# more time of the cores and save none. Set before any of these libraries is loaded.
os.environ.setdefault("OMP_NUM_THREADS", "1")
# Tests start hundreds of processes: compiled once, the program loads in four fifths of the time.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import settings

sys.dont_write_bytecode = False
# How long an example takes says how busy the machine is: speed is measured by the bench.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Tests of whole runs come first: a long file that begins last has one worker busy and the others idle.

    The engine's tests and those in a browser wait for other processes. Their files lie apart, each after four
    others: while all workers wait the cores are idle. The browser's, the longest of all, come first.
    """
    here = Path(__file__).parent
    items.sort(key=lambda item: item.path.parent != here)
    files = list(dict.fromkeys(item.path for item in items))
    browser, engine = here / "report" / "test_browser.py", here / "engine"
    waiting = sorted((f for f in files if f == browser or f.parent == engine), key=browser.__ne__)
    others = [file for file in files if file not in waiting]
    place = {file: n for n, file in enumerate(others)}
    place |= {file: 4 * n for n, file in enumerate(waiting)}
    items.sort(key=lambda item: place[item.path])


@pytest.fixture
def at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Scans do without Dask's workers, and decoders are started once for many of them and of named files."""
    from at_once import Here, run_named

    monkeypatch.setattr("auditor.engine.scanning.OwnWorkers", Here)
    monkeypatch.setattr("auditor.engine.batch.run_batch", run_named)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Callable[[str], Path]]:
    """A function that mounts an empty disk of so many bytes ('400k'); skips where that can't be."""
    mounted: list[Path] = []

    def mount(size: str) -> Path:
        disk = tmp_path / "disk"
        disk.mkdir()
        if os.name != "posix" or os.geteuid() != 0:
            pytest.skip("only the superuser can mount a small disk")
        if subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", disk]).returncode:
            pytest.skip("no small disk can be mounted here")
        mounted.append(disk)
        return disk

    yield mount
    for disk in mounted:
        subprocess.run(["umount", disk], check=True)
