"""From a store to the files that a person reads: what is asked for is looked at, and said."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from click.testing import Result
from command import call

import auditor
from auditor.audit import InferOptions, _elsewhere_notice
from auditor.open_files import atomic_write
from auditor.store import Store, why

Row = dict[str, Any]


def row(path: str, lens: str | None, **more: Any) -> Row:
    own = {"status": "measured", "file_id": path, "body": "Alder One", "lens": lens}
    light = {"f_number": 8.0, "iso": 100.0, "exposure_time_s": 0.01, "source": "camera"}
    return {"path": path, "taken": "2024-05-01T06:00:00"} | own | light | more


def stored(folder: Path) -> Path:
    """An output folder with a store of six files of two lenses, and nothing else."""
    rows = [row(f"/pictures/a/{i}.jpg", "Tarn 35mm") for i in range(3)]
    rows += [row(f"/pictures/b/{i}.jpg", "Tarn 85mm", rating=4) for i in range(2)]
    broken = {"path": "/pictures/b/x.jpg", "status": "set-aside", "reason": "the file is empty"}
    with Store(folder / "out" / "store") as store:
        store.append([*rows, broken])
    return folder / "out"


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return stored(tmp_path)


@pytest.fixture(scope="module")
def once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An output folder with the profile of one lens; tests take a copy (`profiled`)."""
    folder = stored(tmp_path_factory.mktemp("once"))
    assert profile(folder, "--lens", "85").exit_code == 0
    return folder


@pytest.fixture
def profiled(once: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(once, tmp_path / "out"))


def profile(out: Path, *words: str | Path) -> Result:
    return call("profile", "--out", out, *words)


def made(out: Path) -> Any:
    return json.loads((out / "profile.json").read_text())


def files(out: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in out.rglob("*") if p.is_file()}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--lens", "absent"], "no frame matches --lens absent; the most used lens names are: "),
        (["--since", "2031"], "no frame matches --since 2031\n"),
        (["--rating", "5"], "no frame matches --rating 5\n"),
        (["--lens", "35", "--rating", "4"], "no frame matches --rating 4 --lens 35 together\n"),
    ],
)
def test_a_restriction_that_nothing_meets_is_a_wrong_call_and_overwrites_nothing(
    profiled: Path, words: list[str], said: str
) -> None:
    before = files(profiled)
    done = profile(profiled, *words)
    assert done.exit_code == 2
    assert done.output.startswith(f"auditor: {said}")
    assert len(done.output.splitlines()) == 1
    assert files(profiled) == before


def test_a_restriction_is_named_on_page_card_and_terminal_and_in_the_profile(out: Path) -> None:
    done = profile(out, "--lens", "tarn 85", "--rating", "3")
    assert done.exit_code == 0
    told = '3 stars or more, lens "tarn 85"'
    assert made(out)["filter"] == {"rating": 3, "lens": "tarn 85", "frames": 2, "words": told}
    assert made(out)["frames"] == {"found": 6, "measured": 5, "set_aside": 1, "copies": 0}
    assert done.stdout.startswith(f"2 of the 5 frames measured are looked at here ({told})")
    page, card = ((out / n).read_text() for n in ("report.html", "card.html"))
    assert "2 of the 5 frames measured are looked at here" in page
    assert "/pictures/b/x.jpg" in page  # set aside, whatever its lens was
    assert "Only frames with: <bdi>3 stars or more, lens" in card


def test_a_disk_that_fills_up_while_the_report_is_written_leaves_what_was_there(
    once: Path, small_disk: Callable[[str], Path]
) -> None:
    target = small_disk("8m")
    out = Path(shutil.copytree(once, target / "out"))
    before = files(out)
    written = [p for p in out.rglob("*") if p.is_file() and "store" not in p.parts]
    needed = sum(-(-p.stat().st_size // 4096) * 4096 for p in written)
    free = shutil.disk_usage(target).free
    why = "the disk is full: free some space, then run again"
    line = f"auditor: the report can't be written to {out} ({why}); what was there is kept"
    for share in (0.05, 0.9, 0.97):  # the page, the first tables, the last ones
        (target / "filler").write_bytes(b"x" * (free - int(share * needed)))
        done = profile(out)
        assert done.exit_code == 1, share
        assert done.output == line + "\n"
        (target / "filler").unlink()
        assert files(out) == before
        assert sorted(p.name for p in out.iterdir()) == [
            *("card.html", "profile.json", "report.html", "store", "tables"),
        ]
    assert profile(out).exit_code == 0


def test_the_reason_is_found_in_errors_that_have_it_in_their_text_alone() -> None:
    said = why(OSError("Error writing bytes to file. Detail: [errno 28] No space left on device"))
    assert said == "the disk is full: free some space, then run again"
    assert why(OSError("something\nodd")) == "something odd: check the disk, then run again"


def test_a_folder_left_by_a_program_that_was_killed_goes_when_it_is_old(tmp_path: Path) -> None:
    old, young = tmp_path / ".writing-a", tmp_path / ".writing-b"
    for folder in (old, young):
        folder.mkdir()
    os.utime(old, (1e9, 1e9))
    with atomic_write(tmp_path) as beside:
        (beside / "inner").mkdir()
        (beside / "inner" / "x").write_text("new")
    assert (tmp_path / "inner" / "x").read_text() == "new"
    assert sorted(p.name for p in tmp_path.iterdir()) == [".writing-b", "inner"]


def test_frames_of_other_archives_in_the_store_are_counted_and_told(
    out: Path, tmp_path: Path
) -> None:

    frames = auditor.load(out)

    def told(*archives: str) -> list[str]:
        return _elsewhere_notice(frames["path"], archives)

    start = "the profile covers all that was ever measured into this output folder: "
    assert told("/pictures") == told("/pictures/a", "/pictures/b/") == []
    assert auditor.profile(frames)["notices"] == []
    (line,) = auditor.profile(frames, archives=["/pictures/a"])["notices"]
    assert told("/pictures/a") == [line]
    assert line.startswith(f"{start}3 of its 6 frames come from other folders than the one given;")
    (line,) = told("/pictures/a", "/pictures/b/x.jpg")
    assert line.startswith(f"{start}2 of its 6 frames come from other folders than the ones given;")
    (line,) = told("/pic", "/pictures/a")
    assert "3 of its 6" in line
    (tmp_path / "empty").mkdir()
    done = call("run", tmp_path / "empty", "--out", out, "--workers", "1")
    assert done.exit_code == 2
    where = f"auditor: no picture was found in {tmp_path / 'empty'}"
    assert done.output == f"{where}; check that the folder is the right one\n"


@pytest.mark.parametrize("body", ["Nope", "Alder"])
def test_accepting_the_noise_of_a_body_that_the_archive_cannot_judge_is_a_wrong_call(
    out: Path, body: str
) -> None:
    done = profile(out, "--accept", f"{body}:800:shade")
    assert done.exit_code == 2
    assert done.output.startswith(f"auditor: no noise was measured for body '{body}'")
    assert not (out / "profile.json").exists()


def test_labels_that_label_nothing_are_told(out: Path, tmp_path: Path) -> None:
    frames = auditor.load(out)

    def told(text: str) -> list[str]:
        (tmp_path / "labels.csv").write_text(text)
        options = InferOptions(labels_csv=tmp_path / "labels.csv")
        return list(auditor.profile(frames, options)["notices"])

    assert told("pattern,label\n*/a/*,polariser\n0.jpg,tripod\n") == []
    (line,) = told("*/a/*,polariser\n*/c/*,grey filter\n9.jpg,tripod\n")
    assert line == "labels: no file matches '*/c/*' for 'grey filter', '9.jpg' for 'tripod'"
    (line,) = told("".join(f"x{i},y\n" for i in range(12)))
    assert line.endswith("'x9' for 'y' and 2 more")
    assert told("pattern,label\n") == [f"labels: {tmp_path / 'labels.csv'} holds none"]
    assert told("only a pattern\n") == ["labels: line 1 needs a pattern and a label, left out"]


def test_a_filter_by_lens_leaves_the_noise_of_bodies_as_it_is(out: Path) -> None:
    """Noise has nothing to do with the lens: all frames of a body tell of it."""
    frames = auditor.load(out)
    whole = auditor.profile(frames)
    assert whole["filter"] is None
    restricted = auditor.profile(frames, InferOptions(lens="tarn 85"))
    whole, part = ({b["body"]: b for b in p["bodies"]} for p in (whole, restricted))
    assert part
    for body, found in part.items():
        assert found["tones"] == whole[body]["tones"]
        assert found["brightness"] == whole[body]["brightness"]


def test_what_gear_toml_leaves_out_is_not_looked_at(out: Path) -> None:
    (out / "gear.toml").write_text(
        '[leave-out]\nfolders = ["b"]\n[names]\n"Tarn 85" = "The long one"\n'
    )
    done = profile(out)
    assert done.exit_code == 0, done.output
    assert "looked at here (left out: folders b)" in done.stdout
    frames = pd.read_csv(out / "tables" / "frames.csv")
    measured = frames[frames["status"] == "measured"]
    assert not measured["path"].str.contains("/b/").any()
    (out / "gear.toml").write_text('[leave-out]\nfolders = ["pictures"]\n')
    done = profile(out)
    assert done.exit_code == 2
    assert done.output.startswith("auditor: every frame is left out (folders pictures)")
    for text, said in (
        ("[mine", "can't be read"), ('[leave-out]\nkinds = ["film"]', "'film' is no kind of file"),
        ("[mine]\nbodys = []", "nothing is known of 'bodys'"), ("[mine]\nbodies = 3", "a list of names"),
    ):  # fmt: skip
        (out / "gear.toml").write_text(text)
        done = profile(out)
        assert done.exit_code == 2, text
        assert said in done.output
        assert len(done.output.splitlines()) == 1


def test_what_leaves_nothing_out_is_told(out: Path) -> None:
    words = ("--without-body", "zzz", "--without-folder", "B", "--without-lens", "trn")
    (out / "gear.toml").write_text('[mine]\nlenses = ["nope"]\n')
    told = profile(out, *words).stdout
    assert "note: no body has 'zzz' in its name, so none is left out by it; the most used" in told
    assert "note: no lens has 'trn' in its name, so none is left out by it; the most used" in told
    assert "note: no lens has 'nope' in its name, so none is made yours by it; the most" in told
    assert "note: no folder with pictures fits 'B', so none is left out by it" in told
    assert (
        "so none is" not in profile(out, "--without-folder", "b", "--without-lens", "tarn").stdout
    )


def test_a_name_of_ones_own_is_found_by_the_whole_name_in_any_letters(out: Path) -> None:
    (out / "gear.toml").write_text('[names]\n"tarn 85MM" = "The long one"\n"Tarn" = "Nothing"\n')
    frames = auditor.load(out)
    assert "The long one" in set(frames["lens"])
    told = profile(out).stdout
    assert "note: no body or lens is called 'Tarn', so 'Nothing' in gear.toml names none" in told
    assert "'tarn 85" not in told
