"""What a later run does about files that are new, changed, moved, gone, or cannot be reached."""

from __future__ import annotations

import os
import shutil
import threading
from pathlib import Path
from typing import Any

import archive
import pytest

from auditor.engine import ScanError, queues, walking
from auditor.store import Store


def test_only_what_is_new_or_changed_is_measured(tmp_path: Path, at_once: None) -> None:
    root = archive.make(tmp_path / "a", ["1.jpg", "2.jpg", "3.jpg", "x/4.jpg", "x/5.jpg", "6.jpg"])
    out = tmp_path / "out"
    first = archive.run(root, out, workers=1)
    assert (first.found, first.measured, first.new) == (6, 6, 6)
    assert len(archive.measured_now()) == 6
    ids = Store(out).load(["path", "file_id"]).set_index("path")["file_id"]

    archive.make(root, ["7.jpg"], seed=7)  # new
    (root / "1.jpg").write_bytes(b"changed")  # changed
    os.utime(root / "2.jpg", (5, 5))  # touched: same content, so not measured again
    (root / "moved").mkdir()
    os.rename(root / "x" / "4.jpg", root / "moved" / "44.jpg")  # moved
    (root / "3.jpg").unlink()  # gone
    (root / "6.xmp").write_bytes(b"<x/>")  # a rating was given in another program
    second = archive.run(root, out, workers=1)
    assert archive.measured_now() == ["1.jpg", "6.jpg", "7.jpg"]
    assert (second.found, second.measured, second.set_aside) == (6, 6, 0)
    assert (second.new, second.moved, second.unchanged, second.gone) == (3, 2, 1, 2)
    frames = Store(out).load().set_index("path")
    assert sorted(Path(p).name for p in frames.index) == [
        "1.jpg", "2.jpg", "44.jpg", "5.jpg", "6.jpg", "7.jpg",
    ]  # fmt: skip
    moved = frames.loc[str(root / "moved" / "44.jpg")]
    assert moved["file_id"] == ids[str(root / "x" / "4.jpg")]
    assert moved["iso"] >= 0
    assert frames.loc[str(root / "2.jpg"), "mtime_ns"] == 5_000_000_000
    assert frames.loc[str(root / "6.jpg"), "rating"] == 4

    third = archive.run(root, out, workers=1)
    assert (third.unchanged, third.new, third.moved, third.gone) == (6, 0, 0, 0)
    assert archive.measured_now() == []

    # Brought back from a backup: remembered by its content.
    archive.make(root, ["1.jpg", "2.jpg", "3.jpg"])
    (root / "1.jpg").write_bytes(b"changed")
    fourth = archive.run(root, out, workers=1)
    assert archive.measured_now() == []
    assert fourth.measured == 7


def test_an_archive_under_another_name_is_not_measured_again(tmp_path: Path, at_once: None) -> None:
    root = archive.make(tmp_path / "a", [f"{n}.jpg" for n in range(30)] + ["refused.jpg"])
    out = tmp_path / "out"
    archive.run(root, out, workers=1)
    archive.measured_now()
    os.rename(root, tmp_path / "b")
    summary = archive.run(tmp_path / "b", out, workers=1)
    assert archive.measured_now() == []
    assert (summary.moved, summary.gone, summary.set_aside) == (31, 31, 1)
    frames = Store(out).load(["path"])
    assert len(frames) == 31
    assert frames["path"].str.startswith(str(tmp_path / "b")).all()
    assert len(Store(out).pictures(Store(out).load(["file_id"])["file_id"].dropna())) == 30


def test_backup_copies_move_with_their_archive(tmp_path: Path, at_once: None) -> None:
    root, out = archive.make(tmp_path / "a", ["1.jpg", "2.jpg", "3-refused.jpg"]), tmp_path / "out"
    shutil.copytree(root, root / "backup")
    archive.run(root, out, workers=1)
    for name in ("b", "c"):  # what was counted as a copy before the first move is measured after it
        os.rename(root, tmp_path / name)
        root = tmp_path / name
        summary = archive.run(root, out, workers=1)
        assert (summary.found, summary.gone) == (6, 6)
        paths = Store(out).load(["path"])["path"]
        assert len(paths) == 6
        assert paths.str.startswith(str(root)).all()


def test_a_backup_that_is_not_mounted_did_not_move_with_its_originals(
    tmp_path: Path, at_once: None
) -> None:
    root, out = archive.make(tmp_path / "a" / "x", ["1.jpg", "2.jpg"]).parent, tmp_path / "out"
    backup = tmp_path / "disk" / "backup"
    shutil.copytree(root, backup)
    archive.run(root, out, workers=1)
    archive.run(backup, out, workers=1)
    os.rename(tmp_path / "disk", tmp_path / "unmounted")
    os.rename(root / "x", root / "y")
    assert archive.run(root, out, workers=1).gone == 2
    paths = Store(out).load(["path"])["path"]
    assert sorted(paths.str.startswith(str(backup))) == [False, False, True, True]


def test_small_pictures_that_were_lost_come_back(tmp_path: Path, at_once: None) -> None:
    root, out = archive.make(tmp_path / "a", ["1.jpg", "2.jpg", "3-refused.jpg"]), tmp_path / "out"
    archive.run(root, out, workers=1)
    archive.measured_now()
    shutil.rmtree(out / "pictures")
    summary = archive.run(root, out, workers=1)
    assert (summary.measured, summary.set_aside) == (2, 1)
    assert archive.measured_now() == ["1.jpg", "2.jpg"]
    assert len(Store(out).pictures(Store(out).load(["file_id"])["file_id"].dropna())) == 2
    assert Store(out).verify() == []
    assert archive.run(root, out, workers=1).unchanged == 3


def test_an_archive_that_is_not_mounted_loses_nothing(tmp_path: Path, at_once: None) -> None:
    root = archive.make(tmp_path / "a", [f"{n}.jpg" for n in range(5)])
    out = tmp_path / "out"
    archive.run(root, out, workers=1)
    shutil.rmtree(root)
    root.mkdir()
    summary = archive.run(root, out, workers=1)
    assert (summary.found, summary.gone) == (0, 0)
    (told,) = summary.notices
    assert told.endswith(
        "nothing found (is the drive mounted?); frames known from there and kept: 5"
    )
    assert len(Store(out).load(["path"])) == 5


def test_a_disk_below_the_archive_that_is_not_mounted_loses_nothing(
    tmp_path: Path, at_once: None
) -> None:
    root = archive.make(tmp_path / "a", ["1.jpg", "disk/2.jpg", "disk/x/3.jpg", "y/4.jpg"])
    out = tmp_path / "out"
    archive.run(root, out, workers=1)
    os.rename(root / "disk", tmp_path / "away")
    (root / "disk").mkdir()
    os.utime(root / "disk", (1.5e9, 1.5e9))  # as the mount point was before there was a store
    (root / "y" / "4.jpg").unlink()  # which leaves an empty folder too
    summary = archive.run(root, out, workers=1)
    assert (summary.found, summary.gone) == (1, 1)
    assert [n for n in summary.notices if "mounted?" in n and n.endswith(": 2")]
    assert sorted(archive.rows(out)) == ["1.jpg", "2.jpg", "3.jpg"]
    (root / "disk").rmdir()
    os.rename(tmp_path / "away", root / "disk")
    assert archive.run(root, out, workers=1).unchanged == 3


def test_a_folder_that_was_emptied_and_given_an_old_time_is_let_go_when_it_is_removed(
    tmp_path: Path, at_once: None
) -> None:
    root, out = archive.make(tmp_path / "a", ["1.jpg", "x/2.jpg"]), tmp_path / "out"
    archive.run(root, out, workers=1)
    (root / "x" / "2.jpg").unlink()
    os.utime(root / "x", (1.5e9, 1.5e9))  # as programs that copy folders with their times leave it
    summary = archive.run(root, out, workers=1)
    (told,) = summary.notices
    assert summary.gone == 0
    assert "(is its disk mounted? or remove the empty folder" in told
    assert told.endswith("frames known from there and kept: 1")
    (root / "x").rmdir()
    summary = archive.run(root, out, workers=1)
    assert (summary.gone, summary.notices) == (1, [])


def test_a_share_that_does_not_answer_is_waited_for_once(
    tmp_path: Path, at_once: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Missing files are asked for before new ones are sorted, and at the end."""
    root, out = archive.make(tmp_path / "a", ["1.jpg", "2.jpg"]), tmp_path / "out"
    archive.run(root, out, workers=1)
    (root / "2.jpg").unlink()
    archive.make(root, ["3.jpg"], seed=3)
    asked, look, over = [], os.lstat, threading.Event()

    def hang(path: str, **how: Any) -> os.stat_result:
        if str(path).endswith("2.jpg"):
            asked.append(path)
            over.wait()
        return look(path, **how)

    monkeypatch.setattr(walking, "_PATIENCE_S", 0.5)
    monkeypatch.setattr(os, "lstat", hang)
    summary = archive.run(root, out, workers=1)
    over.set()
    assert (summary.new, summary.gone, len(asked)) == (1, 0, 1)
    assert summary.notices == [
        "a folder does not answer; files missing from the archive are kept for now"
    ]


@pytest.mark.parametrize("second", [16_000_000_000, 10**11, -(10**11), -5, 0])
def test_any_time_of_change_is_known_again(tmp_path: Path, at_once: None, second: int) -> None:
    """File systems count in years to 2446 (ext4), and beyond."""
    root = archive.make(tmp_path / "a", ["1.jpg", "2.jpg"])
    os.utime(root / "1.jpg", (second, second))
    archive.run(root, tmp_path / "out", workers=1)
    archive.measured_now()
    summary = archive.run(root, tmp_path / "out", workers=1)
    assert (summary.unchanged, archive.measured_now()) == (2, [])


def test_an_archive_that_disappears_stops_the_scan_and_keeps_what_came(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(queues, "WAIT_S", 0.5)
    root = archive.make(tmp_path / "a", [f"{n:03d}-slow.jpg" for n in range(24)])
    out = tmp_path / "out"

    from auditor.engine import Progress, ScanOptions, scan

    def unplug(event: Progress) -> None:
        if event.done >= 4 and root.exists():
            os.rename(root, tmp_path / "elsewhere")

    options = ScanOptions(measure="planted:measure")
    with pytest.raises(ScanError, match=r"does not answer any more.*run again") as error:
        scan([root], Store(out), workers=2, options=options, progress=unplug)
    kept = len(Store(out).load(["path"]))
    assert 4 <= kept == error.value.summary.measured < 24
    assert archive.started_here() == []
    os.rename(tmp_path / "elsewhere", root)
    archive.measured_now()
    summary = archive.run(root, out)
    assert (summary.measured, summary.set_aside) == (24, 0)
    assert len(archive.measured_now()) == 24 - kept


def test_files_that_cannot_be_read_are_set_aside(tmp_path: Path, at_once: None) -> None:
    root = archive.make(tmp_path / "a", ["1.jpg", "2.jpg"])
    os.mkfifo(root / "pipe.jpg")
    (root / "gone.jpg").symlink_to(root / "nowhere.jpg")
    big = root / "big.jpg"
    with open(big, "wb") as out_file:
        out_file.truncate(3 * 2**20)
    summary = archive.run(root, tmp_path / "out", workers=1, max_file_mb=2)
    assert (summary.found, summary.measured, summary.set_aside) == (5, 2, 3)
    reasons = {n: r for n, (s, r) in archive.rows(tmp_path / "out").items() if s != "measured"}
    assert reasons["big.jpg"] == "the file is larger than 2 MB"
    assert set(reasons) == {"big.jpg", "gone.jpg", "pipe.jpg"}
    again = archive.run(root, tmp_path / "out", workers=1, max_file_mb=2)
    assert (again.found, again.unchanged, again.set_aside) == (5, 5, 3)
