"""Kind and scale of real files, as cameras wrote them and altered in known ways, and their sensors."""

from __future__ import annotations

import math
from functools import cache
from importlib.util import find_spec
from pathlib import Path

import pandas as pd
import pytest
from altered import Altered, altered_files, camera_originals

from auditor.measure.decode import decode
from auditor.measure.frame import with_pixel_evidence
from auditor.record import FrameRecord, to_row
from auditor.settings import read_settings, read_tags, reconcile

DATA = Path(__file__).parents[3] / "shared" / "data"
HALVES = ("camera-files", "real-archive")
needs_data = pytest.mark.skipif(
    not camera_originals("camera-files"), reason="../shared/data is not there"
)
needs_database = pytest.mark.skipif(find_spec("lensfunpy") is None, reason="lensfunpy is not there")

# Width in mm of the sensor that took these files, as the makers' data sheets have it (from memory): by
# file, or by roll where one body took them all.
SENSOR_WIDTH_MM = {
    "camera-files/007": 7.18, "camera-files/009": 23.5, "camera-files/014": 17.3,
    "camera-files/028": 5.75, "camera-files/030": 5.33, "camera-files/032": 7.18,
    "camera-files/038": 5.33, "camera-files/040": 23.6, "camera-files/043": 5.33,
    "camera-files/051": 7.18, "camera-files/059": 35.8, "camera-files/074": 7.18,
    "camera-files/075": 7.76, "camera-files/091": 23.7, "camera-files/096": 7.18,
    "real-archive/roll-b": 35.8, "real-archive/roll-d": 23.2, "real-archive/roll-f": 35.8,
    "real-archive/roll-g": 23.6, "real-archive/roll-h": 23.6, "real-archive/roll-i/001": 35.9,
    "real-archive/roll-i/002": 7.18, "real-archive/roll-i/003": 7.18,
    "real-archive/roll-i/004": 22.2, "real-archive/roll-i/010": 7.18,
    "real-archive/roll-i/012": 23.5, "real-archive/roll-i/013": 23.5,
    "real-archive/roll-i/014": 23.5,
}  # fmt: skip


def _width_mm(path: str) -> float | None:
    place = str(Path(path).relative_to(DATA).with_suffix(""))
    return SENSOR_WIDTH_MM.get(place, SENSOR_WIDTH_MM.get(place.rpartition("/")[0]))


@cache
def _altered(half: str) -> tuple[list[Altered], pd.DataFrame]:
    """Altered files of one half, each read and looked at by itself."""
    made, rows = [], []
    for one in altered_files(half):
        tags = read_tags(one.data, one.name)
        settings = tags.settings
        if settings.file_source == "edited":
            picture = decode(one.data, one.name)
            settings = with_pixel_evidence(settings, picture, tags.thumbnail)
        made.append(one)
        rows.append(to_row(FrameRecord(one.name, settings=settings)))
    return made, pd.DataFrame(rows)


def _right(made: list[Altered], table: pd.DataFrame) -> float:
    return float((table["file_kind"] == [one.kind for one in made]).mean())


@needs_data
@pytest.mark.long
@pytest.mark.parametrize(("half", "alone"), [("camera-files", 0.97), ("real-archive", 0.97)])
def test_what_became_of_altered_files_is_told(half: str, alone: float) -> None:
    # Alone a file whose tags were rewritten often has nothing left that tells of its full size.
    made, table = _altered(half)
    assert len(made) > 200
    assert _right(made, table) > alone
    assert _right(made, reconcile(table)) >= 0.98


@needs_data
@pytest.mark.long
@pytest.mark.parametrize("half", HALVES)
def test_altered_files_have_the_scale_that_follows_from_what_was_done(half: str) -> None:
    made, table = _altered(half)
    table = reconcile(table)
    table["of"] = table["path"].str.extract(r"^(.*?\d{3})-")[0]
    own = table[table["path"].str.endswith("-own.jpg")].set_index("of")["pixel_pitch_um"]
    wanted = table["of"].map(own) * [one.scale or math.nan for one in made]
    told = wanted.notna()
    near = (table["pixel_pitch_um"][told] / wanted[told] - 1).abs() < 0.04
    assert told.sum() > 100
    assert near.mean() >= 0.97


@needs_data
@needs_database
@pytest.mark.parametrize("half", HALVES)
def test_files_span_the_sensor_that_their_body_has(half: str) -> None:
    paths = sorted(p for p in (DATA / half).rglob("*.jpg"))
    rows = [
        to_row(FrameRecord(str(p), settings=read_settings(p.read_bytes(), p.name))) for p in paths
    ]
    table = reconcile(pd.DataFrame(rows))
    whole = table["file_kind"].isin(
        ["camera full size", "camera reduced", "edited full size", "edited reduced"]
    )
    seen = set()
    for row in table[whole & table["pixel_pitch_um"].notna()].itertuples():
        width = _width_mm(row.path)
        # Cut and reduced ones span an unknown part.
        if width is None or row.pitch_certainty == "assumed":
            continue
        spanned = max(row.width_px, row.height_px) * row.pixel_pitch_um / 1000
        assert spanned == pytest.approx(width, rel=0.04), row.path
        seen.add(row.body)
    assert len(seen) >= 8
