"""Commands for single frames: the list and its filters, answers, sidecars."""

from __future__ import annotations

import csv
import json
import os
import subprocess
from pathlib import Path
from typing import Any
from urllib.parse import unquote_to_bytes

import pandas as pd
import pyexiv2
import pytest
from command import call
from simulated_frames import ArchiveSpec, LensSpec, simulate_frames

import auditor
from auditor.crawl.names import printable
from auditor.output import remember_archives
from auditor.record import COLUMNS
from auditor.report.rendering import link
from auditor.store import Store


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An output folder of an archive that is not there: 140 frames, a third out of focus."""
    out = tmp_path_factory.mktemp("made") / "out"
    frames, _ = simulate_frames(ArchiveSpec(lenses=[LensSpec(frames=20)], outings=12), 4)
    names = [c.name for c in COLUMNS if c.name in frames]
    frames["path"] = [f"/pictures/{2020 + i % 3}/it's {i:03d}.jpg" for i in range(len(frames))]
    table = frames[names].astype(object)
    rows = table.where(table.notna(), None).to_dict("records")
    with Store(out / "store") as store:
        store.append([{k: v for k, v in row.items() if v is not None} for row in rows])
    remember_archives(out, ["/pictures"])
    assert call("profile", "--out", out).exit_code == 0
    return out


@pytest.fixture
def out(made: Path, tmp_path: Path) -> Path:
    subprocess.run(["cp", "-r", str(made), str(tmp_path / "out")], check=True)
    return tmp_path / "out"


def profile(out: Path) -> dict[str, Any]:
    read: dict[str, Any] = json.loads((out / "profile.json").read_text())
    return read


def test_the_list_is_filtered_and_piped(made: Path) -> None:
    done = call("list", "--out", made)
    head, *lines = done.stdout.splitlines()
    assert head.startswith("path\tfault\tcause\tprobability\t")
    listed = profile(made)["keepers"]
    assert len(lines) == len(listed) > 20
    assert call("list", "--out", made, "--no-header").stdout.splitlines() == lines
    paths = call("list", "--out", made, "-0").stdout_bytes
    assert paths == b"".join(k["path"].encode() + b"\0" for k in listed)
    cause = listed[0]["cause"]
    some = call("list", "--out", made, "--no-header", "--cause", cause, "--folder", "2021")
    assert 0 < len(some.stdout.splitlines()) < len(lines)
    assert all("/2021/" in x and f"\t{cause}\t" in x for x in some.stdout.splitlines())
    sure = call("list", "--out", made, "--no-header", "--at-least", "0.999").stdout.splitlines()
    assert len(sure) == sum(k["probability"] >= 0.999 for k in listed)
    assert call("list", "--out", made, "--no-header", "--lens", "nothing").stdout == ""
    for unsure in ("2", "nan"):
        assert call("list", "--out", made, "--at-least", unsure).exit_code == 2
    wrong = call(
        "list", "--out", made, "--cause", "shaken"
    )  # an empty list would say there is none
    assert wrong.exit_code == 2
    assert "no cause is called 'shaken'; there are: shake, " in wrong.stderr
    for option, said in (("--lens", "no lens has 'zzz'"), ("--folder", "a folder 'zzz'")):
        wrong = call("list", "--out", made, option, "zzz")
        assert (wrong.exit_code, wrong.stdout) == (2, "")
        assert said in wrong.stderr
    nothing = call("list", "--out", made, "--folder", "2021", "--cause", "noise at a low ISO")
    assert (nothing.exit_code, len(nothing.stdout.splitlines())) == (0, 1)


def test_answers_are_kept_respected_and_used_to_judge_the_judging(out: Path) -> None:
    listed = [k["path"] for k in profile(out)["keepers"]]
    before = profile(out)["verdicts"]
    done = call("answer", "--out", out, "--as", "bad", *listed[:3])
    assert done.exit_code == 0, done.output
    assert done.stdout.startswith("3 answers kept; ")
    saved = out / "answers.csv"
    saved.write_text(f'path,answer\n"{listed[3]}",fine\n"{listed[4]}",meant\n"{listed[0]}",none\n')
    assert call("answer", "--out", out, "--from", saved).exit_code == 0
    assert call("profile", "--out", out).exit_code == 0
    after = profile(out)
    assert not {listed[3], listed[4]} & {k["path"] for k in after["keepers"]}
    assert after["verdicts"]["soft"] == before["soft"] - 2
    told = after["answers"]
    assert (told["listed"], told["bad"], told["fine"], told["meant"]) == (4, 2, 1, 1)
    assert told["right_share"] == 0.5
    # Exact binomial limits of 2 in 4 at 90%: printed tables give 0.098 and 0.902.
    assert told["low"] == pytest.approx(0.098, abs=0.001)
    assert told["high"] == pytest.approx(0.902, abs=0.001)
    sure = {k["path"]: k for k in after["keepers"]}[listed[1]]
    assert (sure["answer"], sure["probability"]) == ("bad", 1.0)
    page = (out / "report.html").read_text()
    assert (
        "Of 4 listed frames that you answered, 2 were indeed bad, 1 was meant so and 1 was fine"
        in page
    )
    frames = pd.read_csv(out / "tables" / "frames.csv").set_index("path")
    assert frames.loc[listed[3], "verdict"] == "in order"
    assert frames.loc[listed[3], "answer"] == "fine"
    assert frames.loc[listed[1], "verdict"] == "soft"
    # Drawn frames have no small pictures; nothing else is amiss.
    lost, _, end = call("verify", "--out", out).stdout.partition("\n")
    assert lost == "small pictures of 140 frames are lost; the next run measures them again"
    assert end == "1 problem\n"


def test_answers_that_make_no_sense_are_told_in_one_line(out: Path) -> None:
    listed = [k["path"] for k in profile(out)["keepers"]]
    bad = out / "bad.csv"
    for words, said in (
        ((), "give FILES and --as"),
        ((listed[0],), "give FILES and --as"),
        (("--as", "fine"), "give FILES and --as"),
        (("--as", "fine", "/pictures/strange.jpg"), "was never measured into"),
    ):
        done = call("answer", "--out", out, *words)
        assert done.exit_code == 2
        assert said in done.output
    for text, said in (
        ("a,b\n1,2\n", "the columns path and answer"),
        ("path,answer\nx,ok\n", "no answer"),
    ):
        bad.write_text(text)
        done = call("answer", "--out", out, "--from", bad)
        assert done.exit_code == 2
        assert said in done.output
        assert len(done.output.splitlines()) == 1


@pytest.mark.parametrize("kept", [b"path\n/x\n", b"\xff\xfe"])
def test_damaged_answers_are_told_in_one_line_and_left_as_they_are(out: Path, kept: bytes) -> None:
    listed = [k["path"] for k in profile(out)["keepers"]]
    answers = out / "store" / "answers.csv"
    answers.write_bytes(kept)
    for words in (("profile",), ("answer", listed[0], "--as", "fine")):
        done = call(*words, "--out", out)
        assert done.exit_code == 1
        assert len(done.output.splitlines()) == 1
        assert str(answers) in done.output
    assert answers.read_bytes() == kept


def test_sidecars_are_xmp_that_a_metadata_library_reads(out: Path, tmp_path: Path) -> None:
    """Read back with exiv2, which knows XMP of its own."""
    listed = profile(out)["keepers"]
    into = tmp_path / "sidecars"
    done = call("sidecars", "--out", out, "--into", into, "--rating", "-1")
    assert done.exit_code == 0, done.output
    assert done.stdout == f"{len(listed)} sidecars written into {into}\n"
    path = Path(listed[0]["path"])
    image = pyexiv2.Image(str(into / path.parent.name / f"{path.name}.xmp"))
    try:
        tags = image.read_xmp()
    finally:
        image.close()
    assert tags["Xmp.dc.subject"] == ["soft", listed[0]["cause"]]
    assert tags["Xmp.xmp.Rating"] == "-1"
    other = into / path.parent.name / f"{path.name}.xmp"
    other.write_text("another program's")
    done = call("sidecars", "--out", out, "--into", into)
    assert done.stdout.splitlines()[1] == "1 left alone: not written by this program"
    assert other.read_text() == "another program's"


ODD_NAMES = (
    b"new\nline.jpg",
    b"tab\there.jpg",
    b"latin \xe9t\xe9.jpg",
    b"red\x1b[31m\x07.jpg",
    "c1\x9b31m.jpg".encode(),
    "turned \u202egpj.jpg".encode(),
    "line\u2028end.jpg".encode(),
    b"says \\x0a.jpg",
    b"back\\slash.jpg",
    b" two  blanks .jpg",
)


def test_odd_names_have_a_line_each_and_are_found_again(out: Path, tmp_path: Path) -> None:
    """Line ends, control characters of terminals (ECMA-48), marks that turn what follows, bytes that are no UTF-8."""
    made_of = profile(out)
    one = made_of["keepers"][0]
    paths = [printable(os.fsdecode(b"/pictures/odd/" + name)) for name in ODD_NAMES]
    made_of["keepers"] = [one | {"path": path} for path in paths]
    (out / "profile.json").write_text(json.dumps(made_of))
    text = call("list", "--out", out, "--no-header").stdout
    assert [line.split("\t")[0] for line in text.splitlines()] == paths
    assert all(line.replace("\t", "").isprintable() for line in text.split("\n"))
    piped = call("list", "--out", out, "-0").stdout_bytes
    assert piped.split(b"\0")[:-1] == [b"/pictures/odd/" + name for name in ODD_NAMES]
    on_page = [unquote_to_bytes(link(path)) for path in paths]
    assert on_page == [b"file:///pictures/odd/" + name for name in ODD_NAMES]
    into = tmp_path / "sidecars"
    assert call("sidecars", "--out", out, "--into", into).exit_code == 0
    assert set(os.listdir(os.fsencode(into))) == {name + b".xmp" for name in ODD_NAMES}


def test_an_answer_takes_an_odd_name_as_it_is_on_disk_and_as_it_is_listed(tmp_path: Path) -> None:
    named = [os.fsdecode(b"/pictures/odd/" + name) for name in ODD_NAMES]
    listed = [printable(name) for name in named]
    with Store(tmp_path / "store") as store:
        store.append([{"path": path, "file_id": f"{i:032x}"} for i, path in enumerate(named)])
    for files in (named, listed):
        done = call("answer", "--out", tmp_path, "--as", "fine", *files)
        assert done.exit_code == 0, done.output
        with (tmp_path / "store" / "answers.csv").open() as file:
            assert [row["path"] for row in csv.DictReader(file)] == listed


@pytest.mark.parametrize("into", ["/pictures", "/pictures/2020/sidecars"])
def test_no_sidecar_is_written_into_an_archive(out: Path, into: str) -> None:
    done = call("sidecars", "--out", out, "--into", into)
    assert done.exit_code == 2
    assert "lies inside the archive /pictures" in done.output
    assert len(done.output.splitlines()) == 1
    assert not Path(into).exists()


def test_the_table_of_frames_has_a_row_per_frame_and_no_inner_workings(made: Path) -> None:
    with (made / "tables" / "frames.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 140
    assert len(rows[0]) <= 32
    parquet = pd.read_parquet(made / "tables" / "frames.parquet")
    assert list(parquet.columns) == list(rows[0])
    assert {r["verdict"] for r in rows} <= {
        "in order",
        "soft",
        "noisy",
        "soft and noisy",
        "not judged",
    }
    listed = {k["path"]: k for k in profile(made)["keepers"]}
    for row in rows:
        assert (row["path"] in listed) == (row["verdict"] in ("soft", "noisy", "soft and noisy"))
        if row["path"] in listed:
            assert row["cause"] == listed[row["path"]]["cause"]
            assert float(row["probability"]) == pytest.approx(
                listed[row["path"]]["probability"], abs=1e-3
            )
    keepers = pd.read_csv(made / "tables" / "keepers.csv")
    assert {"f_number", "iso", "lens", "exposure_time_s"} <= set(keepers.columns)
    assert "settings" not in keepers.columns


def test_a_home_folder_is_understood_where_the_shell_left_its_sign(
    out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HOME", str(out.parent))
    for words in (
        ["list"],
        ["verify"],
        ["answer", "--from=~/a.csv"],
        ["profile", "--labels=~/l.csv"],
    ):
        (out.parent / "a.csv").write_text("path,answer\n")
        (out.parent / "l.csv").write_text("pattern,label\n")
        done = call(*words, "--out=~/out")
        assert "Report: " in done.stdout or words[0] != "profile"
        assert "no measurement store" not in done.output
        assert done.exit_code == (words[0] == "verify")  # drawn frames have no small pictures
    assert len(auditor.load("~/out")) == 140
    (out.parent / "pictures").mkdir()
    assert auditor.scan("~/pictures", "~/new").found == 0
    refused = call("list", "--out=~nobody-of-this-name/out")
    assert refused.exit_code == 2
    assert "write it in full" in refused.output
