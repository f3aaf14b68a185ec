"""Curves, sweet spots, ranges and intervals on simulated archives with known lenses.

12 frames per aperture, 30% out of focus, 15% shaken; limits are those that the tool promises.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from lens_worlds import (
    Outcome,
    add,
    audit,
    lenses_of,
    random_lens,
    true_ends,
    with_shared_error,
)
from simulated_frames import ArchiveSpec, Blur, LensSpec, simulate_frames

from auditor.exposure import nominal_f_number
from auditor.infer import Criteria
from auditor.infer.lenses import infer_lenses
from auditor.record import ZONES


@pytest.fixture(scope="module")
def ordinary() -> Outcome:
    return audit(32, 71_000)


def test_curves_are_within_3_percent_in_the_median_and_10_at_the_95th_percentile(ordinary):
    error = np.abs(np.expm1(ordinary.error))
    assert np.median(error) <= 0.03
    assert np.quantile(error, 0.95) <= 0.10


@pytest.mark.xfail(
    reason="measured 1.2 to 2.0 percent too sharp: the frontier leans on the sharper of noisy frames",
    strict=False,
)
def test_curves_are_not_biased_by_more_than_1_percent(ordinary):
    assert abs(np.mean(ordinary.error)) < 0.01


def test_sweet_spots_lie_within_3_percent_of_the_best_aperture(ordinary):
    assert np.mean(ordinary.sweet_right) >= 0.95


def test_range_ends_are_off_by_a_third_of_a_stop_in_the_median_and_never_by_more_than_two(ordinary):
    assert np.median(ordinary.end_thirds) <= 1.0
    assert max(ordinary.end_thirds) <= 2.0


@pytest.mark.parametrize(
    "spec",
    [
        pytest.param({}, id="six outings"),
        pytest.param({"outings": 1}, id="one outing", marks=pytest.mark.long),
        pytest.param({"outings": 25}, id="many outings", marks=pytest.mark.long),
        pytest.param(
            {"scene_apertures": 4, "outings": 8},
            id="scenes at several apertures",
            marks=pytest.mark.long,
        ),
    ],
)
def test_intervals_hold_the_truth(spec):
    # 16 archives of some 23 cells, alike within an archive: known to about 3 points.
    held = np.mean(audit(16, 74_000, shared=True, **spec).held)
    assert 0.83 <= held <= 0.97


@pytest.mark.long
def test_intervals_hold_the_truth_in_85_to_97_percent_of_120_archives():
    outcome = audit(120, 80_000, shared=True)
    assert 0.85 <= np.mean(outcome.held) <= 0.97


def test_intervals_of_a_handful_of_frames_hold_the_truth_as_all_may_have_failed():
    """Three frames at each of two apertures, of which 45% failed; as if the sharpest of so few were
    the lens's own, four in five would hold."""
    lenses, truths, archives = [], [], []
    for seed in range(330_000, 330_060):
        rng = np.random.default_rng(seed)
        lens = random_lens(rng)
        used = np.sort(rng.choice(lens.apertures, 2, replace=False))
        lens = replace(lens, apertures=tuple(used.tolist()), frames=3)
        spec = ArchiveSpec(lenses=[lens], all_columns=False, outings=2)
        frames, truth = simulate_frames(spec, seed)
        lenses.append(lens)
        truths.append({zone: truth.curves[0, zone] for zone in ZONES})
        archives.append(with_shared_error(frames, np.random.default_rng([seed, 1])))
    outcome = Outcome()
    for lens, truth, (found,) in zip(lenses, truths, lenses_of(archives), strict=True):
        add(outcome, lens, found["focal_ranges"][0], truth)
    held = outcome.held
    assert len(held) >= 200
    assert 0.84 <= np.mean(held) <= 0.97


@pytest.mark.long
@pytest.mark.xfail(
    reason="coverage holds (93 to 94 percent); that frames are soft is told in 2 of 12 archives",
    run=False,
)
@pytest.mark.parametrize(
    ("scatter", "softness", "enough"),
    [(0.03, 0.0, 0.83), (0.08, 0.0, 0.83), (0.08, 5.0, 0.7)],
)
def test_where_scenes_are_soft_themselves_intervals_are_wider_and_say_so(scatter, softness, enough):
    """Photographs as scenes scatter by 0.06 to 0.12 and are soft themselves, by some px^2 constant
    in 1 / MTF50^2. What they have in common nothing tells; that they differ can be seen. Intervals
    that only count frames would hold 45% of the truths in the last case."""
    held, told = [], []
    for seed in range(61_000, 61_012):
        rng = np.random.default_rng(seed)
        spec = ArchiveSpec(lenses=[random_lens(rng)], all_columns=False, scatter=scatter)
        frames, truth = simulate_frames(spec, seed)
        soft = softness * rng.exponential(1.0, len(frames))
        for zone in ZONES:
            value = frames[f"{zone}_mtf50_cpp"].to_numpy()
            frames[f"{zone}_mtf50_cpp"] = 1 / np.sqrt(1 / value**2 + soft)
        part = infer_lenses(frames, Criteria())[0]["focal_ranges"][0]
        for zone in ZONES:
            for entry, true in zip(part["apertures"], truth.curves[0, zone], strict=True):
                if entry[zone] is not None:
                    held.append(entry[zone]["low"] <= true <= entry[zone]["high"])
        told.append(any("softer than the curve" in r for r in part["reasons"]))
    assert np.mean(held) >= enough
    assert np.mean(told) >= 0.6 if softness else np.mean(told) <= 0.1


def _last_acceptable(values: np.ndarray, apertures: np.ndarray, share: float = 0.6) -> float:
    """Largest f-number at which a curve given at apertures keeps a share, interpolated in stops."""
    grid = np.linspace(np.log2(apertures[0]), np.log2(apertures[-1]), 400)
    curve = np.interp(grid, np.log2(apertures), values)
    return float(2 ** grid[np.flatnonzero(curve >= share * curve.max())[-1]])


def test_small_apertures_shot_at_dusk_move_the_naive_curve_but_not_ours():
    """Shake goes with slow shutters, slow shutters with small apertures."""
    lens = LensSpec(apertures=(4.0, 5.6, 8.0, 11.0, 16.0, 22.0))
    used = np.array(lens.apertures)
    true = np.minimum(lens.true_mtf50("centre", used), lens.true_mtf50("corner", used))
    honest = _last_acceptable(true, used)
    ours, naive = [], []
    spec = ArchiveSpec(lenses=[lens], confounded=True, all_columns=False)
    for (found,) in lenses_of([simulate_frames(spec, seed)[0] for seed in range(20)]):
        entries = found["focal_ranges"][0]["apertures"]
        usual = np.array([min(a["usual_centre_cpp"], a["usual_corner_cpp"]) for a in entries])
        # Where dusk left no sharp frame there is no point: the same apertures of the true curve.
        told = np.array([bool(a["centre"] and a["corner"]) for a in entries])
        curve = np.array(
            [
                min(a[z]["mtf50_cpp"] for z in ("centre", "corner"))
                for a in entries
                if a["centre"] and a["corner"]
            ]
        )
        naive.append(2 * np.log2(_last_acceptable(usual, used) / honest))
        there = _last_acceptable(true[told], used[told])
        ours.append(2 * np.log2(_last_acceptable(curve, used[told]) / there))
    assert np.median(naive) < -2 / 3
    assert np.median(np.abs(ours)) <= 1 / 3
    assert np.mean(np.abs(ours) <= 1 / 3) >= 0.9


def _ends_at_dusk(seeds: range, dusk: tuple[float, float]) -> np.ndarray:
    """Thirds by which the small ends of both ranges lie off the truth, lenses drawn at random."""
    lenses = [replace(random_lens(np.random.default_rng(s)), focal_mm=(50.0,)) for s in seeds]
    archives = []
    for seed, lens in zip(seeds, lenses, strict=True):
        spec = ArchiveSpec(lenses=[lens], confounded=True, dusk_ev100=dusk, all_columns=False)
        archives.append(simulate_frames(spec, seed + 9_000)[0])
    off = []
    for lens, (found,) in zip(lenses, lenses_of(archives), strict=True):
        part = found["focal_ranges"][0]
        if part["pin_sharp"] is None:  # too few sharp frames at the best aperture, and it is said
            assert any("best aperture: not yet" in r for r in part["reasons"])
            continue
        for name, share in (("pin_sharp", 0.75), ("acceptable", 0.60)):
            # Where dusk left no sharp corner, the weaker of the zones, there is no evidence, and no range reaches.
            told = [a["f_number"] for a in part["apertures"] if a["corner"]]
            true = min(nominal_f_number(true_ends(lens, share)[1]), max(told))
            off.append(round(6 * np.log2(part[name][1] / true)))
    return np.array(off)


def test_whatever_the_lens_dusk_moves_hardly_an_end():
    """Among many shaken frames the least shaken pass for sound ones of a softer lens."""
    off = _ends_at_dusk(range(40_000, 40_012), (4.0, 6.5))
    assert len(off) >= 2 * 9  # of 12 archives
    assert np.median(np.abs(off)) == 0


@pytest.mark.long
def test_dusk_moves_no_end_by_more_than_a_third_of_a_stop_in_60_archives():
    off = np.concatenate(
        [
            _ends_at_dusk(range(first, first + 20), (low, low + 2.5))
            for first, low in ((50_000, 6.0), (51_000, 4.0), (52_000, 2.0))
        ]
    )
    assert np.mean(np.abs(off) <= 1) >= 0.995
    assert np.abs(off).max() <= 2


def test_facts_of_the_trade_for_a_very_good_zoom():
    """Common practice, no source: at 3.8 um a very good zoom has its sweet spot around f/8 to f/10,
    is pin-sharp up to f/14 or f/16, acceptable up to f/18 or f/20, and f/22 is not."""
    blur = Blur(floor=0.42, wide=1.1, power=1.7)  # 0.5 px at f/9, widest f/4
    lens = LensSpec(
        pitch_um=3.8,
        apertures=(4.0, 5.0, 5.6, 6.3, 7.1, 8.0, 9.0, 10.0, 11.0, 13.0, 14.0, 16.0, 18.0, 20.0, 22.0),
        centre=blur, middle=blur, corner=blur,
    )  # fmt: skip
    assert blur.at(np.array([9.0]), 4.0)[0] == pytest.approx(0.5, abs=0.02)
    spec = ArchiveSpec(lenses=[lens], all_columns=False)
    part = infer_lenses(simulate_frames(spec, 12)[0], Criteria())[0]["focal_ranges"][0]
    third = 1.13  # a third of a stop and the rounding of engraved numbers
    assert 8 / third <= part["sweet_spot"]["f_number"] <= 10 * third
    assert 14 / third <= part["pin_sharp"][1] <= 16 * third
    assert 18 / third <= part["acceptable"][1] <= 20 * third
    assert part["acceptable"][1] < 22


@pytest.mark.parametrize("first", [8.0, 9.0])
def test_an_ideal_lens_of_half_a_pixel_comes_out_within_a_third_of_a_very_good_zoom(first):
    """The same facts (common practice, no source) for 0.5 px of blur at every aperture from the
    sweet spot on, at 3.8 um."""
    blur = Blur(floor=0.5, wide=0.0, power=1.0)
    used = (8.0, 9.0, 10.0, 11.0, 13.0, 14.0, 16.0, 18.0, 20.0, 22.0)
    lens = LensSpec(
        pitch_um=3.8, apertures=tuple(n for n in used if n >= first),
        centre=blur, middle=blur, corner=blur,
    )  # fmt: skip
    part = infer_lenses(
        simulate_frames(ArchiveSpec(lenses=[lens], all_columns=False), 21)[0], Criteria()
    )[0]["focal_ranges"][0]
    third = 1.13
    assert 8 / third <= part["sweet_spot"]["f_number"] <= 10 * third
    assert 14 / third <= part["pin_sharp"][1] <= 16 * third
    assert 18 / third <= part["acceptable"][1] <= 20 * third
    assert part["acceptable"][1] < 22
