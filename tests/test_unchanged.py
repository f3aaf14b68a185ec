"""An unchanged store is not inferred again; whatever changes the answer makes a new one."""

import json
import os
import subprocess
import sys

import pytest

from auditor import output
from auditor.output import unless_unchanged


@pytest.fixture
def out(tmp_path):
    (tmp_path / "store" / "frames").mkdir(parents=True)
    (tmp_path / "store" / "frames" / "part-00000000.00000000.parquet").write_bytes(b"rows")
    (tmp_path / "store" / "version.json").write_text("1")
    (tmp_path / "labels.txt").write_text("labels")
    return tmp_path


def _times_made(out, *asked_each, faults=()):
    made = []

    def make():
        made.append(1)
        profile = {"faults": list(faults), "made": len(made)}
        (out / "profile.json").write_text(json.dumps(profile))
        (out / "report.html").write_text("page")
        return profile

    for asked in asked_each:
        assert (
            unless_unchanged(out, asked, [out / "labels.txt"], make)["made"] == len(made)
            or not made
        )
    return len(made)


def test_what_is_known_is_told_without_loading_what_infers_it():
    script = (
        "import sys, auditor.report.summary, auditor.library, auditor.gear.gear_file;"
        "print([m for m in sys.modules if m in ('scipy', 'pandas') or m.startswith('auditor.infer')])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.stdout.strip() == "[]", done.stderr


def test_the_second_of_two_like_requests_makes_nothing(out):
    assert _times_made(out, ["a"], ["a"]) == 1
    assert _times_made(out, ["a"]) == 0


def test_what_python_and_templates_compile_to_changes_nothing(out, tmp_path, monkeypatch):
    """A first run compiles the program and its pages; the second has no other program."""
    program = tmp_path / "program"
    compiled = program / "templates" / "__pycache__"
    compiled.mkdir(parents=True)
    (program / "unchanged.py").write_text("program")
    monkeypatch.setattr(output, "__file__", str(program / "unchanged.py"))
    assert _times_made(out, ["a"]) == 1
    (compiled / "page.cache").write_text("compiled")
    assert _times_made(out, ["a"]) == 0
    (program / "unchanged.py").write_text("another program")
    assert _times_made(out, ["a"]) == 1


def test_another_request_makes_a_new_profile(out):
    assert _times_made(out, ["a"], ["b"], ["a"]) == 3


@pytest.mark.parametrize(
    "name",
    [
        "store/frames/part-00000001.00000000.parquet",
        "store/version.json",
        "labels.txt",
        "report.html",
    ],
)
def test_whatever_was_changed_makes_a_new_profile(out, name):
    assert _times_made(out, ["a"]) == 1
    (out / name).write_text("something else")
    assert _times_made(out, ["a"]) == 1


def test_a_part_that_was_overwritten_under_its_name_makes_a_new_profile(out):
    assert _times_made(out, ["a"]) == 1
    part = out / "store" / "frames" / "part-00000000.00000000.parquet"
    part.write_bytes(b"swor")
    os.utime(part, ns=(1, 1))
    assert _times_made(out, ["a"]) == 1


def test_a_lost_page_is_written_again(out):
    assert _times_made(out, ["a"]) == 1
    (out / "report.html").unlink()
    assert _times_made(out, ["a"]) == 1


def test_a_profile_with_faults_is_not_kept(out):
    assert _times_made(out, ["a"], ["a"], faults=["broke"]) == 2


def test_a_damaged_note_is_no_hindrance(out):
    assert _times_made(out, ["a"]) == 1
    (out / "store" / "profiled.json").write_text("{")
    assert _times_made(out, ["a"], ["a"]) == 1
