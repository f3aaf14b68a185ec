"""Labels, likeness, pairs, focus and crop mode."""

from __future__ import annotations

import cv2
import numpy as np
import pandas as pd
import pytest
from drawn_pairs import Accessory, PairWorld, pair_archive
from drawn_truth import defocus_disc_px
from hypothesis import given
from hypothesis import strategies as st

from auditor.infer.comparisons import (
    compare_labels,
    focus_table,
    label_sets,
    labels_from_csv,
)
from auditor.infer.comparisons.compare import crop_trade_off
from auditor.infer.comparisons.labels import normalised
from auditor.infer.comparisons.pairs import find_pairs
from auditor.infer.comparisons.small_pictures import read_thumb, registered_correlation
from auditor.infer.criteria import Criteria
from auditor.optics import hyperfocal_m, mtf50, system_mtf


def _frames(n: int, **columns: object) -> pd.DataFrame:
    frames, _ = pair_archive(Accessory(), np.random.default_rng(n), PairWorld(pairs=(n + 1) // 2))
    return frames.iloc[:n].assign(labels=[[]] * n, **columns)


# Labels -------------------------------------------------------------------------------------------


def test_keywords_of_any_script_are_labels() -> None:
    frames = _frames(4)
    frames["labels"] = [
        ["Graufilter ND64"],
        ["偏光フィルター"],
        ["فلتر", "  graufilter  nd64 "],
        [],
    ]
    sets, written = label_sets(frames)
    assert sets[0] == {"graufilter nd64"}
    assert normalised("偏光フィルター") in sets[1]
    assert sets[2] == {"graufilter nd64", normalised("فلتر")}
    assert written["graufilter nd64"] == "Graufilter ND64"


def test_folders_below_the_common_root_are_labels_but_dates_and_camera_folders_are_not() -> None:
    frames = _frames(3)
    frames["path"] = [
        "photos/2023/2023-05-01 lake/with polariser/a.jpg",
        "photos/2023/2023-05-01 lake/bare/b.jpg",
        "photos/2023/DCIM/100ALDER/c.jpg",
    ]
    sets, _ = label_sets(frames)
    assert list(sets) == [{"with polariser"}, {"bare"}, frozenset()]


def test_patterns_from_a_csv_label_files_and_bad_lines_are_told() -> None:
    text = "pattern,label\n*/filtered/*,Polariser\nshot_00??.jpg,ND\n,nothing\nlonely\n\n"
    patterns, problems = labels_from_csv(text)
    assert patterns == [("*/filtered/*", "Polariser"), ("shot_00??.jpg", "ND")]
    assert len(problems) == 2
    assert "line 4" in problems[0]
    frames = _frames(3)
    frames["path"] = ["x/Filtered/a.jpg", "x/y/SHOT_0012.JPG", "x/y/other.jpg"]
    sets, _ = label_sets(frames, patterns)
    assert "polariser" in sets[0]
    assert "nd" in sets[1]
    assert not {"polariser", "nd"} & sets[2]


@given(st.text(max_size=200))
def test_any_csv_is_read_without_a_traceback(text: str) -> None:
    patterns, problems = labels_from_csv(text)
    assert all(p and label for p, label in patterns)
    assert all(isinstance(p, str) for p in problems)


def test_stacked_and_merged_pictures_name_themselves() -> None:
    frames = _frames(
        4, software=["Field Focus Stack 3", "Wide Panorama Maker", "HDR Tool", "Alder 1.2"]
    )
    assert list(label_sets(frames)[0]) == [{"focus stacked"}, {"merged"}, {"merged"}, set()]


def test_crop_mode_and_resized_files_are_never_confused() -> None:
    """Whole sensor, crop mode (fewer pixels of the same pitch), resized by the camera (larger
    pixels), resized by a program, another aspect ratio."""
    frames = _frames(6)
    frames["width_px"] = [6000, 3984, 4000, 3984, 4000, 6000]
    frames["height_px"] = [4000, 2656, 2667, 2656, 4000, 3375]
    frames["pixel_pitch_um"] = [4.0, 4.0, 6.0, 4.0, 4.0, 4.0]
    frames["source"] = ["camera", "camera", "camera", "resized", "camera", "camera"]
    crop = [("crop mode" in s) for s in label_sets(frames)[0]]
    assert crop == [False, True, False, False, False, False]


# Likeness -----------------------------------------------------------------------------------------


def _thumb(rng: np.random.Generator) -> np.ndarray:
    picture = np.zeros((150, 210), np.float32)
    for size, weight in ((6, 1.0), (20, 0.6), (60, 0.3)):
        rough = rng.normal(0, weight, (150 * size // 150 + 2, 210 * size // 150 + 2))
        picture += cv2.resize(rough.astype(np.float32), (210, 150), interpolation=cv2.INTER_NEAREST)
    picture = cv2.GaussianBlur(picture, (0, 0), 0.8)
    return np.asarray((128 + 45 * picture).clip(0, 255), np.uint8)


def _jpeg(picture: np.ndarray) -> bytes:
    return bytes(cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 78])[1])


def test_one_scene_is_known_again_through_exposure_shift_and_rotation() -> None:
    hits, false = 0, 0
    for k in range(20):
        rng = np.random.default_rng(500 + k)
        scene, other = _thumb(rng), _thumb(rng)
        turn = cv2.getRotationMatrix2D((105, 75), float(rng.uniform(-2, 2)), 1.0)
        turn[:, 2] += rng.uniform(-8, 8, 2)
        moved = cv2.warpAffine(scene, turn, (210, 150), borderMode=cv2.BORDER_REFLECT)
        darker = (255 * (moved / 255.0) ** 1.4 * 0.7).astype(np.uint8)
        first = read_thumb(_jpeg(scene[20:127, 25:185]))
        second = read_thumb(_jpeg(darker[20:127, 25:185]))
        third = read_thumb(_jpeg(other[20:127, 25:185]))
        assert first is not None
        assert second is not None
        assert third is not None
        hits += registered_correlation(first, second) >= 0.55
        false += registered_correlation(first, third) >= 0.55
    assert hits >= 18
    assert false == 0


def test_a_magnified_scene_is_known_by_its_scale() -> None:
    rng = np.random.default_rng(7)
    scene = _thumb(rng)
    wide = read_thumb(_jpeg(cv2.resize(scene, (160, 114), interpolation=cv2.INTER_AREA)))
    middle = scene[25:125, 35:175]
    tele = read_thumb(_jpeg(cv2.resize(middle, (160, 114), interpolation=cv2.INTER_AREA)))
    assert wide is not None
    assert tele is not None
    assert registered_correlation(tele, wide, 1.5) > 0.55 > registered_correlation(tele, wide)
    # The other way round: what shows more than the whole of the other lies all over it.
    assert registered_correlation(wide, tele, 1 / 1.5) > 0.55 > registered_correlation(wide, tele)
    others = [_thumb(np.random.default_rng(900 + k))[20:127, 25:185] for k in range(40)]
    assert max(registered_correlation(other, tele, 1 / 1.5) for other in others) < 0.3


@pytest.mark.parametrize("data", [None, b"", b"not a picture", float("nan")])
def test_a_missing_or_broken_thumbnail_is_none(data: object) -> None:
    assert read_thumb(data) is None  # type: ignore[arg-type]


# Pairs --------------------------------------------------------------------------------------------


def test_every_scene_gives_its_pair_and_no_frame_is_used_twice() -> None:
    frames, _ = pair_archive(Accessory("ND"), np.random.default_rng(51), PairWorld(pairs=12))
    (label,) = find_pairs(frames)
    pairs = label.pairs["Wren 24"]
    assert len(pairs) == 12
    rows = [p.labelled for p in pairs] + [p.control for p in pairs]
    assert len(set(rows)) == 24
    assert all(frames["labels"].iloc[p.labelled] == ["ND"] for p in pairs)
    taken = pd.to_datetime(frames["taken"])
    apart = [abs(taken.iloc[p.labelled] - taken.iloc[p.control]) for p in pairs]
    assert max(apart) <= pd.Timedelta(minutes=15)


def test_frames_of_other_scenes_days_lenses_and_focal_lengths_are_not_paired() -> None:
    frames, _ = pair_archive(Accessory("ND"), np.random.default_rng(52), PairWorld(pairs=4))
    bare = frames["labels"].map(len) == 0
    rows = frames.index[bare]
    frames.loc[rows[0], "lens"] = "Wren 50"
    frames.loc[rows[1], "taken"] = "2024-07-01T08:00:00"
    frames.loc[rows[2], "focal_length_mm"] = 30.0
    signature = np.random.default_rng(1).integers(40, 220, 96).astype(np.uint8)
    frames.loc[rows[3], "signature"] = bytes(signature).hex()
    (label,) = find_pairs(frames)
    assert label.pairs == {}
    assert label.left_out == {"the focal lengths differ": 1}


def test_frames_that_differ_in_two_labels_are_left_out_with_the_reason() -> None:
    frames, _ = pair_archive(Accessory("ND"), np.random.default_rng(53), PairWorld(pairs=6))
    with_it = frames.index[frames["labels"].map(len) > 0]
    for row in with_it[:2]:
        frames.at[row, "labels"] = ["ND", "polariser"]
    found = {item.label: item for item in find_pairs(frames)}
    assert len(found["ND"].pairs["Wren 24"]) == 4
    assert found["ND"].left_out == {"the two frames differ in more than this label": 2}


def test_labels_that_always_come_together_are_one() -> None:
    frames, _ = pair_archive(Accessory("ND"), np.random.default_rng(54))
    frames["labels"] = [["ND", "Graufilter"] if x else [] for x in frames["labels"]]
    (label,) = find_pairs(frames)
    assert set(label.label.split(" + ")) == {"ND", "Graufilter"}
    assert len(label.pairs["Wren 24"]) == 8


def test_a_converter_is_compared_with_the_bare_lens() -> None:
    """The converter shows the middle of the scene, enlarged; the focal length is written without."""
    frames, _ = pair_archive(Accessory("x"), np.random.default_rng(55))
    has = frames["labels"].map(len) > 0
    frames["converter"] = np.where(has, "Wren 1.4x", None)
    frames["labels"] = [[]] * len(frames)
    frames["signature"] = [
        _enlarged(s, 1.4) if h else s for s, h in zip(frames["signature"], has, strict=True)
    ]
    entries = compare_labels(frames, [])
    assert entries[0]["label"] == "converter Wren 1.4x"
    assert entries[0]["against"] == "the bare lens"
    assert entries[0]["pairs"] >= 5
    centre, subject = (
        next(e for e in entries if e["what"] == what and e["zone"] == "centre")
        for what in ("sharpness", "detail on the subject")
    )
    # A subject 1.4 times as large, each pixel as sharp: 1.4 times the detail.
    assert 1 + subject["difference"] == pytest.approx(1.4 * (1 + centre["difference"]))


def _enlarged(signature: str, scale: float) -> str:
    grey = np.frombuffer(bytes.fromhex(signature), np.uint8).reshape(8, 12).astype(np.float32)
    matrix = np.array(
        [[1 / scale, 0, 5.5 * (1 - 1 / scale)], [0, 1 / scale, 3.5 * (1 - 1 / scale)]]
    )
    seen = cv2.warpAffine(grey, matrix, (12, 8), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    seen = 128 + 48 * (seen - seen.mean()) / seen.std()
    return bytes(seen.clip(0, 255).astype(np.uint8)).hex()


# Focus --------------------------------------------------------------------------------------------


def test_hyperfocal_distance_against_worked_examples() -> None:
    """A 2 inch lens at f/8 with a circle of 0.002 inch: 20.8 feet by f^2 / (N c) (U.S. Army
    correspondence course SS0507, learning event 10). 50 mm at f/8 with 0.03 mm: 10 467 mm by
    f^2 / (N c) + f (encyclopedia article 'Hyperfocal distance', from memory)."""
    inch, foot = 25.4, 0.3048
    without_f = hyperfocal_m(2 * inch, 8, 0.002 * inch * 1000) - 2 * inch / 1000
    assert round(without_f / foot, 1) == 20.8
    assert round(hyperfocal_m(50, 8, 30) * 1000) == 10467


def test_focused_at_the_hyperfocal_distance_infinity_has_the_allowed_circle() -> None:
    """By definition of H: the disc of a point at infinity is the circle of confusion."""
    h = hyperfocal_m(24, 8, 8.0)
    assert defocus_disc_px(24, 8, 4.0, h) == pytest.approx(2.0, rel=1e-9)


def _through_a_disc(disc_px: float, blur_px: float) -> float:
    """MTF50 at f/8, 4 um, from the line spread of a uniform disc, 2 sqrt(r^2 - x^2) / (pi r^2), summed
    over its strips: no Bessel function."""
    f = np.linspace(0, 0.6, 1201)
    response = system_mtf(f, 8.0, 4.0, blur_px)
    if disc_px:
        r = disc_px / 2
        x = (np.arange(4000) + 0.5) / 4000 * 2 * r - r
        spread = np.sqrt(r * r - x * x)
        response = response * np.abs(np.cos(2 * np.pi * np.outer(f, x)) @ spread / spread.sum())
    return float(f[np.argmax(response < 0.5)])


def _landscapes(rng: np.random.Generator, n: int = 12) -> pd.DataFrame:
    """Half focused at half the hyperfocal distance, half at three times; the far part is the top."""
    frames = pd.concat([_frames(2) for _ in range(n)], ignore_index=True)
    h = hyperfocal_m(24, 8, 8.0)
    short = np.arange(len(frames)) < n
    frames["focus_distance_m"] = np.where(short, h / 2, 3 * h)
    frames["taken"] = [f"2024-03-{1 + i % 28:02d}T{i % 24:02d}:00:00" for i in range(len(frames))]
    frames["outing"] = frames["burst"] = np.arange(len(frames))  # each on a day of its own
    disc = np.array([defocus_disc_px(24, 8, 4.0, float(s)) for s in frames["focus_distance_m"]])
    sharp = {d: _through_a_disc(d, 0.5) for d in np.unique(disc)}
    far = np.array([sharp[d] for d in disc]) * np.exp(rng.normal(0, 0.04, len(frames)))
    near = float(mtf50(8.0, 4.0, 0.9)) * np.exp(rng.normal(0, 0.04, len(frames)))
    turned = np.arange(len(frames)) % 4 == 0
    frames["orientation"] = np.where(turned, 6, 1)
    frames["top_mtf50_cpp"], frames["bottom_mtf50_cpp"] = far, near
    # Turned by Exif orientation 6, the sensor's left is up.
    frames["left_mtf50_cpp"] = np.where(turned, far, np.nan)
    frames["right_mtf50_cpp"] = np.where(turned, near, np.nan)
    frames.loc[turned, ["top_mtf50_cpp", "bottom_mtf50_cpp"]] = np.nan
    return frames


def test_focusing_too_close_costs_the_distance_as_the_closed_form_says() -> None:
    frames = _landscapes(np.random.default_rng(61))
    table = focus_table(frames, Criteria())
    assert table["where"].value_counts().to_dict() == {"short": 12, "beyond": 12}
    entries = compare_labels(frames, [])
    (far,) = (e for e in entries if e["what"] == "far sharpness")
    assert far["label"] == "focused short of the hyperfocal distance"
    # Focused at half the hyperfocal distance, discs at infinity are twice the allowed 2 px; beyond it a third.
    assert far["difference"] == pytest.approx(
        _through_a_disc(4.0, 0.5) / _through_a_disc(2 / 3, 0.5) - 1, abs=0.06
    )
    assert far["high"] < 0
    (near,) = (e for e in entries if e["what"] == "near sharpness")
    assert near["low"] <= 0 <= near["high"]


def test_scenes_focused_both_ways_speak_where_one_of_them_was_not() -> None:
    """Ten outings to places that differ by a factor in sharpness, eight of them focused both ways (blocking)."""
    rng = np.random.default_rng(64)
    frames = _landscapes(rng, 10)
    outing = np.arange(20) % 10
    frames["outing"] = outing
    frames["taken"] = [f"2024-03-{1 + o:02d}T08:0{i // 10}:00" for i, o in enumerate(outing)]
    place = np.exp(rng.normal(0, 0.5, 10))[outing]
    place /= place.max()
    for side in ("top", "bottom", "left", "right"):
        frames[f"{side}_mtf50_cpp"] *= place
    (far, near) = compare_labels(frames.drop(index=[9, 10]), [])
    assert [far["what"], near["what"]] == ["far sharpness", "near sharpness"]
    assert (far["pairs"], near["pairs"]) == (8, 8)
    expected = _through_a_disc(4.0, 0.5) / _through_a_disc(2 / 3, 0.5) - 1
    assert far["difference"] == pytest.approx(expected, abs=0.06)
    assert "lower half" in near["verdict"]


def test_portraits_and_frames_without_focus_distance_are_no_landscapes() -> None:
    frames = _landscapes(np.random.default_rng(62))
    frames.loc[:5, "focus_distance_m"] = 0.6
    frames.loc[6:8, "focus_distance_m"] = None
    assert len(focus_table(frames, Criteria())) == len(frames) - 9


def test_the_last_step_of_a_lens_s_distance_scale_may_be_any_farther_one() -> None:
    """As 53 of 53 landscapes of one real zoom say: 2.66 m, whatever lay there."""
    frames = _landscapes(np.random.default_rng(63))
    h = hyperfocal_m(24, 8, 8.0)
    frames["focus_distance_m"] = 0.9 * h
    assert not len(focus_table(frames, Criteria()))
    assert not [e for e in compare_labels(frames, []) if "sharpness" in e["what"]]
    # One frame farther: the others' distance is a step that has an end.
    frames.loc[0, "focus_distance_m"] = 2 * h
    where = focus_table(frames, Criteria())["where"]
    assert where.value_counts().to_dict() == {"at": len(frames) - 1, "beyond": 1}


# Crop mode ----------------------------------------------------------------------------------------


def test_a_crop_of_one_and_a_half_by_hand() -> None:
    """k = 1.5: two thirds of the pixels across, 2 log2 1.5 = 1.17 stops of noise and of depth."""
    text = crop_trade_off(1.5, 8, 4.0)
    assert text.startswith("keeps 67% of the pixels across; noise as with 1.2 stops less light")
    assert "depth of field as 1.2 stops" in text


def test_crop_mode_is_compared_at_equal_print_size() -> None:
    frames, _ = pair_archive(Accessory("x"), np.random.default_rng(63), PairWorld(missed=0.0))
    crop = frames["labels"].map(len) > 0
    frames["labels"] = [[]] * len(frames)
    frames.loc[crop, ["width_px", "height_px"]] = [4000, 2667]
    frames["signature"] = [
        _enlarged(s, 1.5) if c else s for s, c in zip(frames["signature"], crop, strict=True)
    ]
    (entry,) = compare_labels(frames, [])
    assert (entry["label"], entry["what"], entry["zone"]) == (
        "crop mode",
        "detail in print",
        "centre",
    )
    assert entry["difference"] == pytest.approx(-1 / 3, abs=0.05)
    assert "keeps 67% of the pixels" in entry["verdict"]
    assert "whole sensor" in entry["verdict"]
