"""The store keeps what it was given, newest row first in rank, and survives what disks do."""

from __future__ import annotations

import errno
import fcntl
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from auditor.record import COLUMNS, FrameRecord, Noise, Settings, Tone, to_row
from auditor.store import Store, StoreBusy, StoreError, reading, to_frame
from auditor.store import parts as parts_module
from auditor.store import store as store_module
from auditor.store.parts import DamagedPart, Part
from auditor.store.schema import path_key


def row(path: str, **more: object) -> dict[str, object]:
    record = FrameRecord(
        path,
        file_id=f"{abs(hash(path)):032x}"[:32],
        size_bytes=10,
        mtime_ns=20,
        settings=Settings(body="Fern 2", iso=400.0, rating=None, labels=("a", "b")),
        noise=Noise(1.5, tones=(Tone(0.18, 0.004, 512),)),
    )
    return to_row(record) | {"tool_version": "1", "trouble": "no pictures"} | more


def picture(path: str, data: bytes = b"jpeg") -> dict[str, object]:
    return {"file_id": f"{abs(hash(path)):032x}"[:32], "thumb_jpeg": data}


def parts(folder: Path, name: str = "frames") -> list[Path]:
    return sorted((folder / name).glob("part-*"))


def test_what_goes_in_comes_out(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        store.append([row("/b"), row("/a")], [picture("/a")])
    frames = Store(tmp_path).load()
    assert list(frames.columns) == [c.name for c in COLUMNS]
    assert frames["path"].tolist() == ["/a", "/b"]
    assert frames["iso"].tolist() == [400.0, 400.0]
    assert frames["tone_18000_sigma"].tolist() == [0.004, 0.004]
    assert list(frames["labels"][0]) == ["a", "b"]
    assert frames["rating"].isna().all()
    assert frames["rating"].dtype == pd.Int64Dtype()
    assert frames["centre_mtf50_cpp"].isna().all(), "not measured is missing, not 0"
    pd.testing.assert_frame_equal(frames, to_frame([row("/a"), row("/b")]))
    pictures = Store(tmp_path).pictures([str(picture("/a")["file_id"]), "absent"])
    assert pictures["thumb_jpeg"].tolist() == [b"jpeg"]


def test_any_pandas_user_can_open_a_part(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        store.append([row("/a")])
    assert pd.read_parquet(parts(tmp_path)[0])["iso"].tolist() == [400.0]


def test_the_newest_row_of_a_path_counts_and_a_gone_file_does_not(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        store.append([row("/a", iso=100.0), row("/b")])
        store.append([row("/a", iso=200.0)])
        store.append([row("/b", gone=True)])
    frames = Store(tmp_path).load(["path", "iso"])
    assert frames.to_dict("list") == {"path": ["/a"], "iso": [200.0]}
    known = Store(tmp_path).known()
    assert len(known) == 2
    assert known.gone[known.index("/b")]
    assert known.index("/c") == -1


@settings(
    max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    batches=st.lists(
        st.lists(st.tuples(st.integers(0, 9), st.booleans()), max_size=4), min_size=1, max_size=8
    ),
    merge_at=st.integers(2, 4),
    small_bytes=st.sampled_from([40_000, 10**6]),
)
def test_merging_parts_changes_nothing(
    tmp_path_factory: pytest.TempPathFactory,
    batches: list[list[tuple[int, bool]]],
    merge_at: int,
    small_bytes: int,
) -> None:
    """Whatever is appended, and however it is merged, equals a plain dictionary of newest rows."""
    folder = tmp_path_factory.mktemp("s")
    newest: dict[str, tuple[float, bool]] = {}
    with pytest.MonkeyPatch.context() as patch, Store(folder) as store:
        patch.setattr(store_module, "SMALL_PARTS", merge_at)
        patch.setattr(parts_module, "SMALL_BYTES", small_bytes)
        for number, batch in enumerate(batches):
            rows = []
            for name, gone in dict(batch).items():
                rows.append(row(f"/{name}", iso=float(number), gone=gone))
                newest[f"/{name}"] = (float(number), gone)
            store.append(rows, [picture(str(r["path"])) for r in rows])
        got = store.load(["path", "iso"])
        assert Store(folder).warnings == []
    want = sorted((p, iso) for p, (iso, gone) in newest.items() if not gone)
    assert list(zip(got["path"], got["iso"], strict=True)) == want
    assert Store(folder).verify() == []
    ids = [str(picture(p)["file_id"]) for p in newest]
    assert len(Store(folder).pictures(ids)) == len(newest)


def test_a_merge_cut_short_leaves_no_double_rows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Store(tmp_path) as store:
        for number in range(5):
            store.append([row("/a", iso=float(number)), row(f"/{number}")])
        before = store.load()
        monkeypatch.setattr(Path, "unlink", lambda *a, **k: None)  # killed before it could clean up
        store.compact()
        monkeypatch.undo()
    assert len(parts(tmp_path)) == 6
    pd.testing.assert_frame_equal(Store(tmp_path).load(), before)
    with Store(tmp_path) as store:
        store.compact()
        assert len(parts(tmp_path)) == 1
        store.append([row("/a", iso=9.0)])
    assert Store(tmp_path).load(["iso", "path"]).set_index("path").loc["/a", "iso"] == 9.0


def test_a_merge_in_the_midst_of_reading_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Store(tmp_path) as store:
        for name in "/a", "/b", "/c":
            store.append([row(name)], [picture(name)])
        ids = [str(picture(name)["file_id"]) for name in ("/a", "/b", "/c")]
        reader = Store(tmp_path)
        known = reader.known()
        listed = reading.list_parts

        def then_merged(folder: Path) -> list[Part]:
            found = listed(folder)
            monkeypatch.setattr(reading, "list_parts", listed)
            store.compact()
            return found

        monkeypatch.setattr(reading, "list_parts", then_merged)
        assert len(reader.pictures(ids)) == 3
        store.append([row("/a")], [picture("/a")])
        monkeypatch.setattr(reading, "list_parts", then_merged)
        assert sorted(reader.paths(known, [0, 1, 2])) == ["/a", "/b", "/c"]
        store.append([row("/b")], [picture("/b")])
        monkeypatch.setattr(reading, "list_parts", then_merged)
        assert reader.verify() == []
    assert reader.warnings == []


def test_half_written_files_are_invisible_and_cleared_away(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        store.append([row("/a")], [picture("/a")])
    (tmp_path / "frames" / "part-00000001.1a2b3c4d.parquet.tmp").write_bytes(b"PAR1 half")
    # Pictures of a batch whose frames never came: the batch was not committed.
    pictures = parts(tmp_path, "pictures")[0]
    pictures.rename(pictures.with_name(pictures.name.replace("part-00000000", "part-00000001")))
    assert Store(tmp_path).load(["path"])["path"].tolist() == ["/a"]
    with Store(tmp_path) as store:
        store.append([row("/b")], [picture("/b")])
    assert Store(tmp_path).load(["path"])["path"].tolist() == ["/a", "/b"]
    assert not list((tmp_path / "frames").glob("*.tmp"))
    assert len(Store(tmp_path).pictures([str(picture(p)["file_id"]) for p in ("/a", "/b")])) == 2


@pytest.mark.parametrize("damage", ["cut", "flip", "empty", "noise"])
def test_a_damaged_part_is_left_out_with_one_line(tmp_path: Path, damage: str) -> None:
    with Store(tmp_path) as store:
        store.append([row("/a")])
        store.append([row("/b")])
    victim = parts(tmp_path)[0]
    data = bytearray(victim.read_bytes())
    if damage == "flip":  # inside the data pages, which only the checksum can tell
        data[8:64] = bytes(b ^ 255 for b in data[8:64])
    changed = {"cut": data[: len(data) // 2], "flip": data, "empty": b"", "noise": os.urandom(5000)}
    victim.write_bytes(bytes(changed[damage]))
    store = Store(tmp_path)
    assert store.load()["path"].tolist() == ["/b"]
    assert len(store.warnings) == 1
    assert "\n" not in store.warnings[0]
    assert "part-00000000." in store.warnings[0]
    assert store.known().index("/a") == -1, "so that it is measured again"
    assert len(store.verify()) == 1
    with Store(tmp_path) as again:
        again.append([row("/a")])
        again.compact()
    assert Store(tmp_path).load(["path"])["path"].tolist() == ["/a", "/b"]


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store to be copied and damaged."""
    folder = tmp_path_factory.mktemp("good") / "store"
    with Store(folder) as store:
        store.append([row("/a"), row("/b")], [picture("/a")])
        store.append([row("/c")], [picture("/c")])
    return folder


@settings(
    max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_no_damage_whatever_raises(
    good: Path, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    fuzz_one_store(good, tmp_path_factory.mktemp("s") / "store", data)


@pytest.mark.long
def test_no_damage_whatever_raises_however_long_it_is_tried(
    good: Path,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    """FUZZ_STORES in the environment makes the run longer than in CI."""

    @settings(
        max_examples=int(os.environ.get("FUZZ_STORES", "60")), deadline=None, database=None,
        phases=[Phase.generate], suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(st.data())
    def one(data: st.DataObject) -> None:
        folder = tmp_path_factory.mktemp("s") / "store"
        fuzz_one_store(good, folder, data)
        shutil.rmtree(folder)

    one()


def fuzz_one_store(good: Path, folder: Path, data: st.DataObject) -> None:
    """Damage a store at random; reading it must leave parts out, never raise, never misread."""
    shutil.copytree(good, folder)
    victims = [*parts(folder), *parts(folder, "pictures")]
    victim = data.draw(st.sampled_from(victims))
    content = bytearray(victim.read_bytes())
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, len(content) - 1))
        content[at : at + data.draw(st.integers(0, 4))] = data.draw(st.binary(max_size=4))
        if not content:
            break
    victim.write_bytes(bytes(content))
    store = Store(folder)
    frames = store.load()
    assert set(frames["path"]) <= {"/a", "/b", "/c"} or store.verify()
    store.known()
    store.pictures([str(picture(p)["file_id"]) for p in ("/a", "/c")])
    store.verify()
    assert all("\n" not in w for w in store.warnings)
    with Store(folder) as again:
        again.append([row("/d")])
        again.compact()
    assert "/d" in set(Store(folder).load(["path"])["path"])


def test_a_counted_file_knows_what_its_exposure_is_measured_on(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        store.append([row("/a")])
        counted = {"path": "/b", "status": "counted", "measured_on": "/a"}
        store.append([counted | {"file_id": "f" * 32}])
    known = Store(tmp_path).known()
    b = known.index("/b")
    assert known.counted[b]
    assert known.leader[b] == path_key("/a")
    assert Store(tmp_path).verify() == []


def test_another_version_is_refused_in_plain_words(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        store.append([row("/a")])
    for version in (2, 3, 99):  # before the figures of today, and after
        (tmp_path / "version.json").write_text(f'{{"store": {version}}}')
        with pytest.raises(StoreError, match=rf"version {version}.*--out"):
            Store(tmp_path)
    for text in ("", "[]", "null", '{"store": "x"}', "\x00\xff"):
        (tmp_path / "version.json").write_text(text)
        with pytest.raises(StoreError, match="--out"):
            Store(tmp_path)
    (tmp_path / "version.json").unlink()
    with pytest.raises(StoreError, match=r"no version\.json"):
        Store(tmp_path)


def test_odd_values_cost_their_cell_not_the_row(tmp_path: Path) -> None:
    odd = row("/a\udcff\n", iso=np.float32(100), rating=2**70, body="x\udcfe", width_px="many")
    with Store(tmp_path) as store:
        store.append([odd, row("/b")])
    frames = Store(tmp_path).load()
    assert frames["path"].tolist() == ["/a\\xff\\x0a", "/b"]
    assert frames["iso"].tolist() == [100.0, 400.0]
    assert frames["rating"].isna().all()
    assert frames["width_px"].isna().all()
    assert Store(tmp_path).known().index("/a\udcff\n") >= 0
    assert Store(tmp_path).verify() == []


HOLDER = """
import sys, time
from auditor.store import Store
store = Store(sys.argv[1]).open_for_writing()
print("held", flush=True)
time.sleep(60)
"""


def test_one_writer_and_a_dead_one_does_not_block(tmp_path: Path) -> None:
    holder = subprocess.Popen([sys.executable, "-c", HOLDER, str(tmp_path)], stdout=subprocess.PIPE)
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"held\n"
        with pytest.raises(StoreBusy, match=f"process {holder.pid} on ") as error:
            Store(tmp_path).open_for_writing()
        assert "\n" not in str(error.value)
        Store(tmp_path).load()  # reading is always allowed
    finally:
        holder.kill()
        holder.wait()
        if holder.stdout:
            holder.stdout.close()
    with Store(tmp_path) as store:
        store.append([row("/a")])


def test_a_disk_that_cannot_lock_is_one_clear_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*args: object) -> None:
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(fcntl, "flock", refuse)
    with pytest.raises(StoreError, match="lock cannot be locked") as error:
        Store(tmp_path).open_for_writing()
    assert "\n" not in str(error.value)
    monkeypatch.undo()
    Store(tmp_path).open_for_writing().close()


def test_a_full_disk_is_said_and_costs_only_the_batch(small_disk: Callable[[str], Path]) -> None:
    disk = small_disk("1m")
    with Store(disk) as store:
        written = 0
        said = ""
        while not said and written < 1000:
            try:
                store.append([row(f"/{written}")], [picture(f"/{written}", os.urandom(20000))])
                written += 1
            except StoreError as error:
                said = str(error)
        assert "disk is full" in said
        assert "kept" in said
        frames = Store(disk).load(["path"])
        assert len(frames) == written > 3
        assert not list(disk.glob("*/*.tmp"))
        for path in parts(disk, "pictures")[:3]:
            path.unlink()  # somebody makes room
        store.append([row("/later")])
    assert len(Store(disk).load(["path"])) == written + 1


def test_a_folder_that_cannot_be_written_is_one_clear_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match=r"--out|check the disk") as error:
        Store(tmp_path / "file" / "store").open_for_writing()
    assert "\n" not in str(error.value)


def test_some_files_and_single_precision_are_what_is_asked_for(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        store.append([row("/a", iso=100.0), row("/b", iso=200.0, labels=[])])
        store.append([row("/a", iso=300.0), row("/c", gone=True)])
    names = ["iso", "path", "labels", "tone_18000_sigma", "tone_18000_pixels"]
    lean = Store(tmp_path).load(
        names, single=["labels", *names[3:]], paths=["/b", "/a", "/c", "/d"]
    )
    full = Store(tmp_path).load(names)
    assert list(lean.columns) == names
    assert lean["path"].tolist() == full["path"].tolist() == ["/a", "/b"]
    assert lean["iso"].tolist() == [300.0, 200.0]
    assert lean["tone_18000_pixels"].dtype == np.float32
    assert lean["tone_18000_sigma"].tolist() == pytest.approx([0.004, 0.004], rel=1e-6)
    assert list(lean["labels"][0]) == ["a", "b"]
    assert lean["labels"][1] is None or pd.isna(lean["labels"][1])
    assert Store(tmp_path).load(["path"], paths=[])["path"].tolist() == []


def test_a_part_that_fails_while_it_is_read_is_left_out_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Columns are read a few at a time: a part must not give some of them."""
    with Store(tmp_path) as store:
        store.append([row("/a"), row("/c")])
        store.append([row("/b")])
    victim = parts(tmp_path)[0]
    read = reading.read_part

    def failing(part: Part, columns: Sequence[str], schema: pa.Schema, rows: None) -> pa.Table:
        if part.path == victim and "tone_18000_sigma" in columns:
            raise DamagedPart(part, ValueError("gone bad"))
        return read(part, columns, schema)

    monkeypatch.setattr(reading, "read_part", failing)
    store = Store(tmp_path)
    assert store.load()["path"].tolist() == ["/b"]
    (told,) = store.warnings
    assert "(gone bad)" in told


def test_folders_that_could_not_be_read_are_known_until_their_archive_is_walked_again(
    tmp_path: Path,
) -> None:
    with Store(tmp_path) as store:
        store.remember_unread([("/a/x", "why"), ("/b/y", "why")], ["/a", "/b"])
        store.remember_unread([("/a/z", "why")])  # a walk that was cut short forgets nothing
        assert [p for p, _ in store.unread()] == ["/a/x", "/a/z", "/b/y"]
        store.remember_unread([("/a/z", "other")], ["/a/"])
    assert Store(tmp_path).unread() == [("/a/z", "other"), ("/b/y", "why")]
    assert Store(tmp_path).verify() == []
    (tmp_path / "unread.json").write_text("[{")
    assert Store(tmp_path).unread() == []


def test_what_is_known_is_read_without_the_tables_library(tmp_path: Path) -> None:
    """It takes longer to load than a second look at a whole archive."""
    with Store(tmp_path) as store:
        store.append([row("/a"), row("/b") | {"sidecar_stamp": 3, "trouble": "unread"}])
        store.append([row("/a")])
    code = (
        "import sys; from auditor.store import Store; store = Store(sys.argv[1]);"
        "known = store.known(); paths = store.paths(known, [1]) + store.paths(known, []);"
        "print(len(known), int(known.retry.sum()), len(paths), 'pandas' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == ["2", "1", "1", "False"]
