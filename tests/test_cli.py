"""The command line: exit codes, one clear line for every wrong call, nothing else on stdout."""

import json
import os
from pathlib import Path

import pytest
from command import call, write_ramp

from auditor.console import _fringe_words, _zone_words
from auditor.output import archives_of, remember_archives

pytestmark = pytest.mark.usefixtures("at_once")


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    folder = tmp_path / "archive"
    folder.mkdir()
    write_ramp(folder / "plain.jpg")
    (folder / "broken.jpg").write_bytes(b"no picture at all")
    (folder / "empty.jpg").touch()
    return folder


def test_a_path_that_does_not_exist_is_a_wrong_call(tmp_path: Path) -> None:
    done = call("run", tmp_path / "absent", "--out", tmp_path / "out")
    assert done.exit_code == 2
    assert done.output.strip().endswith("check the path")
    assert len(done.output.strip().splitlines()) == 1


@pytest.mark.parametrize("by", ["", "file://", "local://"])
def test_an_output_folder_inside_the_archive_is_refused(archive: Path, by: str) -> None:
    before = sorted(p.name for p in archive.iterdir())
    done = call("run", f"{by}{archive}", "--out", archive / "profile")
    assert done.exit_code == 2
    assert "inside the archive" in done.output
    assert sorted(p.name for p in archive.iterdir()) == before


def test_an_output_folder_that_cannot_be_written_is_refused(archive: Path, tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    done = call("run", archive, "--out", tmp_path / "file" / "out")
    assert done.exit_code == 2
    assert "can't be written" in done.output


def test_an_output_folder_that_leads_in_a_circle_is_refused(archive: Path, tmp_path: Path) -> None:
    (tmp_path / "one").symlink_to(tmp_path / "two")
    (tmp_path / "two").symlink_to(tmp_path / "one")
    done = call("run", archive, "--out", tmp_path / "one")
    assert done.exit_code == 2
    assert "can't be written" in done.output


def test_what_is_remembered_of_archives_is_written_through_no_link(
    archive: Path, tmp_path: Path
) -> None:
    store = tmp_path / "out" / "store"
    store.mkdir(parents=True)
    broken = archive / "broken.jpg"
    (store / "archives.json").symlink_to(broken)
    remember_archives(tmp_path / "out", [str(archive)])
    assert broken.read_bytes() == b"no picture at all"
    assert archives_of(tmp_path / "out") == [str(archive)]


def test_an_output_folder_that_is_a_file_is_refused(archive: Path, tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    done = call("run", archive, "--out", tmp_path / "file")
    assert done.exit_code == 2
    assert "is a file; choose a folder" in done.output


@pytest.mark.parametrize(
    "option", [("--since", "someday"), ("--accept", "nonsense"), ("--pin-sharp", "3")]
)
def test_wrong_options_are_refused_before_anything_is_read(
    archive: Path, tmp_path: Path, option: tuple[str, str]
) -> None:
    done = call("run", archive, "--out", tmp_path / "out", *option)
    assert done.exit_code == 2
    assert len(done.output.strip().splitlines()) == 1
    assert not (tmp_path / "out").exists()


def test_a_profile_without_a_store_is_a_wrong_call(tmp_path: Path) -> None:
    done = call("profile", "--out", tmp_path)
    assert done.exit_code == 2
    assert "auditor run" in done.output


def test_an_archive_with_bad_files_is_audited_and_told_of_when_it_goes_away(
    archive: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    done = call("run", archive, "--out", out, "--workers", "1")
    assert done.exit_code == 0, done.output
    last = done.stdout.splitlines()[-1]
    assert last == f"Done; 2 files were set aside, listed in {out}/tables/set_aside.csv."
    assert (out / "tables" / "set_aside.csv").read_text().count("\n") == 3
    profile = json.loads((out / "profile.json").read_text())
    assert profile["frames"] == {"found": 3, "measured": 1, "set_aside": 2, "copies": 0}
    assert (out / "report.html").stat().st_size > 1000
    assert "empty.jpg: the file is empty" in done.output
    again = call("run", archive, "--out", out, "--workers", "1", "--strict")
    assert again.exit_code == 3
    assert json.loads((out / "profile.json").read_text())["frames"] == profile["frames"]
    for file in archive.iterdir():
        file.unlink()
    away = call("run", archive, "--out", out, "--workers", "1")
    assert "is the drive mounted?" in away.stdout
    assert json.loads((out / "profile.json").read_text())["frames"]["found"] == 3


def test_an_empty_folder_is_a_wrong_call(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    for command in ("run", "scan"):
        done = call(command, tmp_path / "empty", "--out", tmp_path / "out")
        assert done.exit_code == 2
        (line,) = done.output.splitlines()
        assert line.endswith("check that the folder is the right one")


def test_an_empty_archive_among_others_is_told(archive: Path, tmp_path: Path) -> None:
    (tmp_path / "disk").mkdir()
    words = ["scan", archive, tmp_path / "disk", "--out", tmp_path / "out", "--workers", 1]
    done = call(*words)
    assert done.exit_code == 0
    assert f"no picture was found in {tmp_path / 'disk'}; check" in done.output
    assert call(*words, "--strict").exit_code == 3
    measured = call("measure", tmp_path / "disk", "--strict")
    assert measured.exit_code == 3
    assert "no picture was found" in measured.output


def test_what_a_scan_notes_stands_on_the_page_too(archive: Path, tmp_path: Path) -> None:
    """Who only opens the page learns that an archive was empty, also where nothing else has changed since."""
    (tmp_path / "disk").mkdir()
    note = f"o picture was found in {tmp_path / 'disk'}; check"
    out = tmp_path / "out"
    for archives, told in (([archive], False), ([archive, tmp_path / "disk"], True)):
        done = call("run", *archives, "--out", out, "--workers", 1)
        assert done.exit_code == 0
        assert done.output.count(note) == told
        assert (note in (out / "report.html").read_text()) == told
        notices = json.loads((out / "profile.json").read_text())["notices"]
        assert any(note in n for n in notices) == told


def test_a_second_run_over_a_frame_without_its_sidecar_leaves_the_profile_alone(
    archive: Path, tmp_path: Path
) -> None:
    with open(archive / "plain.xmp", "wb") as file:
        file.truncate(17 * 2**20)
    out, note = (
        tmp_path / "out",
        "easured without a sidecar that is over 16 MB or could not be read: 1",
    )
    written = []
    for _ in range(2):
        done = call("run", archive, "--out", out, "--workers", 1)
        assert done.output.count(note) == 1
        assert note in (out / "report.html").read_text()
        written.append((out / "profile.json").stat().st_mtime_ns)
    assert written[0] == written[1]


def test_an_archive_read_under_another_name_is_not_called_empty(tmp_path: Path) -> None:
    (tmp_path / "a" / "walk").mkdir(parents=True)
    write_ramp(tmp_path / "a" / "walk" / "plain.jpg")
    (tmp_path / "link").symlink_to(tmp_path / "a")
    out = ["--out", tmp_path / "out", "--workers", 1, "--strict"]
    for roots in (["a", "link"], ["link", "a/walk"], ["a/walk", "a"], ["a", "a/walk/plain.jpg"]):
        done = call("scan", *(tmp_path / r for r in roots), *out)
        assert (done.exit_code, "no picture" in done.output) == (0, False)


def test_folders_can_be_left_out_of_a_scan(archive: Path, tmp_path: Path) -> None:
    """By the option or by gear.toml, and at any depth; what lies beside them is measured."""
    (archive / "2024" / "scans").mkdir(parents=True)
    (archive / "2024" / "scans" / "old.jpg").write_bytes((archive / "plain.jpg").read_bytes())
    (archive / "empty.jpg").unlink()
    (archive / "broken.jpg").unlink()
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / "gear.toml").write_text('[leave-out]\nfolders = ["scans"]\n')
    for out, option in (
        ("a", ("--without-folder", "sc*s")),
        ("b", ()),
        ("c", ("--without-folder", "Scans")),
    ):
        done = call("scan", archive, "--out", tmp_path / out, "--workers", "1", *option)
        assert done.exit_code == 0, done.output
        assert ("no folder with pictures fits 'Scans'" in done.stdout) == (out == "c")
        found = 2 if out == "c" else 1
        assert f"{found} of {found} files measured" in done.stdout
    assert (tmp_path / "a" / "gear.toml").read_text().startswith("# Which gear is yours.")


def test_a_folder_that_is_given_is_not_left_out_by_its_own_name(
    archive: Path, tmp_path: Path
) -> None:
    out, above = (
        tmp_path / "out",
        ("--without-folder", tmp_path.name, "--without-folder", "archive"),
    )
    for command in ("scan", "run"):
        done = call(command, archive, "--out", out, "--workers", "1", *above)
        assert done.exit_code == 0, done.output
    assert json.loads((out / "profile.json").read_text())["frames"]["found"] == 3
    done = call("scan", archive, "--out", out, "--workers", "1", "--without-folder", archive)
    assert "no picture was found" in done.output or "is the drive mounted?" in done.output


def test_measure_prints_one_object_a_line_in_the_order_given(archive: Path) -> None:
    names = ["empty.jpg", "plain.jpg", "broken.jpg"]
    files = [archive / n for n in names]
    done = call("measure", *files, "--json", "--workers", "1")
    assert done.exit_code == 0
    assert call("measure", *files, "--strict", "--workers", "1").exit_code == 3
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    assert [Path(r["path"]).name for r in rows] == names
    assert [r["status"] for r in rows] == ["set-aside", "measured", "set-aside"]
    assert rows[1]["settings"]["width_px"] == 240
    assert rows[1]["photon_transfer"] is None


def test_measure_in_words_says_what_each_figure_is() -> None:
    """A standard error is no 90% interval."""
    zone = {"mtf50_cpp": 0.25, "stderr_cpp": 0.01, "edges": 31}
    used = {"width_px": 6000, "height_px": 4000, "pixel_pitch_um": 4.0}
    assert _zone_words(zone, used) == (
        "MTF50 0.250 cycles per pixel (standard error 0.010), 2000 line widths per picture height, "
        "62 line pairs per mm, from 31 edges"
    )
    assert _fringe_words(
        {"lateral_red_px": -0.41, "lateral_blue_px": None, "fringe_width_px": 1.5}
    ) == ("red 0.4 px off green, coloured seams 1.5 px wide")
    assert _fringe_words({"fringe_width_px": 0.0}) == "no coloured seams"
    assert _fringe_words(None) == ""


def test_measure_in_words_keeps_to_a_line_whatever_the_name(archive: Path) -> None:
    (archive / "empty.jpg").rename(archive / "two\nlines.jpg")
    done = call("measure", archive / "two\nlines.jpg", "--workers", "1")
    assert done.stdout.splitlines() == [
        f"{archive}/two\\x0alines.jpg: set aside: the file is empty"
    ]


def test_a_folder_that_cannot_be_read_is_told_though_nobody_knows_what_is_in_it(
    archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (archive / "broken.jpg").unlink()
    (archive / "empty.jpg").unlink()
    (archive / "closed").mkdir()
    real = os.scandir

    def refusing(path: str) -> object:
        if str(path).endswith("closed"):
            raise PermissionError(13, "Permission denied", path)
        return real(path)

    monkeypatch.setattr(os, "scandir", refusing)
    for command in ("run", "scan"):
        done = call(command, archive, "--out", tmp_path / "out", "--workers", "1")
        assert done.exit_code == 0, done.output
        assert "1 folder could not be read" in done.stdout.splitlines()[-1]
        told = f"not read: {archive}/closed: the folder can't be read: permission denied"
        assert told in done.stdout.splitlines()
    nothing = call("run", archive / "closed", "--out", tmp_path / "other", "--workers", "1")
    assert nothing.exit_code == 2
    # A slow machine also tells how far it is.
    (line,) = (x for x in nothing.output.splitlines() if not x.startswith("measured 0 of "))
    assert line.startswith(f"auditor: no picture was found in {archive / 'closed'}; not read: ")


def test_a_folder_that_cannot_be_read_stands_in_profile_and_page_until_it_is_read(
    archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out, closed = tmp_path / "out", archive / "closed"
    closed.mkdir()
    (archive / "plain.jpg").rename(closed / "plain.jpg")
    real = os.scandir

    def refusing(path: str) -> object:
        if str(path).endswith("closed"):
            raise PermissionError(13, "Permission denied", path)
        return real(path)

    with monkeypatch.context() as patched:
        patched.setattr(os, "scandir", refusing)
        done = call("run", archive, "--out", out, "--workers", "1", "--strict")
        assert done.exit_code == 3
    for again in (False, True):  # a profile from the store alone knows it still
        if again:
            done = call("profile", "--out", out)
            assert done.exit_code == 0
        assert f"note: {closed} could not be read" in done.stdout
        profile = json.loads((out / "profile.json").read_text())
        assert profile["frames"] == {"found": 2, "measured": 0, "set_aside": 2, "copies": 0}
        reason = "the folder can't be read: permission denied"
        assert profile["unread_folders"] == [{"path": str(closed), "reason": reason}]
        assert any(n.startswith(f"{closed} could not be read") for n in profile["notices"])
        page = (out / "report.html").read_text()
        assert "1 folder could not be read and may hold more" in page
        assert "are tried again by the next run itself" in page
        assert "<code>auditor run … --retry</code> tries them all again" in page
        assert f'<bdi title="{closed}">{closed}</bdi>' in page
    for file in (archive / "broken.jpg", archive / "empty.jpg"):
        file.unlink()
    assert call("run", archive, "--out", out, "--workers", "1").exit_code == 0
    profile = json.loads((out / "profile.json").read_text())
    assert profile["unread_folders"] == []
    assert profile["frames"]["measured"] == 1
    assert "could not be read" not in (out / "report.html").read_text()


def test_labels_that_are_not_text_are_refused_before_anything_is_read(
    archive: Path, tmp_path: Path
) -> None:
    (tmp_path / "labels.csv").write_bytes(b"caf\xe9*,polariser\n")
    done = call("run", archive, "--out", tmp_path / "out", "--labels", tmp_path / "labels.csv")
    assert done.exit_code == 2
    assert "UTF-8" in done.output
    assert len(done.output.strip().splitlines()) == 1
    (tmp_path / "labels.csv").write_text("*,polariser\nno label here\n")
    done = call(
        "run",
        archive,
        "--out",
        tmp_path / "out",
        "--labels",
        tmp_path / "labels.csv",
        "--workers",
        "1",
    )
    assert "note: labels: line 2 needs a pattern and a label, left out" in done.stdout
