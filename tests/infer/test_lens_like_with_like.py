"""What must not pass for a lens: parts cut out of frames, a scene's own sides, a day's own light."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from lens_worlds import sided
from simulated_frames import ArchiveSpec, Blur, LensSpec, simulate_frames

from auditor.infer import Criteria
from auditor.infer.decisions.common import picture_sizes
from auditor.infer.lenses import infer_lenses
from auditor.infer.lenses.grouping import lens_groups
from auditor.infer.lenses.sides import judge_sides

FULL = LensSpec("Tarn", frames=6, corner=Blur(0.6, 2.2, 1.2), middle=Blur(0.4, 0.8, 1.3))
CROPPED = LensSpec("Tarn", frames=6, corner=FULL.middle, middle=Blur(0.38, 0.7, 1.4))
"""Of two thirds of the width: its corner is the lens's middle."""


def table(spec: LensSpec, seed: int, first_outing: int, **columns: object) -> pd.DataFrame:
    frames, _ = simulate_frames(ArchiveSpec([spec], outings=6), seed)
    frames["outing"] += first_outing
    names = [f"{seed} {path}" for path in frames["path"]]
    return frames.assign(path=names, file_id=names, **columns)


def joined(*parts: pd.DataFrame) -> pd.DataFrame:
    frames = pd.concat(parts, ignore_index=True)
    return frames.assign(capture=np.arange(len(frames)), burst=np.arange(len(frames)))


@pytest.mark.parametrize(("cropped", "kept"), [(0.444, 42), (0.844, 84), (None, 42)])
def test_cropped_frames_are_not_in_the_curve_of_whole_ones(
    cropped: float | None, kept: int
) -> None:
    """16:9 out of 3:2 shows 0.844 of the sensor and its corners nearly; what is left of the rest shows the middle."""
    whole = table(FULL, 1, 0, file_kind="camera full size", sensor_share=1.0)
    part = table(CROPPED, 2, 100, file_kind="cropped", sensor_share=cropped)
    (group,) = lens_groups(joined(whole, part))
    assert len(group.rows) == kept
    (alone,) = lens_groups(joined(part))
    assert len(alone.rows) == len(part)


def test_a_curve_is_that_of_the_whole_frames() -> None:
    whole = table(FULL, 1, 0, file_kind="camera full size", sensor_share=1.0)
    part = table(CROPPED, 2, 100, file_kind="cropped", sensor_share=0.444)
    alone, among = (
        infer_lenses(joined(*frames), Criteria())[0]["focal_ranges"][0]
        for frames in ((whole,), (whole, part))
    )
    assert among["sweet_spot"] == alone["sweet_spot"]
    for a, b in zip(alone["apertures"], among["apertures"], strict=True):
        assert a["corner"]["mtf50_cpp"] == pytest.approx(b["corner"]["mtf50_cpp"], rel=0.01)


def test_pictures_are_as_large_as_the_whole_ones() -> None:
    """Losses are told of prints of the pictures that the curve is drawn from."""
    whole = table(FULL, 1, 0, file_kind="camera full size", sensor_share=1.0)
    part = table(CROPPED, 2, 100, file_kind="cropped", sensor_share=0.444)
    part = pd.concat([part, part]).assign(width_px=4000, height_px=2667)
    frames = joined(whole.assign(width_px=6000, height_px=4000), part)
    sizes = picture_sizes(frames, infer_lenses(frames, Criteria()))
    assert list(sizes.values()) == [(6000, 4000)]


@pytest.mark.parametrize(("outings", "source"), [(1, "camera"), (6, "raw")])
def test_one_afternoon_of_raw_files_leaves_out_no_years_of_jpegs(outings: int, source: str) -> None:
    jpegs = table(FULL, 1, 0, source="camera")
    raws = table(LensSpec("Tarn", frames=4), 2, 100, source="raw")
    raws["outing"] = 100 + np.arange(len(raws)) % outings
    (group,) = lens_groups(joined(jpegs, jpegs.assign(path=jpegs["path"] + "b"), raws))
    assert group.source == source


@pytest.mark.parametrize("outings", [1, 2, 3, 5])
def test_sides_of_few_scenes_make_no_decentred_lens(outings: int) -> None:
    """Scenes whose sides differ by 0.2 (sd of the ln ratio), a sound lens: by Student's t at most one in twenty is
    accused, of 100 as many as 10 in 99 of 100 cases (binomial)."""
    accused = 0
    for seed in range(100):
        rng = np.random.default_rng(seed)
        outing = np.repeat(np.arange(outings), 30 // outings)
        across = rng.normal(0, 0.2, outings)[outing] + rng.normal(0, 0.05, len(outing))
        found = judge_sides(sided(across, np.nan, False, outing))
        assert found is not None
        accused += (found["verdict"] or "").startswith("probably")
    assert accused <= (10 if outings > 2 else 0)


def test_four_sides_are_four_chances_of_looking_softer() -> None:
    """Of sound lenses, judged by both pairs of sides, one in twenty is accused: of 300 as many as 25 in 99 of 100
    cases (binomial)."""
    accused = 0
    for seed in range(300):
        rng = np.random.default_rng(seed)
        outing = np.repeat(np.arange(6), 8)
        across, down = rng.normal(0, 0.3, (2, 6))[:, outing] + rng.normal(0, 0.3, (2, len(outing)))
        found = judge_sides(sided(across, down, np.arange(len(outing)) % 2 == 0, outing))
        assert found is not None
        accused += (found["verdict"] or "").startswith("probably")
    assert accused <= 25


@pytest.mark.parametrize("upright", [0, 7, 8])
def test_sides_of_few_outings_take_nothing_from_what_others_settled(upright: int) -> None:
    """200 level frames of ten outings settle left and right, whatever a few upright ones of two say."""
    rng = np.random.default_rng(1)
    even = rng.normal(0, 0.02, 200 + upright)
    held = np.arange(200 + upright) >= 200
    outing = np.append(np.arange(200) // 20, 10 + np.arange(upright) % 2)
    found = judge_sides(sided(even, even, held, outing))
    assert found is not None
    assert found["verdict"] == "left and right alike"
    assert found["frames"] == 200


def test_an_outing_of_one_frame_spoils_no_verdict() -> None:
    """20,000 frames of three outings and one frame of a fourth, of a plainly decentred lens."""
    outing = np.append(np.arange(20_000) % 3, 3)
    across = np.random.default_rng(1).normal(0.3, 0.05, len(outing))
    found = judge_sides(sided(across, np.nan, False, outing))
    assert found is not None
    assert "right side is softer" in (found["verdict"] or "")


@pytest.mark.parametrize(("apart", "named"), [(True, False), (False, True)])
def test_apertures_of_two_outings_that_share_none_name_no_best_one(
    apart: bool, named: bool
) -> None:
    lens = LensSpec("Tarn", apertures=(4.0, 5.6, 8.0, 11.0, 16.0), frames=12)
    frames, _ = simulate_frames(ArchiveSpec([lens], outings=2, outing=0.0), 3)
    wide = (frames["f_number"] < 8.0).to_numpy()
    frames["outing"] = np.where(wide, 0, 1) if apart else np.arange(len(frames)) % 2
    # One day's air takes a fifth off the wide apertures: f/5.6 might be as good as f/8, or better.
    for zone in ("centre", "middle", "corner"):
        frames[f"{zone}_mtf50_cpp"] *= np.where(wide & apart, 1.25, 1.0)
    (part,) = infer_lenses(frames, Criteria())[0]["focal_ranges"]
    assert (part["sweet_spot"] is not None) == named
    if not named:
        assert any("on one outing" in reason for reason in part["reasons"])
