"""Killed, interrupted or beside another run: nothing is lost, nothing is doubled."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import archive
import pandas as pd
import psutil
import pytest

from auditor.engine import ScanError
from auditor.store import Store

HERE = Path(__file__).parent


def start(root: Path, out: Path, **options: object) -> subprocess.Popen[str]:
    wanted = json.dumps({"measure": "planted:measure"} | options)
    command = [sys.executable, str(HERE / "scan_once.py"), str(root), str(out), wanted]
    return subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True
    )


def wait_until_done(process: subprocess.Popen[str], count: int) -> None:
    """Return once the scan has settled `count` files."""
    assert process.stdout is not None
    for line in process.stdout:
        if line.strip().isdigit() and int(line) >= count:
            return
    pytest.fail("the scan ended early")


def group_is_gone(group: int, within_s: float = 8.0) -> bool:
    """Whether every process of the session that a scan was started in has ended."""
    until = time.monotonic() + within_s
    while time.monotonic() < until:
        left = []
        for process in psutil.process_iter():
            try:
                if os.getsid(process.pid) == group and process.status() != psutil.STATUS_ZOMBIE:
                    left.append(process)
            except (psutil.Error, OSError):
                continue
        if not left:
            return True
        time.sleep(0.1)
    return False


@pytest.mark.long
def test_killed_again_and_again_the_result_is_that_of_a_quiet_run(tmp_path: Path) -> None:
    """KILLS and FILES in the environment make the run longer than in CI."""
    kills, files = int(os.environ.get("KILLS", "8")), int(os.environ.get("FILES", "60"))
    root, broken, counted = killing_ground(tmp_path / "a", files)
    before = archive.look(root)
    quiet = archive.run(root, tmp_path / "quiet", measure="planted:measure_by_tags")
    assert (quiet.found, quiet.set_aside, quiet.counted) == (files, broken, counted)
    chance, hit, rounds = random.Random(1), 0, 0
    while hit < kills:
        hit += kill_again_and_again(root, tmp_path / f"out{rounds}", kills - hit, chance)
        same_as_quiet(tmp_path / f"out{rounds}", tmp_path / "quiet")
        rounds += 1
        print(f"{hit} kills, {rounds} scans brought to their end")
    assert archive.look(root) == before


def killing_ground(root: Path, files: int) -> tuple[Path, int, int]:
    """An archive of so many files; how many of them are broken, and how many are copies."""
    copies = files // 10
    names = [f"{n:03d}-slow.jpg" for n in range(files - copies - 6)]
    names += [f"{n}-refused.jpg" for n in range(4)] + ["x-abort.jpg", "y-odd.jpg"]
    archive.make(root, names)
    (root / "z").mkdir()
    for name in names[:copies]:
        shutil.copy(root / name, root / "z" / name)
    return root, 6, copies


def kill_again_and_again(root: Path, out: Path, kills: int, chance: random.Random) -> int:
    """SIGKILL a scan at random moments until it gets through; returns the kills that hit."""
    hit = 0
    while hit < kills:
        process = start(root, out, measure="planted:measure_by_tags")
        time.sleep(
            chance.uniform(0.2, chance.choice((3.0, 10.0)))
        )  # starting up, and well under way
        ended = process.poll() is not None
        process.kill()
        process.communicate()
        if ended:
            break
        hit += 1
        assert group_is_gone(process.pid), "workers outlive a killed scan"
    process = start(root, out, measure="planted:measure_by_tags")
    said, _ = process.communicate(timeout=600)
    assert process.returncode == 0, said
    return hit


def same_as_quiet(out: Path, undisturbed: Path) -> None:
    ours, quiet = Store(out).load(), Store(undisturbed).load()
    assert not ours["path"].duplicated().any()
    pd.testing.assert_frame_equal(ours, quiet)
    ids = quiet["file_id"].tolist()
    pd.testing.assert_frame_equal(
        Store(out).pictures(ids).sort_values("file_id", ignore_index=True),
        Store(undisturbed).pictures(ids).sort_values("file_id", ignore_index=True),
    )
    assert Store(out).verify() == []


@pytest.mark.parametrize(
    "number", [signal.SIGINT, pytest.param(signal.SIGTERM, marks=pytest.mark.long)]
)
def test_asked_to_stop_it_stops_in_seconds_and_says_how_to_go_on(
    tmp_path: Path, number: signal.Signals
) -> None:
    """Meanwhile another run on the same store is refused; and no parent of decoders loads what reads pictures."""
    names = [f"{n}.jpg" for n in range(6)] + [f"{n}-sleep.jpg" for n in range(6, 9)]
    root = archive.make(tmp_path / "a", names)
    process = start(root, tmp_path / "out")
    wait_until_done(process, 4)
    second = start(root, tmp_path / "out")
    said, _ = second.communicate(timeout=60)
    assert second.returncode == 1
    assert len(said.strip().splitlines()) == 1
    assert f"process {process.pid} on " in said
    begun = time.monotonic()
    if number == signal.SIGINT:
        os.killpg(process.pid, number)  # as a terminal does: every process of the group gets it
    else:
        process.send_signal(number)
    said, _ = process.communicate(timeout=60)
    took = time.monotonic() - begun
    assert process.returncode == 1
    lines = said.strip().splitlines()
    assert "run the same command again to go on" in lines[-1]
    assert all(line.isdigit() for line in lines[:-1]), "one clear line, no traceback"
    # 5 s on a quiet machine; a loaded one is slower at ending processes.
    assert took < 5 * max(1.0, psutil.getloadavg()[0] / (os.cpu_count() or 1))
    assert group_is_gone(process.pid)
    kept = len(Store(tmp_path / "out").load(["path"]))
    assert 4 <= kept < len(names)
    assert Store(tmp_path / "out").verify() == []
    for asleep in root.glob("*-sleep.jpg"):
        asleep.unlink()
    again = archive.run(root, tmp_path / "out", workers=1)
    assert (again.found, again.measured, again.set_aside) == (6, 6, 0)


@pytest.mark.long
def test_a_disk_that_fills_up_stops_the_scan_cleanly(
    tmp_path: Path, small_disk: Callable[[str], Path]
) -> None:
    disk = small_disk("400k")
    root = archive.make(tmp_path / "a", [f"{n:03d}.jpg" for n in range(1500)], size=150)
    process = start(root, disk / "out")
    said, _ = process.communicate(timeout=120)
    assert process.returncode == 1, said
    last = said.strip().splitlines()[-1]
    assert "the disk is full: free some space, then run again" in last
    kept = len(Store(disk / "out").load(["path"]))
    assert 0 < kept < 1500
    subprocess.run(["mount", "-o", "remount,size=40m", disk], check=True)
    process = start(root, disk / "out")
    said, _ = process.communicate(timeout=240)
    assert "found 1500 measured 1500 set aside 0" in said
    assert Store(disk / "out").verify() == []


@pytest.mark.parametrize(
    ("number", "who"),
    [(signal.SIGINT, "stopped by Ctrl-C"), (signal.SIGTERM, "stopped from outside")],
)
def test_a_stop_asked_for_while_the_scan_tidies_up_is_heeded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at_once: None, number: int, who: str
) -> None:
    root = archive.make(tmp_path / "a", ["1.jpg", "2.jpg"])
    tidy = Store.tidy

    def stopped(store: Store) -> None:
        os.kill(os.getpid(), number)
        tidy(store)

    with monkeypatch.context() as patched:
        patched.setattr(Store, "tidy", stopped)
        with pytest.raises(ScanError, match=f"{who}; run the same command again"):
            archive.run(root, tmp_path / "out")
    assert archive.run(root, tmp_path / "out").unchanged == 2
