"""The parent's memory over many frames: it holds a few hundred bytes of each, not their measurements."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from auditor.artificial.files import FrameTags, jpeg_bytes

HERE = Path(__file__).parent
FIRST = datetime(2024, 5, 1, 6)


def draw_tiny(root: Path, count: int) -> None:
    """So many JPEG files with real tags, one second after the other."""
    picture = np.random.default_rng(1).integers(0, 255, (8, 8, 3)).astype(np.uint8)
    tags = FrameTags(
        make="Fern", model="Fern 2", lens="Fern 35 mm f/2", f_number=8, exposure_time_s=1 / 250,
        iso=100, focal_length_mm=35, taken=FIRST.isoformat(),
    )  # fmt: skip
    stamp = FIRST.strftime("%Y:%m:%d %H:%M:%S").encode()
    data = jpeg_bytes(picture, tags)
    assert stamp in data
    for n in range(count):
        folder = root / f"{n // 500:04d}"
        folder.mkdir(parents=True, exist_ok=True)
        when = (FIRST + timedelta(seconds=n)).strftime("%Y:%m:%d %H:%M:%S").encode()
        (folder / f"IMG_{n:06d}.jpg").write_bytes(data.replace(stamp, when))


@pytest.mark.long
def test_memory_stays_flat_over_many_frames(tmp_path: Path) -> None:
    """FRAMES in the environment makes the run longer than in CI."""
    count = int(os.environ.get("FRAMES", "4000"))
    step = max(count // 10, 1)
    draw_tiny(tmp_path / "a", count)
    options = json.dumps({"measure": "planted:measure_by_tags"})
    command = [
        sys.executable,
        str(HERE / "scan_once.py"),
        str(tmp_path / "a"),
        str(tmp_path / "out"),
    ]
    seen: dict[int, float] = {}
    peak = 0.0
    process = subprocess.Popen([*command, options, "rss"], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    for line in process.stdout:
        words = line.split()
        if words[0].isdigit():
            done, megabytes = int(words[0]), float(words[1])
            seen[done // step] = max(seen.get(done // step, 0.0), megabytes)
        else:
            print(line.strip())
            peak = float(words[1]) if words[0] == "peak" else peak
    print({n * step: round(megabytes) for n, megabytes in seen.items()})
    assert process.wait() == 0
    assert f"found {count} measured {count} set aside 0" in line
    assert peak > 100
    assert max(peak, *seen.values()) < 600
    # What is held of each frame is held from the beginning; the rest comes and goes.
    assert min(seen[9], seen[10]) < 1.2 * seen[1] + 20
