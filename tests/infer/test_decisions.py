"""Decisions on tables with known truth."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import scipy
from faulty_gear import FocusHabit, Wear, over_years, with_depth
from simulated_frames import ArchiveSpec, LensSpec, simulate_frames

from auditor.infer import decisions
from auditor.infer.criteria import Criteria
from auditor.infer.decisions import decide, decision_shots, scan
from auditor.infer.decisions.changes import _Test, _what, find_changes
from auditor.infer.decisions.focus_bias import _sign_flip_p, find_focus_bias
from auditor.infer.decisions.rivals import lens_rivals
from auditor.infer.decisions.scan import Change, Series, estimate_change, most_likely_change
from auditor.infer.decisions.sensor_dust import find_dust
from auditor.infer.decisions.visible import (
    OPEN,
    Figures,
    Files,
    odds,
    probability_visible,
    quality_difference,
    verdict,
    visible_losses,
)
from auditor.infer.faults import Faults
from auditor.model import Decisions
from auditor.record import DUST_GRID, Dust, pack_dust
from auditor.viewing import Viewing

CRITERIA = Criteria()
SIZES = {(f"Body {b}", f"Lens {n}"): (6000, 4000) for b in "AB" for n in "AB"}


def figure(mtf50: float, half: float = 0.02, frames: int = 20) -> dict:
    return {
        "mtf50_cpp": mtf50,
        "low": mtf50 * (1 - half),
        "high": mtf50 * (1 + half),
        "frames": frames,
        "frames_error": half / 2,
        "lacking": half / 2,
    }


def lens_block(name: str = "Lens A", factor: float = 1.0, half: float = 0.02, **more) -> dict:
    """A lens at f/8 and f/16; `factor` on both."""
    rows = [
        {"f_number": n, "frames": 20, "centre": figure(factor * c, half), "middle": None,
         "corner": figure(factor * e, half)}
        for n, c, e in ((8.0, 0.30, 0.26), (16.0, 0.19, 0.18))
    ]  # fmt: skip
    part = {
        "focal_mm": [35.0, 35.0], "frames": 40, "outings": 16, "apertures": rows, "evidence": "strong",
        "sweet_spot": {"f_number": 8.0, "low": 8.0, "high": 8.0},
    }  # fmt: skip
    return {
        "lens": name, "body": "Body A", "converter": None, "lens_serial": None, "source": "camera",
        "pixel_pitch_um": 4.0, "focal_ranges": [part],
    } | more  # fmt: skip


def series(step: float, seed: int, n: int = 80, outings: int = 24, failed: float = 0.4) -> Series:
    """Sound frames scatter by 4%, failed ones lie lower by a half on average."""
    rng = np.random.default_rng(seed)
    outing = np.sort(rng.integers(0, outings, n))
    value = rng.normal(0, 0.04, n) + step * (outing >= outings // 2)
    value -= (rng.random(n) < failed) * rng.exponential(0.5, n)
    return Series(outing * 30.0 + rng.random(n), value, outing, (), True)


@pytest.mark.parametrize("step", [-0.105, -0.5])
def test_a_step_of_ten_or_forty_percent_is_found_at_its_date(step, monkeypatch):
    monkeypatch.setattr(scan, "DRAWS", 40)  # of intervals, which nobody looks at here
    found = [most_likely_change(series(step, s)) for s in range(10)]
    sure = [c for c in found if c is not None and c.p < 0.01]
    assert len(sure) >= 9
    sure = [estimate_change(c, CRITERIA.interval) for c in sure]
    assert np.median([abs(c.day - 360) for c in sure]) < 31
    assert np.median([c.size for c in sure]) == pytest.approx(step, abs=0.025)


def test_chance_finds_steps_as_often_as_it_says():
    p = np.array([most_likely_change(series(0.0, 100 + s)).p for s in range(60)])
    # Uniform: 6 of 60 below 0.1 are expected; 14 or more have a chance of 0.2% (binomial).
    assert (p < 0.1).sum() < 14
    assert (p < 0.5).sum() > 15


def test_a_side_that_got_softer_is_named_with_its_date():
    frames, _ = simulate_frames(ArchiveSpec(lenses=(LensSpec(frames=14),), outings=24), 5)
    frames, since = over_years(frames, 4, 5, Wear(factor=0.85, places=("left",)))
    found = find_changes(frames, [], CRITERIA)
    assert len(found) == 1
    assert "left side" in found[0]["text"]
    assert abs((np.datetime64(found[0]["date"]) - since).astype(int)) < 92
    assert found[0]["low"] < -0.10 < found[0]["high"] or found[0]["change"] == pytest.approx(
        -0.15, abs=0.06
    )


@pytest.mark.parametrize(
    ("kind", "place", "shares", "said"),
    [
        ("sharpness", "centre", (-0.2, -0.21, -0.19), "20% softer (90% interval 19% to 21%)"),
        # One side a quarter sharper against the other: that one is a fifth softer, 1 - 1 / 1.25.
        ("sides", "left and right", (0.25, 0.2195, 0.2821),
         "the right side is 20% softer against the left one than before (90% interval 18% to 22%)"),
        ("sides", "left and right", (-0.2, -0.22, -0.18), "the left side is 20% softer against the right one"),
        ("noise", "", (0.1, 0.05, 0.15), "10% stronger (90% interval 5% to 15%)"),
        ("hot pixels", "", (1.0, 0.8, 1.4), "by a factor of 2.0 (90% interval 1.8 to 2.4)"),
    ],
)  # fmt: skip
def test_the_interval_of_a_change_stands_behind_its_share(kind, place, shares, said):
    size, low, high = np.log1p(shares)
    change = Change(day=0, day_low=0, day_high=0, size=size, low=low, high=high, before=8, after=9, p=0.01)  # fmt: skip
    assert said in _what(_Test({}, kind, place, series(0.0, 1)), change)


def test_what_a_camera_set_otherwise_would_do_is_said_once_of_all_that_moved_together(monkeypatch):
    """Hot pixels come from no setting; noise that moved with them may."""
    body, series = {"body": "A", "body_serial": None}, Series(*np.zeros((2, 1)), np.zeros(1, int))
    steps = {"hot pixels": (1.2, 1.1, 1.3), "noise": (0.3, 0.2, 0.4)}
    moved = [
        (
            _Test(body, kind, "", series, "camera"),
            Change(19000, 18990, 19010, *size, 100, 100, 1e-4),
        )
        for kind, size in steps.items()
    ]
    monkeypatch.setattr("auditor.infer.decisions.changes._significant", lambda *_: moved)
    (found,) = find_changes(pd.DataFrame(), [], CRITERIA)
    assert "hot pixels" in found["text"]
    assert "would look alike" not in found["text"]
    (also,) = found["also"]
    assert also.endswith(
        "; the camera's sharpening or noise reduction, set otherwise, would look alike"
    )
    moved.append(moved[1])
    (found,) = find_changes(pd.DataFrame(), [], CRITERIA)
    assert sum("would look alike" in said for said in found["also"]) == 1


def test_few_frames_say_nothing():
    frames, _ = simulate_frames(ArchiveSpec(lenses=(LensSpec(frames=2),), outings=3), 0)
    frames, _ = over_years(frames, 4, 0, Wear(factor=0.5))
    assert find_changes(frames, [], CRITERIA) == []


@pytest.mark.parametrize(
    ("loss", "error", "word", "how"),
    [
        (2.0, 0.1, "visible", None),
        (0.2, 0.1, "not visible", None),
        (1.3, 0.3, "probably visible", "4 in 5"),
        (0.8, 0.4, "probably not visible", "2 in 3"),
        (1.05, 1.0, OPEN, None),
    ],
)
def test_verdicts_follow_the_line_and_the_error(loss, error, word, how):
    chance = probability_visible(loss, error)
    assert verdict(chance, 0.9) == word
    assert odds(chance, word) == how


def test_errors_that_two_apertures_share_cancel():
    """0.30 and 0.26 c/px, each known to 4%: that both are off alike hardly changes what is lost."""
    pair = Figures(0.26, 0.04, 8.0), Figures(0.30, 0.04, 5.6)
    files, view = Files(4.0, 6000), Viewing.of_print(60.0, 50.0)
    apart, together = (quality_difference(*pair, files, view, share) for share in (0.0, 1.0))
    assert apart[0] == together[0]
    assert together[1] < 0.6 * apart[1]


def test_what_diffraction_costs_shows_in_large_prints_only():
    rows = visible_losses([lens_block()], SIZES, Criteria(print_cm=(6.0, 60.0)))
    words = {r["viewing"]: r["verdict"] for r in rows}
    assert words["6 cm print from 50 cm"] == "not visible"
    assert words["60 cm print from 50 cm"] == "visible"
    assert words["screen at 100%"] == "visible"
    assert rows[0]["largest_print_cm"] is None or 6 < rows[0]["largest_print_cm"] < 30


def test_the_sharper_lens_is_named_and_equals_are_not():
    better = lens_rivals([lens_block(factor=1.08), lens_block("Lens B")], SIZES, CRITERIA)
    assert better[0]["zones"]["centre"]["sharper"] == "Lens A"
    equal = lens_rivals([lens_block(factor=1.01), lens_block("Lens B")], SIZES, CRITERIA)
    assert equal[0]["zones"]["centre"]["sharper"] is None
    assert equal[0]["seen"]
    assert not {"visible", "probably visible"} & set(equal[0]["seen"].values())


def test_what_both_lenses_lack_alike_cancels_and_what_one_lacks_does_not():
    """Wide intervals of both don't hide a difference of 8% on one body; that one lens's frames lack more
    to it does."""
    pair = [lens_block(factor=1.08, half=0.06), lens_block("Lens B", half=0.06)]
    for lens in pair:
        for row in lens["focal_ranges"][0]["apertures"]:
            for zone in ("centre", "corner"):
                row[zone] |= {"frames_error": 0.008, "lacking": 0.05}
    assert lens_rivals(pair, SIZES, CRITERIA)[0]["zones"]["centre"]["sharper"] == "Lens A"
    for row in pair[1]["focal_ranges"][0]["apertures"]:
        for zone in ("centre", "corner"):
            row[zone]["lacking"] = 0.12
    assert lens_rivals(pair, SIZES, CRITERIA)[0]["zones"]["centre"]["sharper"] is None


def test_lenses_on_bodies_that_develop_differently_are_declined():
    other = lens_block("Lens B", body="Body B")
    found = lens_rivals([lens_block(), other], SIZES, CRITERIA)
    assert "develop differently" in found[0]["declined"]
    raw = [lens_block(source="raw"), lens_block("Lens B", body="Body B", source="raw")]
    assert lens_rivals(raw, SIZES, CRITERIA)[0]["declined"] is None


def dust_table(
    spot: tuple[float, float] | None, hits: list[bool], seed: int = 0, strength: float = 3.0
) -> pd.DataFrame:
    """A frame a month at f/16 with chance in a smooth sky over rough ground, and a spot where it is hit,
    so many standard deviations of a frame deep."""
    rng = np.random.default_rng(seed)
    rows = []
    for i, hit in enumerate(hits):
        sure = rng.normal(0, 1, (120, 180)).astype(np.float32)
        if hit and spot:
            sure[int(spot[1] * 120), int(spot[0] * 180)] += strength
        sure[60:] = np.nan
        found = Dust(sure, np.full(DUST_GRID[::-1], 0.002, np.float32))
        rows.append(
            {"status": "measured", "source": "camera", "body": "Body A", "body_serial": "1",
             "taken": f"202{i // 12}-{1 + i % 12:02d}-01T10:00:00", "f_number": 16.0, "width_px": 6000,
             "height_px": 4000, "outing": i, "burst": i, "best": True, "file_id": f"id{i}",
             "dust_map": pack_dust(found)}
        )  # fmt: skip
    return pd.DataFrame(rows)


def test_dust_that_stays_is_found_with_its_dates():
    table = dust_table((0.4, 0.2), [False] * 5 + [True] * 8 + [False] * 6, strength=8.0)
    found = find_dust(table, table)
    assert len(found) == 1
    assert (found[0]["since"], found[0]["last"]) == ("2020-06-01", "2021-01-01")
    assert found[0]["not_before"] == "2020-05-01"
    assert found[0]["gone_by"] == "2021-02-01"
    assert found[0]["x"] == pytest.approx(0.4, abs=0.005)
    assert found[0]["depth"] == pytest.approx(8 * 0.002, rel=0.2)
    assert found[0]["frames"] == 8


def test_dust_that_no_frame_shows_by_itself_is_found_by_all():
    """2.5 standard deviations, as a hundred other places of every frame have."""
    told = 0
    for seed in range(10):
        table = dust_table((0.4, 0.2), [True] * 10, seed, strength=2.5)
        found = find_dust(table, table)
        told += any(abs(f["x"] - 0.4) + abs(f["y"] - 0.2) < 0.01 for f in found)
    assert told >= 9


def test_chance_is_no_dust():
    tables = [dust_table(None, [False] * 10, s) for s in range(20)]
    assert sum(bool(find_dust(t, t)) for t in tables) <= 1


def test_what_few_frames_show_is_no_dust_however_dark():
    """Three frames of twelve with a bird, or a branch that lay at one place through an outing."""
    table = dust_table((0.4, 0.2), [i in (2, 5, 9) for i in range(12)], strength=30.0)
    assert find_dust(table, table) == []
    table = dust_table((0.4, 0.2), [i < 8 for i in range(12)], strength=30.0)
    # Eight frames of one outing that look alike are one.
    table["outing"] = [0] * 8 + list(range(1, 5))
    looks = np.random.default_rng(0).integers(0, 256, (5, 96)).astype(np.uint8)
    table["signature"] = [looks[i].tobytes().hex() for i in [0] * 8 + [1, 2, 3, 4]]
    assert find_dust(table, table) == []


def test_without_maps_there_is_no_word_of_dust():
    table = dust_table((0.4, 0.2), [True] * 10, strength=8.0)
    assert find_dust(table) == []
    assert find_dust(table, table.assign(dust_map=None)) == []
    assert find_dust(table, table.assign(dust_map=b"damaged")) == []


def test_focus_behind_is_told_and_sound_focus_is_not():
    told = {0.0: 0, -0.5: 0}
    for seed in range(10):
        lens = LensSpec(apertures=(2.8, 4.0, 5.6), frames=20)
        frames, _ = simulate_frames(
            ArchiveSpec(lenses=(lens,), outings=15, all_columns=False), seed
        )
        blocks = [lens_block()]
        for bias in told:
            table = with_depth(frames, lens, FocusHabit(bias=bias), seed)
            found = find_focus_bias(table, blocks, CRITERIA)
            assert all(f["direction"] == "behind" for f in found) or not bias
            told[bias] += len(found)
    assert told[-0.5] >= 7
    assert told[0.0] <= 1


def test_a_lens_that_is_softer_at_its_foot_is_no_focus_behind():
    """By 15%; a quarter of the frames are held upright, and show the sensor's lower edge beside the scene."""
    told = 0
    for seed in range(12):
        lens = LensSpec(apertures=(2.8, 4.0, 5.6, 8.0, 11.0), frames=12)
        spec = ArchiveSpec(lenses=(lens,), outings=15, all_columns=False)
        table = with_depth(simulate_frames(spec, seed)[0], lens, FocusHabit(), seed)
        table["bottom_mtf50_cpp"] *= 0.85
        told += len(find_focus_bias(table, [lens_block()], CRITERIA))
    assert told <= 1


def test_a_decision_that_fails_costs_itself_alone(monkeypatch):
    def broken(*_):
        raise ValueError("no luck")

    monkeypatch.setattr(decisions, "find_dust", broken)
    frames, _ = simulate_frames(ArchiveSpec(lenses=(LensSpec(frames=2),)), 0)
    faults = Faults()
    out = decide(frames, [lens_block()], [], CRITERIA, None, faults)
    assert set(out) == set(Decisions.__annotations__)
    assert out["dust"] == []
    assert [(f["stage"], f["error"]) for f in faults.found] == [("dust", "ValueError: no luck")]
    assert out["visible"]


def test_an_empty_table_gives_nothing():
    out = decide(pd.DataFrame({"path": []}), [], [], CRITERIA)
    assert not any(out.values())


def test_spots_that_have_not_gone_ask_for_a_sky_once_a_body():
    def spot(body: str, last: str, gone_by: str | None = None) -> dict:
        return {"body": body, "last": last, "gone_by": gone_by}

    dust = [
        spot("A", "2024-02-07"),
        spot("A", "2024-03-01", "2024-04-01"),
        spot("B", "2024-01-01"),
        spot("B", "2024-05-01"),
    ]
    asked = decision_shots({"changes": [], "focus_bias": [], "dust": dust})
    assert [(r["body"], r["why"]) for r in asked] == [
        ("A", "a spot of dust was last seen on 2024-02-07"),
        ("B", "2 spots of dust were last seen on 2024-05-01"),
    ]


def test_the_chance_of_a_side_is_the_binomials_where_frames_weigh_alike():
    """One frame an outing, each weighing 1: a signs test, whose chance scipy's binomial test knows."""
    excess = np.where(np.arange(40) < 26, 1.0, -1.0)
    expected = 2 * scipy.stats.binomtest(26, 40, 0.5, "greater").pvalue
    assert _sign_flip_p(excess, np.arange(40.0), 0) == pytest.approx(expected, rel=0.2)
