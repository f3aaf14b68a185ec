"""The lenses of a profile against archives with known truth."""

from __future__ import annotations

import json
import re
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from lens_worlds import lenses_of, random_lens
from simulated_frames import ArchiveSpec, LensSpec, simulate_frames

from auditor.infer import Criteria, build_profile
from auditor.infer.lenses import infer_lenses
from auditor.infer.lenses.evidence import missing_evidence
from auditor.infer.lenses.ranges import sharpest_aperture

LENS_KEYS = {"lens", "body", "converter", "pixel_pitch_um", "frames", "focal_ranges"}
RANGE_KEYS = {
    *("focal_mm", "frames", "apertures", "sweet_spot", "pin_sharp", "acceptable"),
    *("evidence", "reasons"),
}


@pytest.fixture(scope="module")
def usual() -> tuple[pd.DataFrame, dict]:
    frames, _ = simulate_frames(ArchiveSpec(), seed=5)
    return frames, build_profile(frames, Criteria())


def test_profile_has_every_key_of_the_contract_and_is_json(usual):
    _, profile = usual
    json.dumps(profile, allow_nan=False)
    assert set(profile) >= {
        *("frames", "criteria", "lenses", "bodies", "iso_matches", "keepers", "comparisons"),
        *("settings", "next_shots"),
    }
    lens = profile["lenses"][0]
    assert set(lens) >= LENS_KEYS
    part = lens["focal_ranges"][0]
    assert set(part) >= RANGE_KEYS
    assert set(part["apertures"][0]) >= {"f_number", "frames", "centre", "middle", "corner"}
    assert set(part["apertures"][0]["corner"]) >= {"mtf50_cpp", "low", "high", "frames"}


def test_the_curve_follows_the_lens_and_not_the_failed_frames(usual):
    _, profile = usual
    lens = LensSpec()
    part = profile["lenses"][0]["focal_ranges"][0]
    for zone in ("centre", "corner"):
        found = np.array([a[zone]["mtf50_cpp"] for a in part["apertures"]])
        true = lens.true_mtf50(zone, np.array(lens.apertures))
        assert np.abs(found / true - 1).max() < 0.06
        usual_values = np.array([a[f"usual_{zone}_cpp"] for a in part["apertures"]])
        naive, ours = np.abs(usual_values / true - 1), np.abs(found / true - 1)
        assert ours.mean() < naive.mean() / 2


def _changed(**columns: object) -> pd.DataFrame:
    frames, _ = simulate_frames(ArchiveSpec(all_columns=False), seed=3)
    return frames.assign(**columns)


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(lambda f: f.iloc[:0], id="no frame"),
        pytest.param(lambda f: f.iloc[:1], id="one frame"),
        pytest.param(lambda f: f.query("f_number == 8"), id="one aperture"),
        pytest.param(lambda f: f.assign(corner_mtf50_cpp=np.nan), id="no corner"),
        pytest.param(
            lambda f: f.assign(
                centre_mtf50_cpp=np.nan, middle_mtf50_cpp=None, corner_mtf50_cpp=-3.0
            ),
            id="nothing measured",
        ),
        pytest.param(lambda f: f.assign(f_number=0.0), id="aperture unknown"),
        pytest.param(lambda f: f.assign(focal_length_mm=None), id="focal length unknown"),
        pytest.param(lambda f: f.assign(lens=None, body=None), id="names unknown"),
        pytest.param(lambda f: f.assign(pixel_pitch_um=np.nan), id="pitch unknown"),
        pytest.param(
            lambda f: f.assign(exposure_time_s=0.0, outing=None), id="time and outing unknown"
        ),
        pytest.param(lambda f: f.assign(f_number="eight"), id="text for a number"),
        pytest.param(lambda f: f.drop(columns=["burst", "signature"]), id="lost columns"),
    ],
)
def test_every_archive_gives_an_honest_profile(change):
    profile = build_profile(change(_changed()), Criteria())
    json.dumps(profile, allow_nan=False)
    for lens in profile["lenses"]:
        for part in lens["focal_ranges"]:
            if part["sweet_spot"] is None:
                assert part["reasons"]
                assert part["evidence"] == "thin"


def test_frames_that_nobody_related_are_refused():
    """Each would count as an outing of its own, and intervals would be far too narrow."""
    with pytest.raises(ValueError, match="not related"):
        build_profile(_changed().drop(columns="outing"), Criteria())


def test_resized_and_other_kinds_of_file_never_enter_the_curve():
    frames = _changed()
    # Of scenes of their own: what another file of a scene shows speaks when a frame is judged.
    worse = frames.assign(
        source="edited", **{n: frames[n] + 1000 for n in ("outing", "burst", "capture")},
        **{f"{z}_mtf50_cpp": 0.05 for z in ("centre", "middle", "corner")},
    )  # fmt: skip
    small = worse.assign(source="resized")
    alone = build_profile(frames, Criteria())["lenses"][0]
    mixed = build_profile(pd.concat([frames, worse, small]), Criteria())["lenses"][0]
    assert mixed["source"] == "camera"
    assert mixed["frames_by_source"] == {"camera": 84, "edited": 84}
    assert mixed["focal_ranges"][0]["apertures"] == alone["focal_ranges"][0]["apertures"]


def test_a_fall_towards_small_apertures_is_told_where_the_archive_tells_the_two_apart(usual):
    """Optics let every curve fall there: what the archive shows of it is a figure of frames."""
    frames, _ = usual
    whole = infer_lenses(frames, Criteria())[0]["focal_ranges"][0]
    told = whole["diffraction"]
    first, last = (
        next(a for a in whole["apertures"] if f"f/{a['f_number']:g}" == name)
        for name in re.search(r"less at (f/\S+) than at (f/\S+)", told["text"]).groups()[::-1]
    )
    zone = min(("centre", "corner"), key=lambda z: first[z]["mtf50_cpp"])
    assert last[zone]["high"] < first[zone]["low"]
    lost = 1 - last[zone]["mtf50_cpp"] / first[zone]["mtf50_cpp"]
    assert told["loss_at_smallest"] == pytest.approx(lost, abs=0.005)
    assert told["ruling_low"] <= told["ruling_from_f_number"] <= told["ruling_high"]
    near = frames[frames["f_number"].isin([8.0, 11.0])]
    near = near.groupby("f_number").head(4)
    alike = infer_lenses(near, Criteria())[0]["focal_ranges"][0]["diffraction"]
    assert alike["loss_at_smallest"] is None
    assert "less at" not in alike["text"]


def test_of_few_frames_nothing_is_said_that_only_the_prior_says(usual):
    """A lone frame shows no blur of its lens: what the prior supposes is not told as the lens's own."""
    frames, _ = usual
    lone = infer_lenses(frames.iloc[:1], Criteria())[0]["focal_ranges"][0]
    assert lone["diffraction"]["ruling_from_f_number"] is None
    assert lone["diffraction"]["loss_at_smallest"] is None
    assert "lens's own" not in lone["diffraction"]["text"]
    assert lone["reasons"][0] == "1 frame, too few to judge a lens by"
    assert not any("no evidence here" in r for r in lone["reasons"])
    whole = infer_lenses(frames, Criteria())[0]["focal_ranges"][0]
    assert whole["diffraction"]["ruling_from_f_number"] is not None


def test_the_fall_to_small_apertures_is_told_between_apertures_with_evidence(usual):
    frames, _ = usual
    weak = frames[frames["f_number"] < 15].copy()
    smallest = weak["f_number"] == weak["f_number"].max()
    for zone in ("centre", "middle", "corner"):
        weak.loc[smallest, f"{zone}_mtf50_cpp"] = 0.03  # every frame there missed
    part = infer_lenses(weak, Criteria())[0]["focal_ranges"][0]
    last = part["apertures"][-1]
    assert last["corner"] is None
    assert f"at f/{last['f_number']:g} than" not in part["diffraction"]["text"]


def test_no_range_holds_an_aperture_whose_own_figure_misses_the_criterion():
    """Thirds of a stop round, but not over an aperture that was used and measured."""
    touched, archives = 0, []
    for seed in range(9_300, 9_308):
        lens = random_lens(np.random.default_rng(seed))
        archives.append(simulate_frames(ArchiveSpec(lenses=[lens], all_columns=False), seed)[0])
    for (found,) in lenses_of(archives):
        part = found["focal_ranges"][0]
        weaker = {
            a["f_number"]: min(a["centre"]["mtf50_cpp"], a["corner"]["mtf50_cpp"])
            for a in part["apertures"]
        }
        for name, share in (("pin_sharp", 0.75), ("acceptable", 0.60)):
            low, high = part[name]
            inside = [cpp for n, cpp in weaker.items() if low <= n <= high]
            assert min(inside) >= 0.98 * share * max(weaker.values())
            touched += low in weaker or high in weaker
    assert touched >= 4


@pytest.mark.parametrize(
    ("wide_open", "corners", "best"),
    [
        pytest.param(1.01, (0.30, 0.36), 4.0, id="the curve leaves both open: what a frame shows"),
        pytest.param(1.01, (0.37, 0.36), 2.8, id="frames show the widest too"),
        pytest.param(1.30, (0.30, 0.36), 2.8, id="the curve leaves none open"),
    ],
)
def test_where_the_curve_leaves_apertures_open_single_frames_decide(wide_open, corners, best):
    """A curve joins the centre of one frame and the corner of another: a curved field shows both in none. Where
    frames are too few to name that aperture, it is the one of which more are asked for."""
    f_numbers = np.array([2.8, 4.0, 5.6])
    draws = 0.38 * np.exp(np.random.default_rng(4).normal(0, 0.03, (400, 3, 3)))
    draws[..., 0] *= wide_open
    draws[..., 2] *= 0.8
    figures = np.array([[wide_open, 1, 0.8]] * 3) * 0.38
    frames = np.log([[0.4, 0.4, corners[0]], [0.4, 0.4, corners[1]], [0.3, 0.3, 0.3]])
    data = SimpleNamespace(
        f_numbers=f_numbers, log_mtf50=frames, stderr=np.full((3, 3), 0.02),
        object_error=np.full((3, 3), np.nan), aperture=np.arange(3), outing=np.arange(3),
    )  # fmt: skip
    fit, supported = SimpleNamespace(data=data, inlier=np.ones(3)), np.ones(3, bool)
    curve = SimpleNamespace(curve=np.log(draws), figures=(figures, figures, figures), fit=fit)
    assert f_numbers[sharpest_aperture(curve, 2, supported)] == best
    assert f"1 more sharp frame at f/{best:g}" in missing_evidence(curve, 2, supported)[0]
