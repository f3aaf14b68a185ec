"""What a comparison may not say: one focus, one development or one flash is no accessory's doing."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from drawn_pairs import Accessory, PairWorld, pair_archive

from auditor.crawl import relate
from auditor.infer.comparisons import compare_labels, pairs_to_shoot
from auditor.infer.comparisons.choose import magnification
from auditor.infer.comparisons.compare import _on_the_subject
from auditor.infer.lenses.converters import _factor
from auditor.infer.lenses.focal import FittedRange
from auditor.record import SIDES, ZONES


def _whole(entries: list[dict]) -> dict:
    return next(e for e in entries if e["what"] == "sharpness" and e["zone"] is None)


def _told(entry: dict) -> bool:
    return entry["low"] is not None and not entry["low"] <= 0 <= entry["high"]


def _archive(seed: int, label: str = "polariser", pairs: int = 6, blur_px: float = 0.0) -> tuple:
    world = PairWorld(pairs=pairs, missed=0.0)
    return pair_archive(Accessory(label, blur_px=blur_px), np.random.default_rng(seed), world)


# Scenes -------------------------------------------------------------------------------------------


def _of_scenes(scenes: int, factor: float, missed: tuple[int, ...] = ()) -> pd.DataFrame:
    """Six frames with a filter and six without of each scene, focused once a side; the filter leaves
    `factor` of the sharpness, the bare frames of scenes `missed` four tenths."""
    whole = []
    for scene in range(scenes):
        frames, _ = _archive(100 + scene)
        fitted = frames["labels"].map(len).gt(0).to_numpy()
        start = np.datetime64("2024-05-01T08:00:00") + np.timedelta64(scene, "h")
        for side in (False, True):
            rows = np.flatnonzero(fitted == side)
            times = start + np.timedelta64(180 * side, "s") + 20 * np.arange(6).astype("m8[s]")
            frames.loc[rows, "taken"] = times.astype(str)
        left = np.where(fitted, factor, 0.4 if scene in missed else 1.0)
        for zone in ZONES:
            frames[f"{zone}_mtf50_cpp"] *= left
        frames["signature"] = frames["signature"].iloc[0]
        frames["path"] = [f"{scene}/{i}.jpg" for i in range(len(frames))]
        whole.append(frames)
    out = pd.concat(whole, ignore_index=True)
    out["file_id"] = [f"id{i}" for i in range(len(out))]
    out["mtime_ns"], out["size_bytes"] = 0, 1
    return relate(out.drop(columns=["capture", "best", "burst", "outing"]))


@pytest.mark.parametrize("scenes", [1, 2])
def test_a_series_of_one_or_two_scenes_is_no_verdict_and_asks_for_other_scenes(scenes: int) -> None:
    """All six pairs of a scene share one missed focus; so would all six share a filter's blur."""
    for frames in (_of_scenes(scenes, 1.0, missed=(0,)), _of_scenes(scenes, 0.6)):
        entries = compare_labels(frames, [])
        for entry in (e for e in entries if e["what"] == "sharpness"):
            assert entry["verdict"].startswith("cannot tell")
            assert (entry["low"], entry["high"], entry["added_blur_px"]) == (None, None, None)
        assert _whole(entries)["scenes"] == scenes
        shot = next(s for s in pairs_to_shoot(entries) if "sharpness" in s["why"])
        assert shot["frames"] >= 2 * (8 - scenes)


def test_one_pair_is_no_verdict() -> None:
    for seed in range(5):
        frames, _ = _archive(seed, pairs=1, blur_px=0.6 * (seed % 2))
        whole = _whole(compare_labels(frames, []))
        assert not _told(whole)
        assert whole["verdict"].startswith("cannot tell from 1 pair of 1 scene;")


def test_a_series_of_one_scene_more_or_less_does_not_outweigh_the_others() -> None:
    """Of five scenes one was missed without the filter: six of thirty pairs, but one missed focus."""
    frames = _of_scenes(5, 1.0, missed=(2,))
    whole = _whole(compare_labels(frames, []))
    assert (whole["pairs"], whole["scenes"]) == (30, 5)
    assert not _told(whole)
    assert whole["sound_pairs"] == pytest.approx(24, abs=1.5)
    costs = _whole(compare_labels(_of_scenes(5, 0.85, missed=(2,)), []))
    assert costs["high"] < 0
    assert costs["difference"] == pytest.approx(-0.15, abs=0.04)


# Focus --------------------------------------------------------------------------------------------


def _landscapes(
    seed: int, outings: int, both: bool = False, cost: float = 0.0, **short: object
) -> pd.DataFrame:
    """Four frames of a scene, each seed's by a lens of its own; an outing a scene, or all scenes of one outing
    focused both ways. Scenes differ by 15% in how sharp their far parts are; focused short, these lose `cost`."""
    rng = np.random.default_rng(seed)
    rows = []
    for number in range(outings if both else 2 * outings):
        scene, signature = rng.normal(0, 0.15), rng.bytes(96).hex()
        for k in range(8 if both else 4):
            is_short = k < 4 if both else number < outings
            far = scene + (np.log(1 - cost) if is_short else 0.0)
            start = np.datetime64("2024-05-01T08:00:00")
            apart = np.timedelta64(40 * number + k, "m") if both else np.timedelta64(number, "D")
            row = {
                "status": "measured", "best": True, "source": "camera", "lens": f"Wren {seed}",
                "body": "Alder One", "focal_length_mm": 24.0, "f_number": 8.0, "orientation": 1,
                "pixel_pitch_um": 4.0, "width_px": 6000, "height_px": 4000,
                "focus_distance_m": 2.0 if is_short else 30.0 + number,
                "taken": str(start + apart), "outing": 100 * seed + (0 if both else number),
                "signature": signature,
            }  # fmt: skip
            for place in (*ZONES, *SIDES):
                shown = far if place == "top" else 0.0
                row[f"{place}_mtf50_cpp"] = 0.25 * np.exp(shown + rng.normal(0, 0.02))
            rows.append(row | (short if is_short else {}))
    frames = pd.DataFrame(rows)
    return frames.assign(path=[f"{seed}/{i}.jpg" for i in frames.index], labels=[[]] * len(frames))


def _far(*frames: pd.DataFrame) -> list[dict]:
    entries = compare_labels(pd.concat(frames, ignore_index=True), [])
    return [e for e in entries if e["what"] == "far sharpness"]


def test_landscapes_that_focus_does_not_part_are_not_told_apart() -> None:
    """A 90% interval may miss one in ten; frames of a scene taken as independent missed most."""
    found = _far(*(_landscapes(seed, 6) for seed in range(40)))
    assert len({e["lens"] for e in found}) == 40
    assert sum(map(_told, found)) <= 8
    (few,) = _far(_landscapes(0, 2))
    assert few["difference"] is None
    assert few["verdict"].startswith("cannot tell: from 2 and 2 outings")


def test_what_focus_costs_is_found_between_outings_and_within_scenes() -> None:
    found = _far(*(_landscapes(seed, 8, cost=0.3) for seed in range(10)))
    assert len(found) == 10
    assert sum(e["high"] < 0 for e in found) >= 8
    found = _far(*(_landscapes(seed, 6, both=True, cost=0.15) for seed in range(5)))
    assert len(found) == 5
    for entry in found:
        assert (entry["pairs"], entry["scenes"]) == (6, 6)
        assert entry["low"] <= -0.15 <= entry["high"] < 0


@pytest.mark.parametrize(
    "short", [{"source": "raw"}, {"pixel_pitch_um": 4.4}, {"focal_length_mm": 35.0},
              {"converter": "1.4x"}, {"lens_serial": "222"}],
)  # fmt: skip
def test_focus_is_not_told_from_files_lenses_or_focal_lengths_that_differ(short: dict) -> None:
    assert _far(_landscapes(1, 6, cost=0.3))
    assert not _far(_landscapes(1, 6, cost=0.3, **short))


# Converters ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "ratio", "factor"),
    [("2x", 2.0, 2.0), ("Reach E", 2.0, 2.0), ("wide converter", 0.7, 0.7), ("1.4x", 1.0, 1.4),
     ("Reach E", 1.0, None), ("Reach E", np.nan, None)],
)  # fmt: skip
def test_a_converter_s_factor_is_told_by_focal_lengths_or_name_or_not_at_all(
    name: str, ratio: float, factor: float | None
) -> None:
    found = magnification(f"converter {name}", np.array([ratio, ratio, np.nan]))
    assert found == (None if factor is None else pytest.approx(factor))
    centre = {
        "what": "sharpness", "zone": "centre", "pairs": 9, "difference": -0.25, "low": -0.3,
        "high": -0.2, "verdict": "softer",
    }  # fmt: skip
    told = _on_the_subject(found, [centre])  # type: ignore[list-item]
    assert len(told) == (factor is not None)
    if factor is not None:
        ends = [told[0][k] for k in ("difference", "low", "high")]  # type: ignore[literal-required]
        assert ends == pytest.approx([factor * v - 1 for v in (0.75, 0.7, 0.8)])
    if factor == 0.7:
        assert "less detail on the subject than the bare picture has" in told[0]["verdict"]


def _range(focal: float | None) -> FittedRange:
    ends = None if focal is None else (focal, focal)
    return FittedRange(np.arange(3), ends, None)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("name", "with_it", "bare", "factor"),
    [("Reach E", [400.0], [200.0], 2.0), ("Reach E", [400.0], [None], None),
     ("Reach E", [200.0], [200.0], None), ("wide", [140.0], [200.0], 0.7),
     ("Reach E", [34.0], [24.0, 70.0], None), ("Reach E", [98.0, 280.0], [70.0, 200.0], 1.4),
     ("2x", [400.0], [None], 2.0)],
)  # fmt: skip
def test_a_lens_s_converter_has_no_factor_of_unknown_focal_lengths(
    name: str, with_it: list, bare: list, factor: float | None
) -> None:
    found = _factor(name, [_range(f) for f in with_it], [_range(f) for f in bare])
    assert found == (None if factor is None else pytest.approx(factor))


# Files and flash ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("program", "single"), [("Field Focus Stack 3", "raw"), ("HDR Tool", "camera")]
)
def test_sharpening_of_a_stack_is_not_its_merit(program: str, single: str) -> None:
    frames, pictures = _archive(3)
    fitted = frames["labels"].map(len).gt(0)
    frames["labels"] = [[]] * len(frames)
    frames["software"] = np.where(fitted, program, "Alder 1.2")
    frames["source"] = np.where(fitted, "edited", single)
    frames.loc[fitted, [f"{z}_mtf50_cpp" for z in ZONES]] *= 1.45
    entries = compare_labels(frames, [], pictures=pictures)
    (entry,) = entries
    assert entry["difference"] is None
    assert "of different kinds" in entry["verdict"]
    assert "developed and saved alike" in entry["verdict"]
    assert pairs_to_shoot(entries) == []
    alike = compare_labels(frames.assign(source="edited"), [], pictures=pictures)
    assert _whole(alike)["pairs"] == 6


def test_a_flash_that_makes_up_for_a_filter_hides_its_light() -> None:
    frames, pictures = _archive(4, pairs=8)
    every = compare_labels(frames.assign(flash=True), [], pictures=pictures)
    light = next(e for e in every if e["what"] == "light")
    assert light["difference"] is None
    assert light["verdict"].startswith("cannot tell: a flash")
    assert any("light" in s["why"] for s in pairs_to_shoot(every))
    assert _whole(every)["pairs"] == 8
    some = compare_labels(frames.assign(flash=frames.index < 4), [], pictures=pictures)
    light = next(e for e in some if e["what"] == "light")
    assert light["pairs"] == 6
    assert [x["count"] for x in light["left_out"]] == [2]


def test_frames_of_which_one_was_lit_by_a_flash_are_no_pair() -> None:
    frames, _ = _archive(5)
    frames["flash"] = frames["labels"].map(len).gt(0)
    (entry,) = compare_labels(frames, [])
    assert entry["pairs"] == 0
    assert "a flash lit one of the two frames only" in entry["verdict"]
