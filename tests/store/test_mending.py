"""What disks, other stores and other programs do to a store, and how it is mended."""

from __future__ import annotations

import json
import os
import shutil
import threading
from pathlib import Path

import pytest
from command import call
from test_store import parts, picture, row

from auditor.open_files import RunLog
from auditor.store import STORE_VERSION, Store, StoreError
from auditor.store.schema import path_key


def filled(folder: Path, names: str = "abc", batches: bool = True) -> Path:
    with Store(folder) as store:
        if batches:
            for name in names:
                store.append([row(f"/{name}", trouble=None)], [picture(f"/{name}")])
        else:
            store.append(
                [row(f"/{n}", trouble=None) for n in names], [picture(f"/{n}") for n in names]
            )
    return folder


def paths(folder: Path) -> list[str]:
    return list(Store(folder).load(["path"])["path"])


def damage(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 0xFF
    path.write_bytes(data)


def test_a_damaged_part_is_set_apart_by_the_next_run_and_by_mending(tmp_path: Path) -> None:
    for mend in (False, True):
        folder = filled(tmp_path / str(mend) / "store")
        damage(parts(folder)[1])
        damage(parts(folder, "pictures")[2])
        assert len(Store(folder).verify()) >= 2
        if mend:
            done = call("verify", "--out", folder.parent, "--mend")
            assert "damaged, set apart" in done.output
            assert len(parts(folder, "pictures")) == 2
        else:
            with Store(folder) as store:
                store.known()
        assert len(parts(folder)) == 2
        assert len(list((folder / "damaged").iterdir())) == 1 + mend
        assert paths(folder) == ["/a", "/c"]
        with Store(folder) as store:  # what a run does then
            store.append([row("/b", trouble=None)], [picture("/b"), picture("/c")])
        if mend:
            assert Store(folder).verify() == []


def test_pictures_that_are_gone_are_noticed_and_their_frames_known(tmp_path: Path) -> None:
    folder = filled(tmp_path / "store")
    store = Store(folder)
    assert store.verify() == []
    assert len(store.without_pictures(store.known())) == 0
    shutil.rmtree(folder / "pictures")
    (problem,) = Store(folder).verify()
    assert problem == "small pictures of 3 frames are lost; the next run measures them again"
    store = Store(folder)
    assert len(store.without_pictures(store.known())) == 3


def test_an_empty_part_whose_name_covers_others_takes_none_along(tmp_path: Path) -> None:
    folder = filled(tmp_path / "store")
    for name in ("frames", "pictures"):
        (folder / name / "part-00000000-00000099.00000000.parquet").touch()
        (folder / name / "part-00000000-00000098.12345678.parquet").write_bytes(b"noise" * 99)
    assert paths(folder) == ["/a", "/b", "/c"]
    with Store(folder) as store:
        store.known()
    assert paths(folder) == ["/a", "/b", "/c"]
    assert len(parts(folder, "pictures")) == 5


def test_parts_of_two_stores_in_one_folder_lose_no_row(tmp_path: Path) -> None:
    one, two = filled(tmp_path / "1", "abc"), filled(tmp_path / "2", "defgh")
    merged = filled(tmp_path / "3", "xyz")
    with Store(merged) as store:
        store.compact()
    assert len(parts(merged)) == 1
    for other in (two, merged):
        for part in parts(other):
            shutil.copy(part, one / "frames")
    everything = [f"/{n}" for n in "abcdefghxyz"]
    assert paths(one) == everything
    with Store(one) as store:
        store.append([row("/new")])
        store.compact()
    assert paths(one) == ["/a", "/b", "/c", "/d", "/e", "/f", "/g", "/h", "/new", "/x", "/y", "/z"]


def test_what_a_merge_leaves_that_was_cut_short_counts_once_and_is_merged_in(
    tmp_path: Path,
) -> None:
    folder = filled(tmp_path / "store")
    old = {p.name: p.read_bytes() for p in parts(folder)}
    with Store(folder) as store:
        store.compact()
    for name, data in old.items():
        (folder / "frames" / name).write_bytes(data)
    assert paths(folder) == ["/a", "/b", "/c"]
    assert Store(folder).verify() == []
    with Store(folder) as store:
        store.compact()
    assert len(parts(folder)) == 1
    assert paths(folder) == ["/a", "/b", "/c"]


@pytest.mark.parametrize("text", ["[" * 100_000, '{"store":' * 50_000, "[]", '{"store": [[2]]}'])
def test_odd_version_files_are_refused_in_one_line(tmp_path: Path, text: str) -> None:
    filled(tmp_path / "store")
    (tmp_path / "store" / "version.json").write_text(text)
    with pytest.raises(StoreError) as error:
        Store(tmp_path / "store")
    assert "\n" not in str(error.value)
    for name in ("unread.json", "lock"):
        (tmp_path / "store" / name).write_text("[" * 100_000)
    (tmp_path / "store" / "version.json").write_text(json.dumps({"store": STORE_VERSION}))
    with Store(tmp_path / "store") as store:
        assert store.unread() == []


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names here")
def test_a_log_that_is_a_pipe_or_a_link_is_not_written_and_stops_nothing(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    victim = tmp_path / "victim"
    victim.write_text("as it was")
    (tmp_path / "link").symlink_to(victim)
    os.link(victim, tmp_path / "hard")

    def write() -> None:
        for name in ("pipe", "link", "hard"):
            RunLog(tmp_path / name).line("told")

    thread = threading.Thread(target=write, daemon=True)
    thread.start()
    thread.join(10)
    assert not thread.is_alive()
    assert victim.read_text() == "as it was"
    (tmp_path / "store").mkdir()
    os.link(victim, tmp_path / "store" / "lock")
    with pytest.raises(StoreError, match="not a file of its own"):
        Store(tmp_path / "store").open_for_writing()
    assert victim.read_text() == "as it was"


def test_a_stored_path_keeps_its_key(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        store.append([row("/a\\x41"), row("/b")])
        known = store.known()
        (again,) = store.rows(known, [int(known.find([path_key("/a\\x41")])[0])]).values()
        store.append([again | {"gone": True}])
    assert paths(tmp_path) == ["/b"]
