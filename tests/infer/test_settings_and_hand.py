"""Settings to avoid and the hand's limit: what one outing, or what nobody photographed, may not tell."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from lens_worlds import sided

from auditor.infer.criteria import Criteria
from auditor.infer.keepers.evidence import allowed_by_settings
from auditor.infer.keepers.find import count_verdicts
from auditor.infer.keepers.settings import (
    _intraclass_correlation,
    handheld_limits,
    settings_to_avoid,
)
from auditor.infer.lenses.sides import judge_sides

APERTURES = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
LENS = {"lens": "L", "body": "B", "converter": None, "focal_ranges": [{"focal_mm": [35.0, 35.0]}]}
BETA = (0.8, 3.2)
"""Of the shares of faults of outings: a fifth in the mean, of which two frames of one outing agree by
1 / (a + b + 1) = 0.2 (the beta-binomial distribution, textbook)."""


def archive(seed: int, outings: int, each: int, worse: float = 0.0) -> pd.DataFrame:
    """Outings with shares of soft frames of their own and, four times in five, one aperture; at f/16 at
    least the share `worse` is soft."""
    rng = np.random.default_rng(seed)
    rows = []
    for outing in range(outings):
        share, usual = rng.beta(*BETA), rng.choice(APERTURES)
        for _ in range(each):
            f = usual if rng.random() < 0.8 else rng.choice(APERTURES)
            rows.append((outing, f, rng.random() < (max(share, worse) if f == 16.0 else share)))
    table = pd.DataFrame(rows, columns=["outing", "f_number", "soft"])
    return table.assign(iso=100.0, burst=np.arange(len(table)))


def verdicts(**columns: object) -> pd.DataFrame:
    return pd.DataFrame(
        {"judged": True, "soft": False, "setting": False, "noisy": False, "rule_stops": -3.0,
         "focal_range": 0, "lens_entry": 0} | columns
    )  # fmt: skip


def avoided(table: pd.DataFrame, **columns: object) -> list[str]:
    soft = table.get("soft", False)
    found = settings_to_avoid(table, verdicts(soft=soft, **columns), [LENS], Criteria())
    return [e["setting"] for e in found]


def test_one_rare_fault_is_chance_wherever_it_falls() -> None:
    """Of 406 frames one is soft, and one of eleven apertures has it: for that of six frames the chance is 6 in 406,
    more than the false discovery rate of 10% leaves to each of eleven tests."""
    others = np.resize([2.0, 2.8, 4.0, 5.6, 6.3, 7.1, 8.0, 9.0, 10.0, 11.0], 400)
    table = pd.DataFrame({"f_number": [*[16.0] * 6, *others], "soft": np.arange(406) == 0})
    table = table.assign(iso=100.0, outing=np.arange(406), burst=np.arange(406))
    assert avoided(table) == []
    assert avoided(table.assign(soft=np.arange(406) < 4)) == ["f/16"]


def test_agreement_is_that_of_the_beta_binomial() -> None:
    rng = np.random.default_rng(1)
    outing = np.repeat(np.arange(40), 25)
    seen = [
        _intraclass_correlation((rng.random(1000) < rng.beta(*BETA, 40)[outing]) - 0.2, outing)
        for _ in range(40)
    ]
    assert np.mean(seen) == pytest.approx(0.2, abs=0.03)
    alone = [_intraclass_correlation((rng.random(1000) < 0.2) - 0.2, outing) for _ in range(20)]
    assert np.mean(alone) < 0.01


@pytest.mark.parametrize(("outings", "each"), [(12, 40), (30, 12)])
def test_no_aperture_is_blamed_for_an_outing(outings: int, each: int) -> None:
    """One archive in ten may name one by chance; of 30 as many as 6 in 19 of 20 cases (binomial)."""
    assert sum(bool(avoided(archive(s, outings, each))) for s in range(30)) <= 6


def test_a_bad_aperture_is_found_among_bad_outings() -> None:
    named = [avoided(archive(s, 12, 40, worse=0.75)) for s in range(30)]
    assert sum("f/16" in n for n in named) >= 21
    assert sum(bool(set(n) - {"f/16"}) for n in named) <= 6


def test_one_outing_blames_no_setting() -> None:
    table = pd.DataFrame({"outing": [0] * 40 + [1] * 40, "f_number": [16.0] * 40 + [8.0] * 40})
    table = table.assign(soft=[True] * 40 + [False] * 40, burst=np.arange(80))
    assert avoided(table) == []


def test_an_iso_is_named_as_it_was_set() -> None:
    iso = np.repeat([100.0, 640.0], 60)
    table = pd.DataFrame({"f_number": 8.0, "iso": iso, "burst": np.arange(120)})
    assert avoided(table, noisy=np.arange(120) >= 80) == ["ISO 640"]
    several = table.assign(iso=np.where(np.arange(120) % 2 & (iso > 100), 800.0, iso))
    assert avoided(several, noisy=np.arange(120) >= 80) == ["ISO 640 to 800"]


@pytest.mark.parametrize("slope", [0.6, 0.8])
def test_no_hand_is_told_a_limit_at_times_that_it_never_used(slope: float) -> None:
    """One frame in ten is shaken at 1.5 stops slower than the rule; nothing slower than half a stop faster
    than it was photographed."""
    for seed in range(4):
        rng = np.random.default_rng(seed)
        stops = rng.uniform(-6, -0.5, 1500)
        shaken = rng.random(1500) < 1 / (1 + np.exp(np.log(9) - slope * (stops - 1.5)))
        cause = np.where(shaken, "shake", None)
        table = verdicts(rule_stops=stops, directions=4, cause=cause)
        frames = pd.DataFrame({"outing": np.arange(1500) // 20})
        (hand,) = handheld_limits(frames, table, [LENS], Criteria())
        assert shaken.sum() >= 4
        assert hand["limit_stops"] is None
        assert "limit" in hand["text"]


def test_neither_exports_nor_frames_that_nobody_judged_speak_for_the_hand() -> None:
    """Reduced, a movement is less than a pixel, and what was not judged may have moved as well."""
    at = np.arange(300)
    stops = np.random.default_rng(3).uniform(-4, 3, 300)
    table = verdicts(rule_stops=stops, directions=4, cause=None, judged=at < 200)
    for source, heard in (("camera", at < 200), ("resized", at < 0), (None, at % 2 == 0)):
        sources = np.where(at % 2, "resized", "camera") if source is None else source
        frames = pd.DataFrame({"outing": at // 10, "source": sources})
        hands = handheld_limits(frames, table, [LENS], Criteria())
        assert [h["frames"] for h in hands] == [int((heard & (at < 200)).sum())] * any(heard)


def test_frames_of_a_smaller_picture_size_are_not_held_against_the_curve() -> None:
    zone = {"mtf50_cpp": 0.3, "low": 0.29, "high": 0.31}
    part = {
        "focal_mm": [35.0, 35.0], "frames": 9, "sweet_spot": {"f_number": 8.0}, "acceptable": [4.0, 11.0],
        "pin_sharp": [5.6, 8.0], "failures": {"scatter": dict.fromkeys(("centre", "middle", "corner"), 0.1)},
        "apertures": [{"f_number": n, "centre": zone, "middle": zone, "corner": zone} for n in (5.6, 8.0)],
    }  # fmt: skip
    lens = LENS | {"pixel_pitch_um": 4.0, "focal_ranges": [part]}
    frames = pd.DataFrame({
        "lens": "L", "body": "B", "focal_length_mm": 35.0, "f_number": 8.0,
        "pixel_pitch_um": [4.0, 4.05, 8.0, np.nan], "source": "camera", "status": "measured",
    })  # fmt: skip
    allowed = allowed_by_settings(frames, [lens], [], Criteria())
    assert allowed.lens_entry.tolist() == [0, 0, -1, 0]
    assert np.isnan(allowed.log_mtf50[2]).all()


def test_noisy_frames_without_an_edge_are_counted_as_judged() -> None:
    at = np.arange(10)
    table = verdicts(judged=at < 2, noisy=at >= 5, cause="high ISO")
    assert count_verdicts(table)["judged"] == 7


def test_shaken_frames_of_a_fast_shutter_are_counted() -> None:
    """Two tenths of a stop are about the rule of thumb; nor do another fault and a frame without one count."""
    stops = np.array([-2.0, -0.3, -0.2, 0.0, 1.0, -3.0, -3.0])
    cause = ["shake"] * 5 + ["missed focus", "shake"]
    table = verdicts(soft=np.arange(7) < 6, cause=cause, rule_stops=stops)
    assert count_verdicts(table)["shaken_fast"] == 2


def test_sides_that_were_not_judged_are_not_said_to_be_alike() -> None:
    """Frames held level show left and right beside the scene; what is below is nearer in all of them."""
    n, rng = 60, np.random.default_rng(2)
    even, uneven = rng.normal(0, 0.02, n), rng.normal(0.3, 0.02, n)
    outing = np.arange(n) // 5
    level = sided(even, uneven, False, outing)
    both = sided(even, even, np.arange(n) % 2 == 0, outing)
    for sides, verdict in ((level, "left and right alike"), (both, "sides alike")):
        told = judge_sides(sides)
        assert told is not None
        assert told["verdict"] == verdict
