"""Files to captures, bursts and outings."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from as_stored import as_stored
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.crawl import Selection, relate
from auditor.record import FrameRecord, Settings, to_row

RNG = np.random.default_rng(7)


def look(seed: int, wobble: int = 0) -> str:
    """A signature; another seed is another scene, a wobble the same scene another time."""
    grey = np.random.default_rng(seed).normal(128, 48, 96)
    grey += np.random.default_rng(1000 + wobble).normal(0, 2, 96) if wobble else 0
    return np.clip(grey, 0, 255).astype(np.uint8).tobytes().hex()


def frame(path: str, **more: Any) -> dict[str, Any]:
    base: dict[str, Any] = {
        "body": "Northlight NL-7", "lens": "NL 35 mm f/2", "focal_length_mm": 35.0, "f_number": 8.0,
        "exposure_time_s": 0.004, "iso": 100.0, "taken": "2024-05-01T06:00:00", "source": "camera",
        "width_px": 6000, "height_px": 4000,
    }  # fmt: skip
    outer = {k: more.pop(k) for k in ("status", "file_id", "signature") if k in more}
    return to_row(FrameRecord(path, settings=Settings(**{**base, **more}), **outer))


def table(*rows: dict[str, Any]) -> pd.DataFrame:
    return as_stored(rows)


def groups(frames: pd.DataFrame, column: str = "capture") -> list[set[str]]:
    related = relate(frames)
    return [set(g["path"]) for _, g in related.groupby(column)]


def test_raw_and_jpeg_of_one_exposure_are_one_capture_and_the_raw_is_its_best() -> None:
    frames = table(
        frame("DSC_0001.JPG", file_number="0001"),
        frame("DSC_0001.NEF", file_number="0001", source="raw", width_px=6048, height_px=4024),
        frame("DSC_0002.JPG", file_number="0002"),
    )
    related = relate(frames)
    assert related["capture"].tolist() == [0, 0, 1]
    assert related["best"].tolist() == [False, True, True]


def test_stars_and_keywords_of_one_file_are_those_of_its_capture() -> None:
    frames = table(
        frame("DSC_0001.NEF", file_number="0001", source="raw", labels=("lake",)),
        frame("DSC_0001.JPG", file_number="0001", rating=4, labels=("polariser", "lake")),
        frame("DSC_0002.NEF", file_number="0002", source="raw", rating=1),
        frame("DSC_0002.JPG", file_number="0002", rating=3),
        frame("DSC_0003.JPG", file_number="0003", labels=("hut",)),
    )
    related = relate(frames)
    assert related["rating"].astype(object).where(related["rating"].notna(), None).tolist() == [
        4, 4, 1, 3, None,
    ]  # fmt: skip
    words = related["labels"].map(lambda v: sorted(v) if isinstance(v, list) else [])
    assert words.tolist() == [["lake", "polariser"]] * 2 + [[], [], ["hut"]]
    assert sorted(frames["labels"].iloc[0]) == ["lake"], "the table given stays as it was"
    kept = related[Selection(rating=4).matches(related)]
    assert kept["best"].any()


def test_a_counted_file_belongs_to_the_file_it_is_counted_on() -> None:
    counted = frame("web.jpg", file_number="7", status="counted", taken=None)
    related = relate(table(frame("DSC_0001.JPG"), counted | {"measured_on": "DSC_0001.JPG"}))
    assert related["capture"].tolist() == [0, 0]
    assert related["best"].tolist() == [True, False]


def test_a_measured_jpeg_is_better_than_a_raw_file_that_was_set_aside() -> None:
    related = relate(
        table(
            frame("1.NEF", file_number="0001", source="raw", status="set-aside"),
            frame("1.JPG", file_number="0001"),
        )
    )
    assert related["capture"].nunique() == 1
    assert related["best"].tolist() == [False, True]


def test_the_same_content_in_a_backup_folder_is_one_capture_even_without_settings() -> None:
    bare = {"body": None, "taken": None, "f_number": None, "iso": None, "exposure_time_s": None}
    frames = table(
        frame("a/x.jpg", file_id="same", **bare),
        frame("backup/renamed.jpg", file_id="same", **bare),
        frame("a/other.jpg", file_id="other", **bare),
    )
    assert groups(frames) == [{"a/x.jpg", "backup/renamed.jpg"}, {"a/other.jpg"}]


def test_frames_of_a_burst_in_one_second_stay_apart_by_fraction_or_by_number() -> None:
    by_fraction = table(
        *(frame(f"{i}.jpg", taken=f"2024-05-01T06:00:00.{i}5", file_number=None) for i in range(8))
    )
    assert relate(by_fraction)["capture"].nunique() == 8
    by_number = table(
        *(frame(f"IMG_{i:04d}.jpg", file_number=f"{i:04d}", signature=look(1, i)) for i in range(8))
    )
    assert relate(by_number)["capture"].nunique() == 8


def test_an_exported_copy_under_another_name_is_found_by_its_fraction_of_a_second() -> None:
    when = "2024-05-01T06:00:00.43"
    frames = table(
        frame("DSC_0101.NEF", taken=when, file_number="0101", source="raw"),
        frame("trip-0007.jpg", taken=when, file_number="0007", source="edited"),
        frame("DSC_0102.NEF", taken="2024-05-01T06:00:00.61", file_number="0102", source="raw"),
    )
    assert groups(frames) == [{"DSC_0101.NEF", "trip-0007.jpg"}, {"DSC_0102.NEF"}]


def test_without_a_fraction_a_renamed_copy_is_found_by_its_looks() -> None:
    frames = table(
        frame("DSC_0101.NEF", file_number="0101", source="raw", signature=look(1)),
        frame("DSC_0102.NEF", file_number="0102", source="raw", signature=look(2)),
        frame("lake.jpg", file_number=None, source="resized", width_px=2000, signature=look(1, 5)),
    )
    assert groups(frames) == [{"DSC_0101.NEF", "lake.jpg"}, {"DSC_0102.NEF"}]


def test_two_bodies_of_one_model_are_told_apart_by_serial_number() -> None:
    frames = table(
        frame("a/IMG_0001.jpg", file_number="0001", body_serial="111"),
        frame("b/IMG_0001.jpg", file_number="0001", body_serial="222"),
        frame("a/IMG_0001-small.jpg", file_number="0001", body_serial="111", source="resized"),
    )
    assert groups(frames) == [
        {"a/IMG_0001.jpg", "a/IMG_0001-small.jpg"},
        {"b/IMG_0001.jpg"},
    ]


def test_a_copy_that_lost_the_serial_number_is_still_found() -> None:
    frames = table(
        frame("IMG_0001.jpg", file_number="0001", body_serial="111"),
        frame("out/IMG_0001.jpg", file_number="0001", body_serial=None, source="edited"),
    )
    assert relate(frames)["capture"].nunique() == 1


@pytest.mark.parametrize("iso", [None, 400.0])
def test_rolls_of_scans_dated_by_one_day_and_numbered_alike_stay_apart(iso: float | None) -> None:
    bare = {
        "lens": None,
        "focal_length_mm": None,
        "f_number": None,
        "exposure_time_s": None,
        "iso": iso,
    }
    day = "1998-07-01T00:00:00"
    frames = table(
        *(
            frame(f"{r}/scan_{i:03d}.jpg", taken=day, file_number=f"{i:03d}", **bare)
            for r in "ab"
            for i in range(3)
        )
    )
    assert relate(frames)["capture"].nunique() == 6


@pytest.mark.parametrize(
    "lost", [{"iso"}, {"f_number"}, {"exposure_time_s"}, {"iso", "f_number", "exposure_time_s"}]
)
def test_an_export_that_lost_a_part_of_its_exposure_belongs_to_its_original(lost: set[str]) -> None:
    export = {"source": "resized", "width_px": 2000, **dict.fromkeys(lost)}
    frames = table(
        frame("IMG_0001.jpg", file_number="0001", iso=100.0),
        frame("IMG_0001-web.jpg", file_number="0001", **export),
        # Of the same second, as automatic bodies change it from frame to frame.
        frame("IMG_0002.jpg", file_number="0002", iso=200.0, f_number=4.0, exposure_time_s=0.002),
    )
    assert groups(frames) == [{"IMG_0001.jpg", "IMG_0001-web.jpg"}, {"IMG_0002.jpg"}]


def test_a_renamed_export_without_its_iso_is_found_by_its_looks() -> None:
    frames = table(
        frame("IMG_0001.jpg", file_number="0001", signature=look(1)),
        frame("lake.jpg", source="resized", width_px=2000, iso=None, signature=look(1, 5)),
        frame("hut.jpg", source="resized", width_px=2000, iso=None, signature=look(2)),
    )
    assert groups(frames) == [{"IMG_0001.jpg", "lake.jpg"}, {"hut.jpg"}]


ID = "3f3e9c5e09f8e98f7c29827f3755c087"
EDIT = {"source": "resized", "width_px": 1600, "image_unique_id": ID}


def test_edits_under_other_names_are_one_capture_by_their_image_unique_id() -> None:
    edits = (
        frame("castle-007.jpg", file_number="007", signature=look(1), **EDIT),
        frame("print-010.jpg", file_number="010", signature=look(2), **EDIT),
    )
    other = frame("hut-011.jpg", file_number="011", **EDIT | {"image_unique_id": ID[::-1]})
    assert groups(table(*edits, other)) == [{"castle-007.jpg", "print-010.jpg"}, {"hut-011.jpg"}]
    without = table(*edits, other).drop(columns="image_unique_id")
    assert len(groups(without)) == 3, "a store written before has no such column"


def test_an_image_unique_id_that_a_camera_writes_into_every_frame_ties_none() -> None:
    two = [frame(f"{i}-a.jpg", file_number=f"{i}00", **EDIT) for i in range(2)]
    assert len(groups(table(*two))) == 1
    later = frame("2-a.jpg", **EDIT | {"taken": "2024-05-01T06:00:01"})
    assert len(groups(table(*two, later))) == 3, "of other seconds too"
    burst = (
        frame(f"IMG_000{i}.jpg", file_number=f"000{i}", image_unique_id=ID, signature=look(1, i))
        for i in range(3)
    )
    assert len(groups(table(*burst))) == 3, "a burst that the camera numbered"


def test_another_exposure_in_the_same_second_is_another_capture() -> None:
    frames = table(
        frame("IMG_0001.jpg", file_number="0001", exposure_time_s=0.004),
        frame("x/IMG_0001.jpg", file_number="0001", exposure_time_s=0.001),
    )
    assert relate(frames)["capture"].nunique() == 2


def test_no_time_no_number_no_hash_means_no_relation() -> None:
    frames = table(*(frame(f"{i}.jpg", taken=None, signature=look(1)) for i in range(3)))
    assert relate(frames)["capture"].nunique() == 3


def test_bursts_part_after_seconds_and_outings_after_hours() -> None:
    def at(name: str, clock: str, **more: Any) -> dict[str, Any]:
        return frame(name, taken=f"2024-05-{clock}", file_number=name, **more)

    frames = table(
        at("1", "01T06:00:00"), at("2", "01T06:00:01"), at("3", "01T06:00:03"),
        at("4", "01T06:00:30"), at("5", "01T08:00:00"), at("6", "01T14:00:00"),
        at("7", "02T06:00:00"), at("8", "02T06:00:01", body="Halden H2"),
    )  # fmt: skip
    related = relate(frames)
    assert related["burst"].tolist() == [0, 0, 0, 1, 2, 3, 4, 5]
    assert related["outing"].tolist() == [0, 0, 0, 0, 0, 1, 2, 2]


def test_a_long_exposure_does_not_end_a_burst() -> None:
    frames = table(
        frame("1", taken="2024-05-01T22:00:00", exposure_time_s=30.0, file_number="1"),
        frame("2", taken="2024-05-01T22:00:31", exposure_time_s=30.0, file_number="2"),
    )
    assert relate(frames)["burst"].nunique() == 1


def test_frames_without_a_time_are_one_outing_per_folder_and_no_burst() -> None:
    related = relate(table(*(frame(p, taken=None) for p in ("/a/1.jpg", "/a/2.jpg", "/b/3.jpg"))))
    assert related["outing"].tolist() == [0, 0, 1]
    assert related["burst"].nunique() == 3


def test_an_empty_table_gets_its_columns() -> None:
    related = relate(table(frame("x")).iloc[:0])
    assert {"capture", "best", "burst", "outing"} <= set(related.columns)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["A", "B", None]),
            st.sampled_from(
                ["2024-05-01T06:00:00", "2024-05-01T06:00:00.25", "1970-01-01T00:00:00", None]
            ),
            st.sampled_from(["0001", "0002", None]),
            st.sampled_from(["raw", "camera", "edited"]),
            st.sampled_from(["h1", "h2", None]),
            st.sampled_from(["11", "22", None]),
            st.sampled_from(["i1", "i2", None]),
        ),
        min_size=1,
        max_size=12,
    ),
    st.randoms(),
)
def test_order_of_rows_does_not_matter_and_every_capture_has_one_best(
    marks: list[tuple[Any, ...]], random: Any
) -> None:
    frames = table(
        *(
            frame(
                f"{i:02d}.jpg",
                body=b,
                taken=t,
                file_number=n,
                source=s,
                file_id=h,
                body_serial=x,
                image_unique_id=u,
            )
            for i, (b, t, n, s, h, x, u) in enumerate(marks)
        )
    )
    related = relate(frames)
    assert (related.groupby("capture")["best"].sum() == 1).all()
    assert (related.groupby("capture")["burst"].nunique() == 1).all()
    assert (related.groupby("burst")["outing"].nunique() == 1).all()
    order = list(range(len(frames)))
    random.shuffle(order)
    shuffled = relate(frames.iloc[order]).sort_index()
    for column in ("capture", "burst", "outing"):
        pairs = set(zip(related[column], shuffled[column], strict=True))
        assert len(pairs) == related[column].nunique() == shuffled[column].nunique()
    assert shuffled["best"].tolist() == related["best"].tolist()


def test_a_hundred_thousand_captures_in_two_files_each_are_all_paired() -> None:
    n = 100_000
    seconds = np.sort(RNG.integers(1_600_000_000, 1_700_000_000, n))
    one = pd.DataFrame({
        "path": [f"/a/{i:06d}" for i in range(n)],
        "body": "Northlight NL-7",
        "taken": pd.to_datetime(seconds, unit="s").strftime("%Y-%m-%dT%H:%M:%S"),
        "file_number": [f"{i % 10_000:04d}" for i in range(n)],
        "f_number": RNG.choice([2.8, 4.0, 8.0], n),
        "source": "raw",
        "status": "measured",
    })  # fmt: skip
    both = pd.concat([one, one.assign(source="camera", path=one["path"] + "j")], ignore_index=True)
    related = relate(both)
    capture = related["capture"].to_numpy()
    assert np.array_equal(capture[:n], capture[n:])
    assert related["capture"].nunique() == n
