"""Decisions hold only what can be compared against each other, and name what they speak of."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from auditor.artificial.history import Wear, over_years
from auditor.artificial.measurements import ArchiveSpec, LensSpec, simulate_frames
from auditor.infer.criteria import Criteria
from auditor.infer.decisions.changes import find_changes
from auditor.record import TONE_SIGNALS, ZONES, tone_column

CRITERIA = Criteria()
FIGURES = [f"{place}_mtf50_cpp" for place in (*ZONES, "left", "right", "top", "bottom")]
NOISE = [f"{tone_column(signal)}_sigma" for signal in TONE_SIGNALS]


def years_of_frames(seed: int, wear: Wear | None = None) -> pd.DataFrame:
    """One lens over four years, noise and hot pixels included."""
    spec = ArchiveSpec((LensSpec(frames=14),), outings=24, missed=0.1, shaken=0.05)
    frames, _ = simulate_frames(spec, seed)
    rng = np.random.default_rng(seed)
    for name, signal in zip(NOISE, TONE_SIGNALS, strict=True):
        noise = signal / 30 * np.sqrt(frames["iso"] / 100)
        frames[name] = noise * np.exp(rng.normal(0, 0.05, len(frames)))
    frames["hot_pixels"] = rng.poisson(40, len(frames))
    return over_years(frames, 4, seed, wear)[0]


@pytest.mark.parametrize(
    ("size", "pitch_um", "sharper"),
    [
        # Reduced in the camera: the same blur is fewer pixels wide.
        ((4500, 3000), 4.0 * 6000 / 4500, 6000 / 4500),
        # Crop mode and a wider shape: other parts of the lens lie at the edges.
        ((3984, 2656), 4.0, 1.25),
        ((6000, 3376), 4.0, 1.1),
    ],
)
def test_another_size_of_picture_is_no_change_of_lens_or_body(size, pitch_um, sharper):
    for seed in range(2):
        frames = years_of_frames(seed)
        later = frames["taken"] > "2021"
        frames.loc[later, ["width_px", "height_px"]] = size
        frames.loc[later, "pixel_pitch_um"] = pitch_um
        frames.loc[later, FIGURES] *= sharper
        frames.loc[later, NOISE] /= sharper
        frames["hot_pixels"] = frames["hot_pixels"].where(~later, frames["hot_pixels"] // 2)
        assert 40 < later.sum() < len(frames) - 30
        assert find_changes(frames, [], CRITERIA) == []


def test_a_change_is_found_in_the_usual_size_beside_others():
    """A third of the frames are reduced, before and after; a few are rotated or a border wider."""
    frames = years_of_frames(3, Wear(factor=0.85, places=("left",)))
    rng = np.random.default_rng(3)
    small, upright, border = (rng.random(len(frames)) < s for s in (0.33, 0.2, 0.2))
    frames.loc[small, FIGURES] *= 1.5
    frames.loc[small, "pixel_pitch_um"] *= 1.5
    frames.loc[small, ["width_px", "height_px"]] = 4000, 2667
    frames.loc[border & ~small, ["width_px", "height_px"]] = 6024, 4020
    turned = frames.loc[upright, ["height_px", "width_px"]].to_numpy()
    frames.loc[upright, ["width_px", "height_px"]] = turned
    found = find_changes(frames, [], CRITERIA)
    assert [f["change"] for f in found] == [pytest.approx(-0.15, abs=0.06)]
    assert "left side" in found[0]["text"]
    assert found[0]["frames_before"] + found[0]["frames_after"] <= (~small).sum()
