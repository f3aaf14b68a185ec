"""What one file can't know about itself, settled over the archive."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from as_stored import as_stored
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.record import FrameRecord, Settings, to_row
from auditor.settings import reconcile
from auditor.settings.names import LensRange, converter_from_range

NATIVE = {"width_px": 6000, "height_px": 4000, "pixel_pitch_um": 4.0, "pitch_basis": "focal-plane"}


def frames(*rows: dict[str, Any]) -> pd.DataFrame:
    """Rows over a usual frame; 'n' repeats one. Each has a moment of its own unless told."""
    out = []
    for row in rows:
        row = dict(row)
        for _ in range(row.pop("n", 1)):
            i = len(out)
            base = {
                "body": "Northlight NL-7", "lens": "NL 24-70 mm f/2.8", "focal_length_mm": 35.0,
                "f_number": 8.0, "source": "camera", "maker_note": False,
                "taken": f"2024-05-01T{6 + i // 3600:02d}:{i // 60 % 60:02d}:{i % 60:02d}", **NATIVE,
            }  # fmt: skip
            out.append(to_row(FrameRecord(f"{i:04d}.jpg", settings=Settings(**{**base, **row}))))
    return as_stored(out)


def last(*rows: dict[str, Any]) -> pd.Series:
    return reconcile(frames(*rows)).iloc[-1]


# --- names


def test_spellings_of_one_body_become_the_commonest() -> None:
    table = reconcile(
        frames(
            {"n": 3},
            {"body": "NORTHLIGHT NL-7"},
            {"body": "northlight  nl7"},
            {"body": "Northlight NL-70"},
            {"body": None},
        )
    )
    assert table["body"].fillna("-").tolist() == ["Northlight NL-7"] * 5 + ["Northlight NL-70", "-"]


def test_spellings_of_one_lens_become_one() -> None:
    table = reconcile(frames({"n": 2}, {"lens": "NL 24-70mm F2.8"}, {"lens": "NL 24-70mm f/4"}))
    assert table["lens"].tolist() == ["NL 24-70 mm f/2.8"] * 3 + ["NL 24-70mm f/4"]


@pytest.mark.parametrize(
    ("one", "other"), [("Гелиос", "Юпитер"), ("七工匠 50mm f/1.8", "铭匠 50mm f/1.8")]
)
def test_lenses_named_in_other_scripts_are_told_apart(one: str, other: str) -> None:
    table = reconcile(frames({"lens": one, "n": 2}, {"lens": other}, {"lens": one.upper()}))
    assert table["lens"].tolist() == [one, one, other, one]


def test_bodies_named_in_other_scripts_are_told_apart() -> None:
    table = reconcile(frames({"body": "Зенит 12"}, {"body": "Киев 12"}))
    assert table["body"].tolist() == ["Зенит 12", "Киев 12"]


def test_lenses_of_two_makers_with_the_same_figures_are_two() -> None:
    one, other = "Northlight 50mm f/1.8", "Halden 50mm f/1.8"
    table = reconcile(
        frames(
            {"lens": one, "n": 3},
            {"body": "Halden H2", "lens": other, "n": 2},
            {"lens": other},
        )
    )
    assert table["lens"].tolist() == [one] * 3 + [other] * 3


# --- converters


@pytest.mark.parametrize(
    ("focal", "f_number", "converter"), [(70.0, 8.0, None), (98.0, 8.0, "1.4x"), (140.0, 5.6, "2x")]
)
def test_a_focal_length_outside_the_lens_range_is_a_converter(
    focal: float, f_number: float, converter: str | None
) -> None:
    assert converter_from_range(LensRange(24, 70, 2.8, 2.8), focal, f_number) == converter


@pytest.mark.parametrize("focal", [10.4, 13.0, 18.6, 22.0, 26.0, 37.1])
def test_a_compact_named_by_equivalents_has_no_converter(focal: float) -> None:
    crop = 2.72  # a sensor of one inch, 13.2 x 8.8 mm
    assert converter_from_range(LensRange(28, 100, 1.8, 4.9), focal, 5.6, crop * focal) is None


@pytest.mark.parametrize("crop", [1.0, 1.5, 2.0])
def test_a_reducer_on_a_small_sensor_stays_a_reducer(crop: float) -> None:
    focal = 0.71 * 24
    found = converter_from_range(LensRange(24, 70, 2.8, 2.8), focal, 8.0, round(crop * focal))
    assert found == "0.71x"


def test_a_converter_that_a_file_names_is_kept() -> None:
    assert last({}, {"converter": "1.7x"})["converter"] == "1.7x"


# --- built-in lenses


PHONE = {
    "body": "Brenner P1", "lens": None, "focal_length_mm": 4.2, "focal_35mm": 26.0, "width_px": 4000,
    "height_px": 3000, "pixel_pitch_um": 1.4, "pitch_basis": "equivalent",
}  # fmt: skip


def test_a_small_sensor_without_lens_names_has_a_lens_of_its_own() -> None:
    table = reconcile(frames({"n": 2}, {**PHONE, "n": 2}, {**PHONE, "body": "Brenner P2"}))
    assert table["lens"].tolist() == [
        *["NL 24-70 mm f/2.8"] * 2,
        *["built-in lens of Brenner P1"] * 2,
        "built-in lens of Brenner P2",
    ]


def test_an_adapted_lens_stays_unknown() -> None:
    # A large sensor, or no focal length, or a body that names its lenses otherwise.
    assert last({"n": 3}, {"lens": None})["lens"] is None
    assert last({"lens": None, "focal_length_mm": 50.0})["lens"] is None
    assert (
        last({**PHONE, "n": 3}, {**PHONE, "focal_length_mm": None, "f_number": None})["lens"]
        is None
    )


# --- copies of a lens


def test_two_copies_on_one_body_are_told_apart() -> None:
    table = reconcile(frames({"lens_serial": "77"}, {"lens_serial": "78"}, {}))
    assert table["lens"].tolist() == [
        "NL 24-70 mm f/2.8 (no. 77)",
        "NL 24-70 mm f/2.8 (no. 78)",
        "NL 24-70 mm f/2.8",
    ]


def test_one_copy_per_body_needs_no_number() -> None:
    table = reconcile(
        frames({"lens_serial": "77", "n": 2}, {"lens_serial": "78", "body": "Halden H2"}, {})
    )
    assert set(table["lens"]) == {"NL 24-70 mm f/2.8"}


# --- scale


def test_one_wrong_tag_does_not_rule() -> None:
    table = reconcile(
        frames({"n": 5}, {"pixel_pitch_um": 8.0}, {"pixel_pitch_um": None, "pitch_basis": None})
    )
    assert table["pixel_pitch_um"].tolist() == [4.0] * 7
    assert set(table["source"]) == {"camera"}


def test_the_first_frame_may_be_the_wrong_one() -> None:
    table = reconcile(frames({"pixel_pitch_um": 40.0}, {"n": 2}))
    assert table["pixel_pitch_um"].tolist() == [4.0] * 3


def test_equivalents_outvote_a_body_whose_focal_plane_tags_are_all_doubled() -> None:
    # 24 x 16 mm over 6000 px is 4 um; the focal-plane tags say 2.
    row = {"focal_length_mm": 50.0, "focal_35mm": 75.0, "pixel_pitch_um": 2.0, "n": 3}
    assert reconcile(frames(row))["pixel_pitch_um"].tolist() == pytest.approx([4.0] * 3, rel=0.01)


def test_rounded_equivalents_do_not_outvote_focal_plane_tags() -> None:
    row = {"focal_length_mm": 50.0, "focal_35mm": 76.0, "n": 3}
    assert reconcile(frames(row))["pixel_pitch_um"].tolist() == [4.0] * 3


def test_equivalents_alone_agree_on_their_median() -> None:
    rows = [
        {
            "focal_length_mm": f,
            "focal_35mm": round(f * 1.5),
            "pixel_pitch_um": p,
            "pitch_basis": "equivalent",
        }
        for f, p in ((17.0, 3.92), (24.0, 4.0), (35.0, 4.04), (50.0, 4.0), (70.0, 4.0))
    ]
    table = reconcile(frames(*rows))
    assert table["pixel_pitch_um"].nunique() == 1
    assert table["pixel_pitch_um"].iloc[0] == pytest.approx(4.0, rel=0.01)


def test_raw_files_of_a_crop_mode_are_told_from_those_of_the_whole_sensor() -> None:
    whole = {"source": "raw", "focal_35mm": 52.5, "n": 5}
    part = {"source": "raw", "width_px": 4000, "height_px": 2668, "focal_35mm": 79.0, "n": 3}
    table = reconcile(frames(whole, {**part, "pixel_pitch_um": None}))
    assert table["file_kind"].tolist() == ["raw"] * 5 + ["cropped"] * 3
    assert table["source"].tolist() == ["raw"] * 8
    assert table["pixel_pitch_um"].tolist() == pytest.approx([4.0] * 8)
    assert table["sensor_share"].tolist() == pytest.approx([1.0] * 5 + [0.445] * 3, abs=0.01)


def test_a_pitch_that_a_file_tells_itself_is_not_called_the_archives() -> None:
    told = reconcile(frames({"n": 2}, {"pixel_pitch_um": None, "pitch_basis": None}))
    assert told["pixel_pitch_um"].tolist() == [4.0] * 3
    assert told["pitch_basis"].tolist() == ["focal-plane"] * 2 + ["consensus"]
    assert reconcile(told)["pitch_basis"].tolist() == told["pitch_basis"].tolist()


def test_borders_differ_between_raw_and_jpeg_but_the_scale_does_not() -> None:
    raw = {"source": "raw", "width_px": 6048, "height_px": 4024, "n": 3}
    table = reconcile(frames({"n": 3}, raw))
    assert table["pixel_pitch_um"].tolist() == [4.0] * 6
    assert table["source"].tolist() == ["camera"] * 3 + ["raw"] * 3


def test_portrait_files_are_native_too() -> None:
    assert last({"n": 3}, {"width_px": 4000, "height_px": 6000})["source"] == "camera"


@pytest.mark.parametrize(
    "size",
    [
        {"width_px": 3936, "height_px": 2624},  # the middle of the sensor
        {"width_px": 4000, "height_px": 4000},  # square: the whole height
        {"width_px": 6000, "height_px": 3376},  # 16:9: the whole width
        {"width_px": 5328, "height_px": 4000},  # 4:3: the whole height
    ],
)
def test_a_crop_mode_keeps_its_pitch_and_kind(size: dict[str, int]) -> None:
    row = last({"n": 5}, {**size, "recoded": False, "n": 2})
    assert (row["source"], row["pixel_pitch_um"]) == ("camera", 4.0)


def test_a_crop_mode_by_its_equivalent_whatever_its_factor() -> None:
    row = last(
        {"n": 5, "focal_35mm": 52.5},
        {"width_px": 2400, "height_px": 1600, "focal_35mm": 131.0},
    )
    assert (row["source"], row["pixel_pitch_um"]) == ("camera", 4.0)


@pytest.mark.parametrize(
    "how",
    [
        {"pixel_pitch_um": 8.0},  # tags follow the size
        {"focal_35mm": 52.5},  # stale tags, but the view is the whole one
        {"source": "edited"},  # stale tags after a program
        {},  # stale tags, and nothing says that the camera wrote it
        {"pixel_pitch_um": None, "pitch_basis": None},  # no tags
        {"source": "resized", "pixel_pitch_um": 8.0},  # known from the file alone
    ],
)
def test_a_downsized_copy_is_resized_with_larger_pixels(how: dict[str, Any]) -> None:
    whole = {"n": 5, "focal_35mm": 52.5} if "focal_35mm" in how else {"n": 5}
    row = last(whole, {"width_px": 3000, "height_px": 2000, **how})
    assert (row["source"], row["pixel_pitch_um"]) == ("resized", 8.0)


def test_a_small_file_of_an_unknown_writer_has_not_the_pixels_of_the_sensor() -> None:
    none = {"source": "unknown", "pixel_pitch_um": None, "pitch_basis": None}
    assert last({"n": 5}, none)["pixel_pitch_um"] == 4.0
    row = last({"n": 5}, {**none, "width_px": 1500, "height_px": 1000})
    assert (row["source"], row["pixel_pitch_um"]) == ("resized", 16.0)


def test_a_program_s_file_too_small_for_its_years_is_reduced_and_told_so() -> None:
    none = {"source": "edited", "pixel_pitch_um": None, "pitch_basis": None}
    row = last({**none, "width_px": 1408, "height_px": 1056, "taken": "2014-05-01T06:00:00"})
    assert row["source"] == "resized"
    assert row["kind_reason"].endswith("1.5 million pixels, too few for a camera of 2010 or later")


def test_an_edited_cut_out_keeps_the_sensors_pixel() -> None:
    row = last({"n": 5}, {"width_px": 2487, "height_px": 2311, "source": "edited"})
    assert (row["source"], row["file_kind"], row["pixel_pitch_um"]) == ("edited", "cropped", 4.0)
    assert row["pitch_certainty"] == "assumed"
    assert row["sensor_share"] == pytest.approx(2487 * 2311 / 24e6, abs=0.001)


def test_an_enlarged_or_stitched_file_is_not_the_native_size() -> None:
    table = reconcile(
        frames(
            {"n": 5},
            {"width_px": 12_000, "height_px": 8000, "source": "edited"},
            {"width_px": 20_000, "height_px": 4000, "n": 3},
        )
    )
    assert table["source"].tolist() == ["camera"] * 5 + ["resized"] * 4
    assert table["pixel_pitch_um"].tolist()[:6] == [4.0] * 5 + [2.0]


@pytest.mark.parametrize(
    "how",
    [
        {"recoded": False, "pixel_pitch_um": 8.0},
        {"recoded": False},  # the tags are those of the full size; no camera crops by two
        {"recoded": None, "maker_note": True, "pixel_pitch_um": 8.0},  # no JPEG
    ],
)
def test_a_camera_set_to_a_smaller_size_stays_a_camera_file_at_its_own_scale(
    how: dict[str, Any],
) -> None:
    table = reconcile(frames({"n": 10}, {"width_px": 3000, "height_px": 2000, "n": 10, **how}))
    assert table["source"].tolist() == ["camera"] * 20
    assert table["pixel_pitch_um"].tolist() == [4.0] * 10 + [8.0] * 10


def test_a_single_small_frame_without_a_body_is_left_alone() -> None:
    row = last({"n": 3}, {"body": None, "width_px": 1000, "height_px": 700, "source": "unknown"})
    assert (row["source"], row["pixel_pitch_um"]) == ("unknown", 4.0)


def test_a_frame_turned_by_a_program_keeps_its_zones_and_gives_up_its_sides() -> None:
    table = frames({"n": 2}, {"width_px": 4000, "height_px": 6000})
    table["centre_mtf50_cpp"], table["left_mtf50_cpp"], table["left_edges"] = 0.3, 0.2, 9
    table["horizontal_cpp"], table["vertical_cpp"] = 0.25, 0.15
    done = reconcile(table)
    assert done["centre_mtf50_cpp"].tolist() == [0.3] * 3
    assert done["left_mtf50_cpp"].isna().tolist() == [False, False, True]
    assert done["horizontal_cpp"].tolist() == [0.25, 0.25, 0.15]
    assert done["vertical_cpp"].tolist() == [0.15, 0.15, 0.25]
    pd.testing.assert_frame_equal(reconcile(done), done)
    # A body that only stores upright frames has them all turned alike.
    upright = table.assign(width_px=4000, height_px=6000)
    assert reconcile(upright)["left_mtf50_cpp"].notna().all()


def test_small_rendered_archives_are_their_own_native_size() -> None:
    small = {"width_px": 1200, "height_px": 800, "n": 4}
    table = reconcile(frames(small, {**small, "source": "raw", "n": 2}))
    assert table["source"].tolist() == ["camera"] * 4 + ["raw"] * 2
    assert table["pixel_pitch_um"].tolist() == [4.0] * 6


@settings(max_examples=12, deadline=None)
@given(
    st.lists(
        st.fixed_dictionaries(
            {
                "body": st.sampled_from(["Northlight NL-7", "NORTHLIGHT NL7", "Halden H2", None]),
                "lens": st.sampled_from(["NL 24-70 mm f/2.8", "NL 24-70mm F2.8", None]),
                "lens_serial": st.sampled_from(["1", "2", None]),
                "width_px": st.sampled_from([6000, 3000, 1200, None]),
                "pixel_pitch_um": st.sampled_from([4.0, 8.0, None]),
                "focal_length_mm": st.sampled_from([35.0, 98.0, 4.0, None]),
                "focal_35mm": st.sampled_from([52.0, None]),
                "source": st.sampled_from(["raw", "camera", "edited", "resized", "unknown"]),
                "maker_note": st.sampled_from([True, False, None]),
            }
        ),
        min_size=1,
        max_size=10,
    ),
    st.randoms(),
)
def test_any_table_comes_back_whole_and_a_second_time_changes_nothing(
    rows: list[dict[str, Any]], random: Any
) -> None:
    table = frames(*rows)
    once = reconcile(table)
    assert once["path"].tolist() == table["path"].tolist()
    assert list(once.columns) == list(table.columns)
    assert set(once["source"]) <= {"raw", "camera", "edited", "resized", "unknown"}
    pitch = pd.to_numeric(once["pixel_pitch_um"], errors="coerce").dropna()
    assert (pitch > 0).all()
    order = list(range(len(table)))
    random.shuffle(order)
    shuffled = reconcile(table.iloc[order]).sort_index()
    for column in ("body", "lens", "converter", "source"):
        assert shuffled[column].fillna("-").tolist() == once[column].fillna("-").tolist()


def test_twice_is_the_same_as_once() -> None:
    table = frames(
        {"n": 5}, {"width_px": 3000, "height_px": 2000}, {"width_px": 3936, "height_px": 2624},
        {"pixel_pitch_um": 8.0}, {"lens_serial": "1"}, {"lens_serial": "2"}, {**PHONE, "n": 2},
        {"width_px": 2500, "height_px": 2300, "source": "edited"}, {"focal_length_mm": 98.0},
    )  # fmt: skip
    once = reconcile(table)
    pd.testing.assert_frame_equal(reconcile(once), once)


def test_many_frames_are_settled_as_few_are() -> None:
    few = frames({"n": 50}, {"body": "Halden H2", "width_px": 3000, "height_px": 2000, "n": 50})
    names = [c for c in few.columns if c in Settings.__slots__ or c in ("path", "status")]
    many = few[names].loc[np.tile(np.arange(100), 1000)].reset_index(drop=True)
    once, often = reconcile(few[names]), reconcile(many)
    pd.testing.assert_frame_equal(often.iloc[:100], once)
    assert often.groupby("body")["pixel_pitch_um"].nunique(dropna=False).max() == 1


def test_a_lens_that_is_named_without_its_maker_is_the_one_of_its_body() -> None:
    full = "Northlight 50mm f/1.8"
    table = reconcile(
        frames(
            {"lens": full},
            {"lens": "50 mm F1.8", "n": 2},
            {"body": "Halden H2", "lens": "50mm f/1.8"},
        )
    )
    assert table["lens"].tolist()[:3] == [full] * 3
    assert table["lens"].iloc[3] != full, "nothing ties it to the other maker's lens"
