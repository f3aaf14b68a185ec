"""A run outlives its output streams; and no place that it writes lies in an archive."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import pytest
from command import call

from auditor.crawl import mounts
from auditor.crawl.names import plain_text
from auditor.output import OutputError, prepare_output

AUDITOR = f"{sys.executable} -m auditor"


@pytest.fixture
def pictures(tmp_path: Path) -> Path:
    folder = tmp_path / "archive"
    folder.mkdir()
    rng = np.random.default_rng(3)
    for n in range(3):
        soft = cv2.GaussianBlur(rng.integers(0, 255, (160, 240), np.uint8), (0, 0), 2)
        cv2.imwrite(str(folder / f"{n}.png"), soft)
    return folder


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no device here that is always full")
@pytest.mark.parametrize(
    "end",
    [
        *(pytest.param(e, marks=pytest.mark.long) for e in ("2>&-", ">/dev/full 2>/dev/full")),
        # Its reader ends before the first word.
        *("2>&1 | (exec true)", "<&- >&- 2>&-"),
    ],
)
def test_a_lost_stream_costs_the_messages_only(pictures: Path, tmp_path: Path, end: str) -> None:
    """With the streams goes the terminal: the signal of the kernel, to a process that does not ignore it."""
    out = tmp_path / "out"
    run = f"(echo $BASHPID > {tmp_path}/pid; exec {AUDITOR} run {pictures} --out {out} --workers 1)"
    with subprocess.Popen(["bash", "-c", f"({run}; echo $? > {tmp_path}/code) {end}"]) as shell:
        while shell.poll() is None and not (out / "store" / "log.txt").exists():
            time.sleep(0.01)
        if hasattr(signal, "SIGHUP"):
            os.kill(int((tmp_path / "pid").read_text()), signal.SIGHUP)
        shell.wait(120)
    assert (tmp_path / "code").read_text() == "0\n"
    assert {"profile.json", "report.html"} <= {p.name for p in out.iterdir()}
    log = (out / "store" / "log.txt").read_text()
    if "full" in end or "true" in end:
        assert "Report: " in log


@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="no such signal here")
@pytest.mark.long
@pytest.mark.parametrize("nohup", [False, True])
def test_a_terminal_that_is_closed_ends_nothing(
    pictures: Path, tmp_path: Path, nohup: bool
) -> None:
    """As the kernel does it: the signal, to a process that ignores it (nohup) and to one that does not."""
    out = tmp_path / "out"
    words = [*(["nohup"] if nohup else []), sys.executable, "-m", "auditor", "run", str(pictures)]
    process = subprocess.Popen(
        [*words, "--out", str(out), "--workers", "1"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        stdin=subprocess.DEVNULL,
    )
    while process.poll() is None and not (out / "store" / "log.txt").exists():
        time.sleep(0.01)
    process.send_signal(signal.SIGHUP)
    assert process.wait(60) == 0
    assert (out / "report.html").exists()


def test_no_character_that_steers_a_terminal_reaches_it(
    at_once: None, tmp_path: Path, pictures: Path
) -> None:
    for name in ("a\u202egpj.png", "b\u2066x.png", "c\x1b[31m.png"):
        os.rename(next(pictures.glob("?.png")), pictures / name)
    (pictures / "d\u2067.png").write_bytes(b"no picture")
    for words in (["measure", pictures], ["run", pictures, "--out", tmp_path / "o"]):
        done = call(*words, "--workers", "1", "--strict")
        assert done.exit_code == 3
        assert not set(done.output) & set("\u202e\u2066\u2067\x1b")
        assert "d\\u2067.png" in done.output
    assert (
        plain_text("\x9b2Jtab\tstays caf\u00e9 \u200f") == "\\u009b2Jtab\tstays caf\u00e9 \\u200f"
    )


@pytest.mark.parametrize("part", ["store", "tables", "store/frames"])
def test_a_link_inside_the_output_folder_does_not_lead_into_the_archive(
    pictures: Path, tmp_path: Path, part: str
) -> None:
    out = tmp_path / "out"
    (out / part).parent.mkdir(parents=True)
    (out / part).symlink_to(pictures)
    done = call("run", pictures, "--out", out)
    assert done.exit_code == 2
    assert f"{part} lies inside the archive {pictures}" in done.output
    assert sorted(p.name for p in pictures.iterdir()) == ["0.png", "1.png", "2.png"]


@pytest.mark.skipif(sys.platform != "linux" or os.geteuid() != 0, reason="only root can mount")
@pytest.mark.parametrize("what", ["archive", "archive/2024"])
def test_a_folder_mounted_a_second_time_is_the_same_folder(
    pictures: Path, tmp_path: Path, what: str
) -> None:
    (pictures / "2024").mkdir()
    again = tmp_path / "again"
    again.mkdir()
    if subprocess.run(["mount", "--bind", str(tmp_path / what), str(again)]).returncode:
        pytest.skip("nothing can be mounted here")
    try:
        for out in (again, again / "out" / "deeper"):
            with pytest.raises(OutputError, match="lies inside the archive"):
                prepare_output(out, [str(pictures)])
        with pytest.raises(OutputError, match="lies inside the archive"):
            prepare_output(pictures / "2024" / "out", [str(again)])
        assert prepare_output(tmp_path / "fine", [str(pictures)])
    finally:
        subprocess.run(["umount", str(again)], check=True)
    assert sorted(p.name for p in pictures.iterdir()) == ["0.png", "1.png", "2.png", "2024"]


def test_mounts_are_read_as_the_kernel_writes_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Lines in the form of proc(5): a disk, a part of it shown elsewhere, a disk inside the archive."""
    lines = (
        "21 1 8:1 / / rw - ext4 /dev/sda1 rw\n"
        "22 21 8:1 /pics/my\\040best /mnt/b rw - ext4 /dev/sda1 rw\n"
        "23 21 8:2 / /pics/card rw - vfat /dev/sdb1 rw\n"
        "24 21 8:2 / /mnt/c rw - vfat /dev/sdb1 rw\n"
        "25 21 0:5 / /proc rw - proc proc rw\n"
    )
    (tmp_path / "mountinfo").write_text(lines)
    monkeypatch.setattr(mounts, "_LIST", str(tmp_path / "mountinfo"))
    assert mounts.overlap("/mnt/b/out", "/pics")
    assert mounts.overlap("/mnt/c/out", "/pics")
    assert mounts.overlap("/mnt/b", "/pics/my best")
    assert not mounts.overlap("/mnt/b/out", "/pics/other")
    assert not mounts.overlap("/out", "/pics")
    assert mounts.is_of_system("/proc/1")
    assert not mounts.is_of_system("/mnt/c")


@pytest.mark.skipif(not os.path.isdir("/proc/self"), reason="no /proc here")
def test_a_link_to_another_file_system_is_named_and_not_followed(
    at_once: None, pictures: Path, tmp_path: Path
) -> None:
    (pictures / "all").symlink_to("/proc")
    done = call("run", pictures, "--out", tmp_path / "o", "--workers", "1")
    assert done.exit_code == 0
    log = (tmp_path / "o" / "store" / "log.txt").read_text()
    assert "all: a link to another disk or share, which is read only when it is given" in log
    assert "found 3, measured 3" in log
