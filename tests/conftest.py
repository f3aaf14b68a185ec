"""What tests of several rooms need."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest


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
