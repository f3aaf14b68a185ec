"""One bad file costs one file."""

from __future__ import annotations

from pathlib import Path

import archive
import pytest

from auditor.engine import ScanOptions, measure_files

FAST = {"seconds_per_file": 1.0, "stall_seconds": 20.0, "memory_mb": 600}


def test_every_planted_fault_is_alone_set_aside_with_its_reason(tmp_path: Path) -> None:
    bad = ["20-abort", "40-spin", "41-sleep", "60-huge", "70-odd", "71-refused", "80-killed"]
    names = [*(f"{n:02d}.jpg" for n in range(60)), *(f"{b}.jpg" for b in bad), "50-chatty.jpg"]
    root = archive.make(tmp_path / "a", names)
    (root / "90-empty.jpg").write_bytes(b"")
    before = archive.look(root)
    summary = archive.run(root, tmp_path / "out", **FAST)
    assert (summary.found, summary.measured, summary.set_aside) == (69, 61, 8)
    found = archive.rows(tmp_path / "out")
    reasons = {name: reason for name, (status, reason) in found.items() if status != "measured"}
    assert reasons == {
        "20-abort.jpg": "crashed the decoder (SIGABRT)",
        "40-spin.jpg": "took longer than 1 s",
        "41-sleep.jpg": "gave no answer for 20 s",
        "60-huge.jpg": "wanted more than 600 MB of memory",
        "70-odd.jpg": "could not be measured (ValueError: two lines)",
        "71-refused.jpg": "not a picture",
        "80-killed.jpg": "its worker was ended from outside, twice (perhaps the machine ran out "
        "of memory)",
        "90-empty.jpg": "the file is empty",
    }
    assert archive.look(root) == before
    assert archive.started_here() == []
    log = (tmp_path / "out" / "log.txt").read_text()
    assert all(f"{name}: {reason}" in log for name, reason in reasons.items())
    lines = summary.set_aside_lines()
    assert len(lines) == 8
    assert all("\n" not in line for line in lines)


@pytest.mark.long
def test_three_faults_among_three_hundred_real_frames_cost_three_frames(tmp_path: Path) -> None:
    """At the usual limit of 4 GB; a file may take ten seconds."""
    import cv2
    from timing_frames import develop_frame

    place = develop_frame(480, 320, seed=4)
    root = tmp_path / "a"
    root.mkdir()
    for n in range(300):
        place[:16, :16] = n % 16 * 16  # every file differs, as real ones do
        place[16:32, :16] = n // 16 * 12
        name = {100: "100-abort", 150: "150-spin", 200: "200-huge"}.get(n, f"{n:03d}")
        (root / f"{name}.jpg").write_bytes(cv2.imencode(".jpg", place)[1].tobytes())
    summary = archive.run(
        root, tmp_path / "out", measure="planted:measure_for_real", seconds_per_file=10.0
    )
    assert (summary.found, summary.measured, summary.set_aside) == (300, 297, 3)
    reasons = {n: r for n, (s, r) in archive.rows(tmp_path / "out").items() if s != "measured"}
    assert reasons == {
        "100-abort.jpg": "crashed the decoder (SIGABRT)",
        "150-spin.jpg": "took longer than 10 s",
        "200-huge.jpg": "wanted more than 4000 MB of memory",
    }
    assert archive.started_here() == []


def test_named_files_come_in_order_whatever_they_do(tmp_path: Path) -> None:
    names = ["b.jpg", "abort.jpg", "a.jpg", "slow.jpg", "c.jpg"]
    root = archive.make(tmp_path, names)
    asked = [str(root / n) for n in [*names, "absent.jpg"]]
    options = ScanOptions(measure="planted:measure", seconds_per_file=5)
    rows = list(measure_files(asked, workers=2, options=options))
    assert [r["path"] for r in rows] == asked
    assert [r["status"] for r in rows] == [
        "measured", "set-aside", "measured", "measured", "measured", "set-aside",
    ]  # fmt: skip
    assert rows[1]["reason"] == "crashed the decoder (SIGABRT)"
    assert "no such file" in str(rows[-1]["reason"])
    assert archive.started_here() == []
