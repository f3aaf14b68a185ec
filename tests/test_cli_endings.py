"""How commands end when they can't go on: one line, the right code, never a traceback."""

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest
from command import call, write_ramp

from auditor.engine import decoder


@pytest.fixture
def picture(tmp_path: Path) -> Path:
    path = tmp_path / "archive" / "plain.png"
    path.parent.mkdir()
    write_ramp(path)
    return path


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no device here that is always full")
@pytest.mark.parametrize("words", [["--help"], ["measure", "--json"]])
def test_an_output_that_takes_nothing_is_told_in_one_line(picture: Path, words: list[str]) -> None:
    more = [str(picture)] if words[0] == "measure" else []
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "auditor", *words, *more],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
        )
    assert done.returncode == 1
    assert done.stderr == "auditor: the output can't be written: No space left on device\n"


def test_measuring_without_a_decoder_is_told_in_one_line(
    picture: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*args: object, **more: object) -> None:
        raise OSError(errno.EMFILE, os.strerror(errno.EMFILE))

    monkeypatch.setattr(decoder, "_STARTS", (0.0,))
    monkeypatch.setattr(decoder.subprocess, "Popen", refuse)
    done = call("measure", picture)
    assert done.exit_code == 1
    assert "does not start: [Errno 24] Too many open files" in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_a_reader_that_has_seen_enough_is_no_error(picture: Path) -> None:
    done = subprocess.run(
        f"{sys.executable} -m auditor measure --json {picture} | head -c 5",
        shell=True,
        capture_output=True,
        text=True,
    )
    assert (done.stdout, done.stderr) == ('{"pat', "")


@pytest.mark.parametrize(
    ("words", "stage", "line"),
    [
        (["profile"], "auditor.library.load_frames", "; run the same command again to go on"),
        (["run"], "auditor.output.prepare_output", "; run the same command again to go on"),
        (["measure"], "auditor.engine.batch.find_files", ""),
    ],
)
def test_stopping_is_told_alike_whatever_was_under_way(
    picture: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    words: list[str],
    stage: str,
    line: str,
) -> None:
    out = tmp_path / "out"
    (out / "store").mkdir(parents=True)

    def stopped(*args: object, **more: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(stage, stopped)
    archive = [] if words == ["profile"] else [picture.parent]
    place = [] if words == ["measure"] else ["--out", out]
    done = call(*words, *archive, *place)
    assert done.exit_code == 1
    assert done.output == f"auditor: stopped by Ctrl-C{line}\n"


@pytest.mark.parametrize(
    "words",
    [
        ["run", "ARCHIVE", "--out", ""],
        ["run", "", "--out", "OUT"],
        ["scan", "", "--out", "OUT"],
        ["measure", ""],
        ["profile", "--out", ""],
        ["verify", "--out", ""],
        ["profile", "--out", "OUT", "--lens", " "],
        ["run", "ARCHIVE", "--out", "OUT", "--cluster", ""],
    ],
)
def test_an_empty_word_never_stands_for_the_current_folder(
    picture: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str]
) -> None:
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    places = {"ARCHIVE": str(picture.parent), "OUT": str(tmp_path / "out")}
    done = call(*(places.get(w, w) for w in words))
    assert done.exit_code == 2
    assert "it is empty" in done.output
    assert not list((tmp_path / "here").iterdir())
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("option", ["--seconds-per-file", "--max-megapixels"])
@pytest.mark.parametrize("value", ["nan", "inf", "0", "-1"])
def test_limits_are_numbers_above_nothing(picture: Path, option: str, value: str) -> None:
    assert call("measure", picture, option, value).exit_code == 2


def test_verifying_what_is_not_there_is_a_wrong_call(tmp_path: Path) -> None:
    done = call("verify", "--out", tmp_path / "nothing")
    assert done.exit_code == 2
    assert done.output.startswith(f"auditor: no measurement store in {tmp_path / 'nothing'}")
    assert not (tmp_path / "nothing").exists()


def test_one_problem_is_one_problem(at_once: None, picture: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert call("scan", picture.parent, "--out", out, "--workers", "1").exit_code == 0
    assert call("verify", "--out", out).output == "the store is whole\n"
    (part,) = (out / "store" / "frames").iterdir()
    part.write_bytes(part.read_bytes()[:-1])
    done = call("verify", "--out", out)
    assert done.exit_code == 1
    assert done.output.splitlines()[-1] == "1 problem"


@pytest.mark.skipif(os.name != "posix", reason="names are bytes on POSIX systems")
def test_names_beyond_ascii_are_measured_where_the_system_knows_ascii_only(
    at_once: None, picture: Path, tmp_path: Path
) -> None:
    """The same archive under the locale C and under UTF-8: the same names, and nothing read twice."""
    names = ["café 😀.png", os.fsdecode(b"\xe9\xf0\x9f\x98\x80.png")]
    for number, name in enumerate(names):
        (picture.parent / name).write_bytes(picture.read_bytes() + bytes(number))
    picture.unlink()
    plain = {"PYTHONUTF8": "0", "LC_ALL": "C", "PYTHONCOERCECLOCALE": "0"}
    scan = ["scan", str(picture.parent), "--out", str(tmp_path / "out"), "--workers", "1"]
    measure = ["measure", str(picture.parent), "--workers", "1"]
    program = [sys.executable, "-m", "auditor"]
    log = tmp_path / "out" / "store" / "log.txt"
    for words in (scan, measure):
        done = subprocess.run([*program, *words], capture_output=True, env=os.environ | plain)
        assert done.returncode == 0, done.stderr
    told = done.stdout
    assert "set aside 0, unchanged 0, moved 0, gone 0" in log.read_text()
    assert sys.getfilesystemencoding() == "utf-8", "these tests themselves run under UTF-8"
    assert call(*scan).exit_code == 0
    assert "unchanged 2, moved 0, gone 0" in log.read_text().splitlines()[-1]
    for said in (told, call(*measure).stdout_bytes):
        assert "café 😀.png: ".encode() in said
        assert b"\\xe9\xf0\x9f\x98\x80.png: " in said


@pytest.mark.skipif(os.name != "posix", reason="names are bytes on POSIX systems")
def test_an_output_folder_that_is_no_text_is_a_wrong_call(picture: Path, tmp_path: Path) -> None:
    done = call("run", picture.parent, "--out", os.fsdecode(os.fsencode(tmp_path) + b"/\xff"))
    assert done.exit_code == 2
    assert "no text under this system's settings" in done.output
    assert [p.name for p in tmp_path.iterdir()] == ["archive"]
