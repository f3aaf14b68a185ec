"""Intervals of curves are as wide as the archive shows its frames to be."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from simulated_frames import ArchiveSpec, LensSpec, simulate_frames

from auditor.infer import Criteria
from auditor.infer.lenses import infer_lenses
from auditor.record import ZONES

APERTURES = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
LENS = LensSpec(apertures=APERTURES)


def frames_of(seed: int = 5, **spec: float) -> pd.DataFrame:
    """Frames of one lens, drawn."""
    return simulate_frames(ArchiveSpec(lenses=[LENS], all_columns=False, **spec), seed)[0]


def half_widths(frames: pd.DataFrame) -> np.ndarray:
    """(apertures, zones) half widths of the 90% intervals, as shares."""
    part = infer_lenses(frames, Criteria())[0]["focal_ranges"][0]
    return np.array(
        [
            [(a[z]["high"] - a[z]["low"]) / 2 / a[z]["mtf50_cpp"] for z in ZONES]
            for a in part["apertures"]
        ]
    )


@pytest.fixture(scope="module")
def plain() -> pd.DataFrame:
    return frames_of()


def with_soft_objects(frames: pd.DataFrame, error: float) -> pd.DataFrame:
    """The same figures, stated with an error (ln) for objects that may be soft themselves."""
    new = {}
    for zone in ZONES:
        value, seen = frames[f"{zone}_mtf50_cpp"], frames[f"{zone}_stderr_cpp"]
        new[f"{zone}_seen_stderr_cpp"] = seen
        new[f"{zone}_stderr_cpp"] = np.hypot(seen, error * value)
    return frames.assign(**new)


def test_frames_that_differ_leave_a_wider_interval_than_frames_that_agree():
    agree, differ = (np.median(half_widths(frames_of(scatter=s))) for s in (0.01, 0.06))
    assert differ > 1.3 * agree


def test_soft_objects_widen_every_interval(plain):
    assert (half_widths(with_soft_objects(plain, 0.25)) > 1.3 * half_widths(plain)).all()


def test_an_error_that_every_figure_states_is_no_word_on_objects(plain):
    # `measure` gives no figure an error below 2%, whatever its objects.
    assert half_widths(with_soft_objects(plain, 0.02)) == pytest.approx(half_widths(plain))


def test_the_lens_is_looked_for_beyond_frames_that_all_lack_some_depth():
    """Blur discs of depth, whose squares fall as 1 / N^2 and of which not even the sharpest frame is
    free: the lens lies above what the frames show, and more of the interval does than below."""
    frames = frames_of(scatter=0.005, missed=0.0, shaken=0.0, scene=0.0, common=0.0)
    rng = np.random.default_rng(1)
    lacks = 1.0 + 3.0 * rng.gamma(2.0, 0.5, len(frames))
    for zone in ZONES:
        value = frames[f"{zone}_mtf50_cpp"]
        depth = lacks * (8.0 / frames["f_number"]) ** 2
        frames[f"{zone}_mtf50_cpp"] = 1 / np.sqrt(1 / value**2 + depth)
    part = infer_lenses(frames, Criteria())[0]["focal_ranges"][0]
    at = {a["f_number"]: a["centre"] for a in part["apertures"]}
    best_seen = frames[frames["f_number"] == 5.6]["centre_mtf50_cpp"].max()
    assert at[5.6]["high"] > best_seen
    assert at[5.6]["high"] / at[5.6]["mtf50_cpp"] > at[5.6]["mtf50_cpp"] / at[5.6]["low"]


def test_the_best_aperture_needs_no_centre_where_the_corner_is_known(plain):
    """No lens is sharper in its corners than on its axis (common practice, no source): an aperture at
    which no centre was measured may still be the best."""
    best = infer_lenses(plain, Criteria())[0]["focal_ranges"][0]["sweet_spot"]["f_number"]
    here = plain["f_number"] == best
    blind = plain.assign(centre_mtf50_cpp=plain["centre_mtf50_cpp"].where(~here))
    part = infer_lenses(blind, Criteria())[0]["focal_ranges"][0]
    assert {a["f_number"]: a["centre"] for a in part["apertures"]}[best] is None
    assert part["sweet_spot"]["f_number"] == best
