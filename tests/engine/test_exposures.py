"""One exposure is measured once, on its best file; the others are counted, and never lost by it."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import Any

import archive
import numpy as np
import pytest

from auditor.artificial.camera import Mosaic
from auditor.artificial.files import FrameTags, jpeg_bytes, mosaic_bytes
from auditor.crawl import relate
from auditor.engine import ScanSummary
from auditor.settings import reconcile
from auditor.store import Store

RNG = np.random.default_rng(3)


def tags(number: int, **more: Any) -> FrameTags:
    taken = f"2024-05-01T06:{number // 60:02d}:{number % 60:02d}"
    base = {"make": "Fern", "model": "Fern 2", "f_number": 8.0, "exposure_time_s": 1 / 250}
    return FrameTags(**{**base, "iso": 100, "focal_length_mm": 35.0, "taken": taken, **more})


def put(path: Path, data: bytes) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return path


def raw(path: Path, number: int, **more: Any) -> Path:
    data = RNG.integers(500, 4000, (64, 96)).astype(np.uint16)
    return put(path, mosaic_bytes(Mosaic(data, 512, 16383, (1, 1, 1), 1, 1), tags(number, **more)))


def jpeg(path: Path, number: int, size: tuple[int, int] = (64, 96), **more: Any) -> Path:
    picture = RNG.integers(0, 255, (*size, 3)).astype(np.uint8)
    return put(path, jpeg_bytes(picture, tags(number, **more)))


def run(root: Path, out: Path, workers: int = 2, **options: Any) -> ScanSummary:
    return archive.run(root, out, workers, measure="planted:measure_by_tags", **options)


def counted(out: Path) -> dict[str, str]:
    """Name of every file that is counted -> name of the file that it is counted on."""
    frames = Store(out).load(["path", "status", "measured_on"])
    frames = frames[frames["status"] == "counted"]
    pairs = zip(frames["path"], frames["measured_on"], strict=True)
    return {Path(p).name: Path(on).name for p, on in pairs}


def sums(summary: ScanSummary) -> tuple[int, int, int, int]:
    return summary.found, summary.measured, summary.set_aside, summary.counted


def test_raw_jpeg_export_and_backup_of_one_exposure_are_measured_once(
    tmp_path: Path, at_once: None
) -> None:
    root = tmp_path / "a"
    raw(root / "IMG_0001.dng", 1)
    jpeg(root / "IMG_0001.jpg", 1)
    jpeg(root / "web" / "IMG_0001-small.jpg", 1, (32, 48), software="Ferndesk 3")
    jpeg(root / "IMG_0002.jpg", 2)
    shutil.copytree(root, root / "backup")
    out = tmp_path / "out"
    summary = run(root, out)
    assert sums(summary) == (8, 8, 0, 6)
    assert summary.new == 2
    assert len(archive.measured_now()) == 2
    on = counted(out)
    assert on["IMG_0001.jpg"] == on["IMG_0001-small.jpg"] == "IMG_0001.dng"
    frames = Store(out).load()
    rows = frames.set_index("path")
    assert rows.loc[str(root / "IMG_0001.jpg"), "f_number"] == 8, (
        "settings of counted files are kept"
    )
    assert frames["file_id"].notna().all()
    related = relate(reconcile(frames))
    assert related["capture"].nunique() == 2
    assert related[related["best"]]["status"].tolist() == ["measured", "measured"]
    assert Store(out).verify() == []
    again = run(root, out)
    assert sums(again) == (8, 8, 0, 6)
    assert again.unchanged == 8
    assert archive.measured_now() == []


def test_two_edits_of_one_exposure_under_other_names_are_measured_once(
    tmp_path: Path, at_once: None
) -> None:
    root, own = tmp_path / "a", "F6CF316215B06591C1F51AB597986742"
    jpeg(root / "castle-002.jpg", 1, software="Ferndesk 3", image_unique_id=own)
    jpeg(root / "print-017.jpg", 1, software="Mosspaint 2", image_unique_id=own.lower())
    jpeg(root / "hut-018.jpg", 1, software="Ferndesk 3", image_unique_id=own[::-1])
    assert sums(run(root, tmp_path / "out")) == (3, 3, 0, 1)
    assert counted(tmp_path / "out") == {"print-017.jpg": "castle-002.jpg"}


def test_a_raw_file_that_cannot_be_decoded_does_not_cost_the_exposure(
    tmp_path: Path, at_once: None
) -> None:
    root = tmp_path / "a"
    raw(root / "IMG_0001-refused.dng", 1)
    raw(root / "IMG_0002-abort.dng", 2)
    for n in (1, 2):
        jpeg(root / f"IMG_{n:04d}.jpg", n)
        jpeg(root / f"IMG_{n:04d}-small.jpg", n, (32, 48))
    out = tmp_path / "out"
    assert sums(run(root, out)) == (6, 4, 2, 2)
    assert counted(out) == {f"IMG_{n:04d}-small.jpg": f"IMG_{n:04d}.jpg" for n in (1, 2)}


def test_of_a_raw_file_with_only_a_preview_the_jpeg_beside_it_is_measured_too(
    tmp_path: Path, at_once: None
) -> None:
    root = tmp_path / "a"
    raw(root / "IMG_0001-preview.dng", 1)
    jpeg(root / "IMG_0001.jpg", 1)
    jpeg(root / "IMG_0001-small.jpg", 1, (32, 48))
    assert sums(run(root, tmp_path / "out")) == (3, 3, 0, 1)
    assert archive.measured_now() == ["IMG_0001-preview.dng", "IMG_0001.jpg"]
    assert counted(tmp_path / "out") == {"IMG_0001-small.jpg": "IMG_0001.jpg"}


def test_an_edited_version_is_measured_beside_its_original_one_for_each_exposure(
    tmp_path: Path, at_once: None
) -> None:
    root = tmp_path / "a"
    for n in range(3):
        raw(root / f"IMG_{n:04d}.dng", n)
        jpeg(root / f"IMG_{n:04d}.jpg", n)
    jpeg(root / "IMG_0000-lake.jpg", 0, software="Ferndesk 3")
    jpeg(root / "IMG_0000-lake-2.jpg", 0, software="Ferndesk 3")
    assert sums(run(root, tmp_path / "out")) == (8, 8, 0, 4)
    edited = [n for n in archive.measured_now() if "lake" in n]
    assert len(edited) == 1


@pytest.mark.parametrize("change", ["deleted", "another picture", "damaged"])
def test_when_the_file_that_stands_for_it_goes_a_counted_file_is_measured(
    tmp_path: Path, at_once: None, change: str
) -> None:
    root = tmp_path / "a"
    best = raw(root / "IMG_0001.dng", 1)
    jpeg(root / "IMG_0001.jpg", 1)
    jpeg(root / "IMG_0001-small.jpg", 1, (32, 48))
    out = tmp_path / "out"
    assert sums(run(root, out)) == (3, 3, 0, 2)
    archive.measured_now()
    if change == "deleted":
        best.unlink()
    elif change == "another picture":
        raw(best, 7)
    else:
        best.write_bytes(b"")
    summary = run(root, out)
    found = 3 - (change == "deleted")
    aside = int(change == "damaged")
    assert sums(summary) == (found, found - aside, aside, 1)
    assert "IMG_0001.jpg" in archive.measured_now()
    assert counted(out) == {"IMG_0001-small.jpg": "IMG_0001.jpg"}
    assert run(root, out).unchanged == found


def test_a_file_that_replaces_the_measured_one_is_measured_at_once(
    tmp_path: Path, at_once: None
) -> None:
    root, out = tmp_path / "a", tmp_path / "out"
    old = [raw(root / f"IMG_{n:04d}.dng", n) for n in range(2)]
    extra = jpeg(root / "IMG_0009.jpg", 9)
    backup = put(tmp_path / "backup" / "IMG_0009.jpg", extra.read_bytes())
    run(root, out)
    run(backup.parent, out)
    archive.measured_now()
    for n, path in enumerate(old):  # the same exposures in other files
        path.unlink()
        raw(root / "converted" / f"IMG_{n:04d}.dng", n)
    extra.rename(root / "moved.jpg")
    backup.parent.rename(tmp_path / "unmounted")
    summary = run(root, out)
    assert (*sums(summary), summary.gone) == (3, 3, 0, 0, 3)
    assert archive.measured_now() == ["IMG_0000.dng", "IMG_0001.dng"]
    frames = Store(out).load(["path", "status"]).set_index("path")["status"]
    assert frames[str(root / "converted" / "IMG_0000.dng")] == "measured"
    assert str(backup) in frames, "a copy on a disk that is not there did not move"
    assert run(root, out).unchanged == 3


def test_frames_out_of_reach_stay_measured(tmp_path: Path, at_once: None) -> None:
    """An archive of links to a disk, which is not mounted for a while."""
    root, disk, out = tmp_path / "a", tmp_path / "disk", tmp_path / "out"
    root.mkdir()
    for path in (raw(disk / "IMG_0001.dng", 1), jpeg(disk / "IMG_0001.jpg", 1)):
        (root / path.name).symlink_to(path)
    jpeg(root / "IMG_0002.jpg", 2)
    (root / "IMG_0003.jpg").symlink_to(disk / "IMG_0003.jpg")
    assert sums(run(root, out)) == (4, 3, 1, 1)
    disk.rename(tmp_path / "away")
    archive.measured_now()
    summary = run(root, out)
    assert (*sums(summary), summary.unchanged) == (4, 3, 1, 1, 4)
    assert [n for n in summary.notices if "out of reach" in n and n.endswith(": 2")]
    (tmp_path / "away").rename(disk)
    jpeg(disk / "IMG_0003.jpg", 3)
    assert (*sums(run(root, out)), run(root, out).unchanged) == (4, 4, 0, 1, 4)
    assert archive.measured_now() == ["IMG_0003.jpg"]


def test_a_backup_of_a_deleted_file_is_known_by_its_content(tmp_path: Path, at_once: None) -> None:
    root = tmp_path / "a"
    one = jpeg(root / "IMG_0001.jpg", 1)
    shutil.copy(one, put(root / "backup" / "IMG_0001.jpg", b""))
    out = tmp_path / "out"
    assert sums(run(root, out)) == (2, 2, 0, 1)
    assert len(archive.measured_now()) == 1
    kept = Store(out).load()
    (Path(kept.loc[kept["status"] == "measured", "path"].item())).unlink()
    assert sums(run(root, out)) == (1, 1, 0, 0)
    assert archive.measured_now() == []


def test_a_backup_that_comes_later_is_known_by_its_content(tmp_path: Path, at_once: None) -> None:
    root, out = tmp_path / "a", tmp_path / "out"
    one, two = jpeg(root / "b" / "IMG_0001.jpg", 1), jpeg(root / "b" / "IMG_0002.jpg", 2)
    run(root, out)
    archive.measured_now()
    shutil.copy(one, put(root / "a" / "IMG_0001.jpg", b""))
    shutil.move(two, root / "IMG_0003.jpg")
    os.utime(one, (7, 7))
    summary = run(root, out)
    assert sums(summary) == (3, 3, 0, 0)
    assert (summary.moved, summary.gone) == (3, 1), "one touched, one copied, one moved"
    assert archive.measured_now() == []
    related = relate(reconcile(Store(out).load()))
    assert (related["capture"].nunique(), related["best"].sum()) == (2, 2)
    shutil.copy(root / "IMG_0003.jpg", put(root / "c" / "IMG_0003.jpg", b""))
    jpeg(root / "IMG_0003.jpg", 9)  # the copy's original is another picture by now
    summary = run(root, out)
    assert sums(summary) == (4, 4, 0, 0)
    assert archive.measured_now() == ["IMG_0003.jpg"]
    assert run(root, out).unchanged == 4


def test_a_touched_or_renamed_archive_stays_counted(tmp_path: Path, at_once: None) -> None:
    root = tmp_path / "a"
    for n in range(4):
        raw(root / f"IMG_{n:04d}.dng", n)
        jpeg(root / f"IMG_{n:04d}.jpg", n)
    out = tmp_path / "out"
    run(root, out)
    archive.measured_now()
    os.utime(root / "IMG_0001.dng", (5, 5))
    summary = run(root, out)
    assert sums(summary) == (8, 8, 0, 4)
    os.rename(root, tmp_path / "b")
    summary = run(tmp_path / "b", out)
    assert sums(summary) == (8, 8, 0, 4)
    assert summary.gone == 8
    assert archive.measured_now() == []
    third = run(tmp_path / "b", out)
    assert (third.unchanged, third.counted) == (8, 4)


def test_a_better_file_that_comes_later_is_measured_a_worse_one_counted(
    tmp_path: Path, at_once: None
) -> None:
    root, out = tmp_path / "a", tmp_path / "out"
    jpeg(root / "IMG_0001.jpg", 1)
    run(root, out)
    jpeg(root / "IMG_0001-small.jpg", 1, (32, 48))
    assert sums(run(root, out)) == (2, 2, 0, 1)
    raw(root / "IMG_0001.dng", 1)
    assert sums(run(root, out)) == (3, 3, 0, 1)
    assert archive.measured_now() == ["IMG_0001.dng", "IMG_0001.jpg"]
    related = relate(reconcile(Store(out).load()))
    assert [Path(p).name for p in related.loc[related["best"], "path"]] == ["IMG_0001.dng"]


def test_files_that_only_begin_and_end_alike_are_all_measured(
    tmp_path: Path, at_once: None
) -> None:
    root = tmp_path / "a"
    margin = bytes(300_000)
    for n in range(5):
        put(root / f"scan{n}.tif", margin + RNG.bytes(9000) + margin)
    same = put(root / "x" / "scan.tif", margin + b"1" * 9000 + margin)
    put(root / "y" / "scan.tif", same.read_bytes())
    assert sums(run(root, tmp_path / "out")) == (7, 7, 0, 1)
    assert len(archive.measured_now()) == 6


def test_many_copies_of_what_cannot_be_measured_take_no_turn_each(
    tmp_path: Path, at_once: None
) -> None:
    root = tmp_path / "a"
    for n in range(140):
        put(root / f"{n:03d}-refused.jpg", b"the same everywhere")
    summary = run(root, tmp_path / "out")
    assert sums(summary) == (140, 0, 140, 0)
    assert summary.reasons == {"not a picture": 140}
    log = (tmp_path / "out" / "log.txt").read_text()
    assert log.count("set aside:") == 140


def test_an_archive_in_stretches_loses_and_doubles_nothing(
    tmp_path: Path, at_once: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("auditor.engine.scanning.STRETCH", 7)
    monkeypatch.setattr("auditor.engine.walking.CHUNK", 3)
    root = tmp_path / "a"
    for n in range(15):
        jpeg(root / "1" / f"IMG_{n:04d}.jpg", n)
        jpeg(root / "2" / f"IMG_{n:04d}.jpg", n, (32, 48))
    out = tmp_path / "out"
    assert sums(run(root, out)) == (30, 30, 0, 15)
    assert len(archive.measured_now()) == 15
    assert run(root, out).unchanged == 30
