"""The library: what `import auditor` offers gives what the command gives, and its examples run."""

from __future__ import annotations

import doctest
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pandas as pd
import pytest
from command import call

import auditor
from auditor import library
from auditor.artificial.archive import ArchiveRecipe, BodyRecipe, FocalCurve, LensRecipe, Series
from auditor.artificial.camera import Sensor
from auditor.artificial.render import draw_archive
from auditor.audit import InferOptions
from auditor.output import OutputError
from auditor.record import COLUMNS
from auditor.report.tables import frame_table
from auditor.report.write import profile_schema

ROOT = Path(__file__).parents[1]
STRANGE = {"float": 0.37, "int": 7, "bool": True, "str": "words", "list": None}
"""What stands in columns that nobody should read, by their kind."""


pytestmark = pytest.mark.usefixtures("at_once")


def tiny_recipe() -> ArchiveRecipe:
    """One body, one lens, two outings; two exports, and one file that is cut off."""
    body = BodyRecipe("Alder One", "Alder", "A1-0417", 4.0, Sensor(30_000, 3.0))
    curve = FocalCurve(35, 2.0, (1.4, 4, 1.4), (1.8, 7, 1.3))
    lens = LensRecipe("Tarn 35mm f/2", "T35-12", (curve,))
    series = tuple(
        Series(outing, body.name, lens.name, 35, place, apertures)
        for outing, place, apertures in (
            ("2024-05-01 Here", "hamlet", (2.0, 4.0, 8.0)),
            ("2024-05-08 There", "crag", (2.0, 4.0, 8.0, 11.0)),
        )
    )
    return ArchiveRecipe(
        "Nobody", 480, 320, (body,), (lens,), series, seed=3, truncated=1, exports=2
    )


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the archive `pictures`, scanned into `gear-profile` by the library."""
    folder = tmp_path_factory.mktemp("library")
    draw_archive(tiny_recipe(), folder / "pictures", workers=1)
    auditor.scan(folder / "pictures", folder / "gear-profile", workers=1)
    return folder


@pytest.fixture(scope="module")
def frames(place: Path) -> pd.DataFrame:
    return auditor.load(place / "gear-profile")


@pytest.fixture(scope="module")
def whole(frames: pd.DataFrame) -> library.Profile:
    """The profile of all frames."""
    return auditor.profile(frames)


@pytest.fixture
def here(place: Path) -> Iterator[Path]:
    before = os.getcwd()
    os.chdir(place)
    yield place
    os.chdir(before)


def made(out: Path) -> Any:
    return json.loads((out / "profile.json").read_text(encoding="utf-8"))


def test_the_library_shows_its_five_functions_and_loads_no_table_library_for_that() -> None:
    script = (
        "import sys, auditor; print(dir(auditor));"
        "print(sorted({'pandas', 'numpy', 'scipy', 'dask', 'click', 'cv2'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.stdout.splitlines() == [
        "['load', 'measure', 'profile', 'report', 'scan']",
        "[]",
    ], done.stderr
    for room in ("auditor.measure.frame", "auditor.report.write"):
        import_module(room)
    assert callable(auditor.measure)
    assert callable(auditor.report)
    assert auditor.scan.__module__ == "auditor.library"
    with pytest.raises(AttributeError, match="no attribute 'develop'"):
        auditor.develop  # noqa: B018


def test_the_library_makes_the_profile_that_the_command_makes(
    place: Path, whole: library.Profile, tmp_path: Path
) -> None:
    shutil.copytree(place / "gear-profile" / "store", tmp_path / "a" / "store")  # measured before
    done = call("run", place / "pictures", "--out", tmp_path / "a", "--workers", "1")
    assert done.exit_code == 0, done.output
    page = auditor.report(whole, tmp_path / "b")
    assert page == tmp_path / "b" / "report.html"
    assert made(tmp_path / "a") == made(tmp_path / "b")
    assert made(tmp_path / "a")["lenses"]
    jsonschema.validate(made(tmp_path / "a"), profile_schema())
    for name in ("frames", "keepers", "lens_sharpness"):
        one, other = (
            (tmp_path / d / "tables" / f"{name}.csv").read_text(encoding="utf-8") for d in "ab"
        )
        assert one == other
    assert (tmp_path / "b" / "report.html").read_text() == (
        tmp_path / "a" / "report.html"
    ).read_text()


@pytest.mark.parametrize("name", ["load", "measure", "profile", "report", "scan"])
def test_the_example_of_a_docstring_runs(here: Path, name: str) -> None:
    (found,) = doctest.DocTestFinder(recurse=False).find(
        getattr(library, name), name, globs={"auditor": auditor}
    )
    assert found.examples, f"{name} has no example"
    assert doctest.DocTestRunner().run(found).failed == 0


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md"])
def test_the_examples_of_a_page_run(here: Path, page: str) -> None:
    text = (ROOT / page).read_text(encoding="utf-8")
    blocks = [b.partition("```")[0] for b in text.split("```python\n")[1:]]
    assert blocks
    for block in blocks:
        found = doctest.DocTestParser().get_doctest(block, {}, page, None, 0)
        assert found.examples
        assert doctest.DocTestRunner().run(found).failed == 0


def test_loaded_frames_are_related_and_reconciled(place: Path, frames: pd.DataFrame) -> None:
    assert len(frames) == 9
    measured = frames[frames["status"] != "set-aside"]
    assert measured["outing"].nunique() == 2
    assert measured["capture"].nunique() == 6  # an export is one exposure with its original
    assert measured["best"].sum() == 6
    assert "centre_edges" not in frames
    assert "centre_edges" in auditor.load(place / "gear-profile", every_column=True)


def test_no_column_that_inference_reads_is_left_on_disk(
    place: Path, whole: library.Profile
) -> None:
    """The others are filled here: of most of them so small an archive holds nothing."""
    filled = auditor.load(place / "gear-profile", every_column=True)
    for column in COLUMNS:
        if not column.loaded:
            filled[column.name] = STRANGE[column.kind]
    every = auditor.profile(filled)
    assert json.dumps(whole) == json.dumps(every)
    for name in ("probability", "measured_cpp", "expected_cpp"):
        pd.testing.assert_series_equal(whole.frames[name], every.frames[name])
    pd.testing.assert_frame_equal(
        frame_table(whole.frames), frame_table(every.frames), check_dtype=False
    )


def test_measured_files_have_the_order_given_and_lose_none(
    place: Path, frames: pd.DataFrame
) -> None:
    named = sorted((place / "pictures").rglob("*.jpg"), reverse=True)[:3]
    named.insert(1, place / "absent.jpg")
    measured = auditor.measure(named, workers=1)
    assert [Path(p).name for p in measured["path"]] == [p.name for p in named]
    assert measured["status"][1] == "set-aside"
    assert measured["reason"][1]
    stored = frames.set_index("path")["centre_mtf50_cpp"]
    for path, value in zip(measured["path"], measured["centre_mtf50_cpp"], strict=True):
        if path in stored.index and not np.isnan(stored[path]):
            assert value == pytest.approx(stored[path], rel=1e-6)


def test_a_profile_of_measured_files_knows_their_outings(
    place: Path, whole: library.Profile
) -> None:
    """Frames that nobody related are not taken for as many outings."""
    measured = auditor.measure(place / "pictures", workers=1)
    alone = auditor.profile(measured)
    assert alone.frames["outing"].nunique() == whole.frames["outing"].nunique()
    assert alone["frames"]["measured"] == whole["frames"]["measured"]
    assert [e["lens"] for e in alone["lenses"]] == [e["lens"] for e in whole["lenses"]]
    assert measured.attrs == {}


def test_a_part_of_the_frames_and_a_restriction_are_both_looked_at(
    place: Path, frames: pd.DataFrame
) -> None:
    part = auditor.profile(frames[frames["f_number"] > 2])
    assert part["frames"]["found"] == (frames["f_number"] > 2).sum()
    assert part.out == place / "gear-profile"
    since = auditor.profile(frames, InferOptions(since="2024-05-05"))
    assert since["filter"]["frames"] < since["frames"]["measured"]
    with pytest.raises(ValueError, match="no frame matches --since 2031"):
        auditor.profile(frames, InferOptions(since="2031"))


def test_a_plain_profile_is_reported_without_its_frames(
    whole: library.Profile, tmp_path: Path
) -> None:
    auditor.report(json.loads(json.dumps(dict(whole), default=float)), tmp_path / "plain")
    assert not (tmp_path / "plain" / "tables" / "frames.csv").exists()
    assert "Tarn 35mm" in (tmp_path / "plain" / "report.html").read_text(encoding="utf-8")


def test_nothing_is_written_into_the_archive(place: Path, whole: library.Profile) -> None:
    before = sorted(p.relative_to(place) for p in (place / "pictures").rglob("*"))
    with pytest.raises(OutputError, match="never changed"):
        auditor.report(whole, place / "pictures" / "report")
    with pytest.raises(OutputError, match="never changed"):
        auditor.scan(place / "pictures", place / "pictures" / "out")
    assert sorted(p.relative_to(place) for p in (place / "pictures").rglob("*")) == before


def test_what_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError, match="check the path"):
        auditor.scan(tmp_path / "absent", tmp_path / "out")
    assert not (tmp_path / "out").exists()
    with pytest.raises(FileNotFoundError, match="no measurement store"):
        auditor.load(tmp_path)
    assert isinstance(auditor.measure(tmp_path / "absent.jpg"), pd.DataFrame)


def test_one_name_is_one_name_and_no_table_is_told(
    place: Path, frames: pd.DataFrame, tmp_path: Path
) -> None:
    assert InferOptions(without_lenses="Tarn").without_lenses == ("Tarn",)
    assert InferOptions(accept="A:1:sun").accept == ("A:1:sun",)
    shutil.copytree(place / "gear-profile", tmp_path / "out")
    scanned = auditor.scan(place / "pictures", tmp_path / "out", without_folders="2024-05-01 Here")
    assert 0 < scanned.found < 9
    with pytest.raises(
        TypeError, match=r"the table that auditor\.load gives, not of 'gear-profile'"
    ):
        auditor.profile("gear-profile")  # type: ignore[arg-type]
    with pytest.raises(TypeError, match=r"what auditor\.profile gives, not of a DataFrame"):
        auditor.report(frames, tmp_path / "r")  # type: ignore[arg-type]
    assert not (tmp_path / "r").exists()
