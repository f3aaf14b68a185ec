"""Pairs as archives really hold them: labels in odd places, light, water and white balance that change."""

from __future__ import annotations

import compared
import cv2
import numpy as np
import pandas as pd
import pytest
from compared import find
from drawn_pairs import Accessory, PairWorld, pair_archive

from auditor.crawl.captures import share_words
from auditor.infer.comparisons import compare_labels, pairs_to_shoot
from auditor.infer.comparisons.labels import (
    names_accessory,
    names_control,
    negated,
    normalised,
)
from auditor.infer.comparisons.pairs import find_pairs
from auditor.infer.comparisons.small_pictures import SmallPictures


def _pairs(seed: int, accessory: Accessory | None = None, **world: float) -> tuple:
    w = PairWorld(**world)  # type: ignore[arg-type]
    return pair_archive(accessory or Accessory(), np.random.default_rng(seed), w)


# Where the label is -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fitted", "bare", "label", "against"),
    [
        ("polariser", "bare", "polariser", "bare"),
        ("polariser", "ohne", "polariser", "ohne"),
        ("A", "B", "A", "B"),
        ("Z", "B", "Z", "B"),
        ("偏光フィルター", "フィルターなし", "偏光フィルター", "フィルターなし"),
        ("with", "without", "with", "without"),
    ],
)
def test_a_folder_for_each_side(fitted: str, bare: str, label: str, against: str) -> None:
    """Of two labels the accessory is the one that is not named bare, or that asked for light."""
    frames, _ = _pairs(71, Accessory(light_stops=1.5))
    side = frames["labels"].map(len) > 0
    frames["labels"] = [[]] * len(frames)
    frames["path"] = [f"trip/{fitted if s else bare}/{k}.jpg" for k, s in enumerate(side)]
    entries = compare_labels(frames, [])
    assert {(e["label"], e["against"]) for e in entries} == {(label, against)}
    assert entries[0]["pairs"] == 8


def test_a_label_only_on_the_bare_frames_that_denies_the_accessory() -> None:
    frames, _ = _pairs(72, Accessory(blur_px=0.5))
    frames["labels"] = [[] if words else ["no filter"] for words in frames["labels"]]
    whole = find(compare_labels(frames, []), "sharpness")
    assert (whole["label"], whole["against"]) == ("filter", "no filter")
    assert whole["high"] < 0


def test_labels_in_folders_have_their_colours_compared_too() -> None:
    frames, pictures = _pairs(73, Accessory(tint=compared.tint(0.004)))
    side = frames["labels"].map(len) > 0
    frames["labels"] = [[]] * len(frames)
    frames["path"] = [f"trip/{'ND' if s else 'plain'}/{k}.jpg" for k, s in enumerate(side)]
    asked: list[list[str]] = []

    def source(ids: list[str]) -> pd.DataFrame:
        asked.append(ids)
        return pictures[pictures["file_id"].isin(ids)]

    cast = find(compare_labels(frames, [], pictures=source), "cast")
    assert cast["difference"] == pytest.approx(0.004, abs=0.001)
    assert sum(len(ids) for ids in asked) == len(frames)


def test_a_keyword_on_one_file_of_a_capture_holds_for_the_capture() -> None:
    frames, _ = _pairs(74)
    raw = frames.copy()
    raw["path"] = raw["path"].str.replace(".jpg", ".dng")
    raw["labels"] = [[]] * len(raw)
    frames["best"] = False
    both = pd.concat([raw, frames], ignore_index=True)
    share_words(both, both["capture"].to_numpy(np.int64))
    whole = find(compare_labels(both, []), "sharpness")
    assert (whole["label"], whole["pairs"]) == ("polariser", 8)


def test_frames_without_a_lens_name_go_by_body_and_focal_length() -> None:
    frames, _ = _pairs(75)
    whole = find(compare_labels(frames.assign(lens=None), []), "sharpness")
    assert (whole["lens"], whole["pairs"]) == (None, 8)


@pytest.mark.parametrize(
    ("label", "denies", "bare", "accessory"),
    [
        ("no filter", "filter", True, False),
        ("ohne Polfilter", "polfilter", True, False),
        ("sans filtre", "filtre", True, False),
        ("без фильтра", "фильтра", True, False),
        ("フィルターなし", "フィルター", True, False),
        ("filter off", "filter", True, False),
        ("bare", "", True, False),
        ("ND 64", "", False, True),
        ("Polfilter", "", False, True),
        ("滤镜", "", False, True),
        ("Norway", "", False, False),
        ("sunset", "", False, False),
        ("nothing much", "", True, False),
    ],
)
def test_what_labels_say_in_any_language(
    label: str, denies: str, bare: bool, accessory: bool
) -> None:
    """Common words of photographers, no source."""
    key = normalised(label)
    assert (negated(key), names_control(key), names_accessory(key)) == (
        normalised(denies),
        bare,
        accessory,
    )


# Contradictions and one-sided labels --------------------------------------------------------------


def test_contradictory_labels_leave_a_frame_out_with_the_reason() -> None:
    frames, _ = _pairs(76)
    with_it = frames.index[frames["labels"].map(len) > 0]
    for row in with_it[:3]:
        frames.at[row, "labels"] = ["polariser", "no polariser"]
    found = {item.label: item for item in find_pairs(frames)}
    assert len(found["polariser"].pairs["Wren 24"]) == 5
    assert found["polariser"].left_out == {"the two frames differ in more than this label": 3}


def test_an_accessory_on_every_frame_cannot_be_told_and_is_on_the_list_of_what_to_shoot() -> None:
    frames, _ = _pairs(77)
    frames["labels"] = [["ND64"]] * len(frames)
    (entry,) = compare_labels(frames, [])
    assert (entry["difference"], entry["pairs"], entry["lens"]) == (None, 0, "Wren 24")
    assert entry["verdict"].startswith("cannot tell")
    (series,) = pairs_to_shoot([entry])
    assert (series["lens"], series["frames"]) == ("Wren 24", 16)
    assert "ND64" in series["why"]


def test_a_mood_on_every_frame_is_no_accessory_and_asks_for_nothing() -> None:
    frames, _ = _pairs(78)
    entries = compare_labels(frames.assign(labels=[["silence"]] * len(frames)), [])
    assert entries == []
    assert pairs_to_shoot(entries) == []


def test_frames_without_a_time_and_resized_copies_are_left_out_with_the_reason() -> None:
    frames, _ = _pairs(79)
    with_it = frames.index[frames["labels"].map(len) > 0]
    frames.loc[with_it[:2], "taken"] = None
    frames.loc[with_it[2:5], "source"] = "resized"
    whole = find(compare_labels(frames, []), "sharpness")
    assert whole["pairs"] == 3
    assert {x["reason"]: x["count"] for x in whole["left_out"]} == {
        "a frame has no capture time": 2,
        "a frame is a resized copy": 3,
    }


def test_an_open_verdict_asks_for_the_missing_pairs_only() -> None:
    frames, _ = _pairs(80, Accessory("ND8"), pairs=3, scatter=0.08)
    entries = compare_labels(frames, [])
    (series,) = pairs_to_shoot(entries)
    assert series["frames"] >= 8
    assert series["apertures"] == [8.0]
    settled, _ = _pairs(81, Accessory("ND8", blur_px=0.6))
    assert pairs_to_shoot(compare_labels(settled, [])) == []


# White balance, light, water ----------------------------------------------------------------------


def test_a_changed_white_balance_does_not_pass_for_a_cast() -> None:
    """All pairs: daylight without, cloudy with the filter, which is neutral."""
    frames, pictures = _pairs(82, Accessory(tint=compared.tint(0.01)))
    side = frames["labels"].map(len) > 0
    frames["white_balance"] = np.where(side, "cloudy", "daylight")
    entries = compare_labels(frames, [], pictures=pictures)
    cast = find(entries, "cast")
    assert cast["difference"] is None
    assert "white balance differs" in cast["verdict"]
    assert not cast["found"]
    # No setting of the camera makes colours uneven, so that is told all the same.
    assert find(entries, "cast evenness")["pairs"] == 8


def test_pairs_with_a_changed_colour_temperature_are_left_out_of_the_cast() -> None:
    frames, pictures = _pairs(83, Accessory())
    grids = pictures["colour_grid"].to_list()
    kelvin = np.full(len(frames), 5200.0)
    for row in frames.index[frames["labels"].map(len) > 0][:3]:
        kelvin[row] = 6500.0
        grid = np.frombuffer(grids[row], "<u2").reshape(16, 24, 3) * np.array([1.12, 1.0, 0.85])
        grids[row] = grid.clip(0, 65535).astype("<u2").tobytes()
    frames["white_balance"], frames["colour_temperature_k"] = "manual", kelvin
    cast = find(compare_labels(frames, [], pictures=pictures.assign(colour_grid=grids)), "cast")
    assert cast["pairs"] == 5
    assert not cast["found"]
    assert cast["left_out"] == [
        {"reason": "the white balance differs between the two frames", "count": 3}
    ]


def test_automatic_white_balance_counts_only_where_nothing_better_is() -> None:
    frames, pictures = _pairs(84, Accessory(tint=compared.tint(0.004)))
    automatic = frames.assign(white_balance="auto")
    cast = find(compare_labels(automatic, [], pictures=pictures), "cast")
    assert cast["automatic_white_balance"]
    assert "automatic" in cast["note"]
    mixed = frames.assign(white_balance=["auto"] * 6 + ["daylight"] * 10)
    cast = find(compare_labels(mixed, [], pictures=pictures), "cast")
    assert not cast["automatic_white_balance"]
    assert cast["pairs"] == 5
    assert cast["left_out"][0]["count"] == 3


def test_clouds_and_water_that_moved_are_no_cast_and_no_loss_of_light() -> None:
    """A third of every frame shows something else by the time of the second."""
    frames, pictures = _pairs(85, Accessory(light_stops=1.0), moving=0.33)
    entries = compare_labels(frames, [], pictures=pictures)
    assert not find(entries, "cast")["found"]
    assert find(entries, "light")["difference"] == pytest.approx(-1.0, abs=0.1)
    assert find(entries, "vignetting", "corner")["low"] <= 0


def test_an_uneven_cast_without_a_mean_is_told() -> None:
    tint = compared.tint(0.006)
    frames, pictures = _pairs(86, Accessory(tint_across=tint))
    cast = find(compare_labels(frames, [], pictures=pictures), "cast")
    assert cast["found"]
    assert not cast["even"]
    assert "uneven" in cast["verdict"]
    assert cast["low"] == 0


# Likeness -----------------------------------------------------------------------------------------


def _thumb(rng: np.random.Generator) -> bytes:
    rough = cv2.resize(rng.normal(0, 1, (20, 30)).astype(np.float32), (160, 107))
    picture = (128 + 45 * rough).clip(0, 255).astype(np.uint8)
    return bytes(cv2.imencode(".jpg", picture)[1])


def test_thumbnails_tell_scenes_apart_whose_coarse_greys_are_one() -> None:
    """Sky over land: the signatures of all scenes are nearly the same, and the nearest frame in time
    shows another scene."""
    frames, _ = _pairs(87)
    frames["signature"] = frames["signature"].iloc[0]
    start = np.datetime64("2024-05-01T08:00:00")
    side = (frames["labels"].map(len) > 0).to_numpy()
    # First all scenes with the filter, a minute each, then all without.
    minute = np.arange(len(frames)) // 2 + np.where(side, 0, 8)
    frames["taken"] = [str(start + np.timedelta64(int(m), "m")) for m in minute]
    thumbs = [_thumb(np.random.default_rng(900 + k // 2)) for k in range(len(frames))]
    pictures = pd.DataFrame({"file_id": frames["file_id"], "thumb_jpeg": thumbs})
    (item,) = find_pairs(frames, small=SmallPictures(frames, pictures))
    pairs = item.pairs["Wren 24"]
    assert len(pairs) == 8
    assert all(p.labelled // 2 == p.control // 2 for p in pairs)


def test_a_burst_of_several_scenes_gives_a_pair_of_each() -> None:
    frames, _ = _pairs(88)
    frames["burst"] = 0
    start = np.datetime64("2024-05-01T08:00:00")
    frames["taken"] = [str(start + np.timedelta64(k, "s")) for k in range(len(frames))]
    (item,) = find_pairs(frames)
    assert len(item.pairs["Wren 24"]) == 8


def test_a_smaller_picture_of_the_whole_view_is_a_copy_and_no_crop() -> None:
    """A program wrote the pixel count anew and left the pitch alone: tags alone would say crop mode."""
    frames, _ = _pairs(89, missed=0.0)
    small = frames["labels"].map(len) > 0
    frames["labels"] = [[]] * len(frames)
    frames.loc[small, ["width_px", "height_px"]] = [4000, 2667]
    (entry,) = compare_labels(frames, [])
    assert entry["difference"] is None
    assert "the whole view, as after resizing" in entry["verdict"]
