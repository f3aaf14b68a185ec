"""Keepers: what is accused, what is not, and why."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy
from fault_archive import fault_archive

from auditor.artificial.render import draw_archive
from auditor.infer.criteria import Criteria
from auditor.infer.keepers import (
    CAUSES,
    handheld_limits,
    judge_frames,
    list_keepers,
    settings_to_avoid,
)
from auditor.infer.keepers.evidence import allowed_by_settings, frame_evidence
from auditor.infer.keepers.find import _rule_of_thumb
from auditor.infer.keepers.judge import VISIBLE_LOSS
from auditor.infer.keepers.settings import _hypergeometric_tail
from auditor.record import DIRECTIONS, TONE_SIGNALS, tone_column
from auditor.robust import share_interval

N = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0)
CURVE = {
    "centre": (0.25, 0.28, 0.29, 0.27, 0.23, 0.17, 0.125),
    "middle": (0.20, 0.24, 0.26, 0.26, 0.22, 0.165, 0.122),
    "corner": (0.08, 0.17, 0.22, 0.24, 0.21, 0.16, 0.12),
}


def lens_entry(**more):
    apertures = [
        {"f_number": n, "frames": 9}
        | {
            z: {"mtf50_cpp": c[i], "low": c[i] * 0.98, "high": c[i] * 1.02, "frames": 9}
            for z, c in CURVE.items()
        }
        for i, n in enumerate(N)
    ]
    part = {
        "focal_mm": [35.0, 35.0], "frames": 63, "apertures": apertures,
        "sweet_spot": {"f_number": 8.0, "low": 8.0, "high": 8.0},
        "pin_sharp": [4.0, 14.0], "acceptable": [3.2, 18.0],
        "acceptable_intervals": [[3.2, 3.5], [18.0, 18.0]],
        "failures": {"scatter": dict.fromkeys(CURVE, 0.02)},
    }  # fmt: skip
    return {
        "lens": "Holm 35mm f/2.8", "body": "Skerry", "converter": None, "lens_serial": None,
        "source": "camera", "focal_ranges": [part],
    } | more  # fmt: skip


def body_entry():
    by_iso = [{"iso": 100 * 2**k, "snr": 80 / 2 ** (k / 2)} for k in range(9)]
    return {"body": "Skerry", "brightness": [{"ev100": [8, 15], "by_iso": by_iso}]}


def frame(f_number=8.0, factor=1.0, **more):
    """One sound frame; `factor` scales what its zones show."""
    at = N.index(f_number)
    row = {
        "path": "a.jpg", "status": "measured", "source": "camera", "lens": "Holm 35mm f/2.8",
        "body": "Skerry", "focal_length_mm": 35.0, "f_number": f_number, "iso": 100.0,
        "exposure_time_s": 1 / 500, "ev100": 13.0, "pixel_pitch_um": 6.0, "width_px": 6000,
        "height_px": 4000, "orientation": 1, "best": True,
    }  # fmt: skip
    row |= {f"{d}_cpp": CURVE["centre"][at] * factor for d in DIRECTIONS}
    for zone, curve in CURVE.items():
        row[f"{zone}_mtf50_cpp"] = curve[at] * factor
        row[f"{zone}_stderr_cpp"] = 0.02 * curve[at]
    for side in ("left", "right", "top", "bottom"):
        row[f"{side}_mtf50_cpp"] = CURVE["corner"][at] * factor
    for s in TONE_SIGNALS:
        row[f"{tone_column(s)}_sigma"] = s / 80
    return row | more


COMPANY = [frame() for _ in range(6)]
"""Sound frames of the same lens."""
BLURRED = 0.35
"""Share of its MTF50 that a frame keeps behind some 1.8 px of blur: nobody would call it sharp."""


def shaken(along="horizontal", **more):
    """A frame moved along one direction: half as much reaches the diagonals, nothing the edges along it."""
    row = frame(**{"exposure_time_s": 1 / 30} | more)
    angle = DIRECTIONS[along]
    for name, degrees in DIRECTIONS.items():
        across = abs(np.cos(np.radians(degrees - angle)))
        row[f"{name}_cpp"] = (row[f"{name}_cpp"] ** -2 + 250 * across**2) ** -0.5
    return row


def find_keepers(frames, lenses, bodies, criteria):
    return list_keepers(frames, judge_frames(frames, lenses, bodies, criteria), criteria)


def judged(*rows):
    table = pd.DataFrame(list(rows))
    return judge_frames(table, [lens_entry()], [body_entry()], Criteria())


def test_sound_frames_are_left_alone():
    found = judged(frame(), frame(4.0), frame(16.0), frame(factor=0.93), frame(factor=1.2))
    assert not (found["soft"] | found["noisy"]).any()
    assert found["judged"].all()


def test_blur_alike_in_all_directions_is_missed_focus():
    # Texture as fine as a Gaussian blur of 2.2 px leaves it (tests/measure/test_fine_texture.py).
    row = judged(frame(factor=BLURRED, fineness=0.24), *COMPANY).iloc[0]
    assert row["soft"]
    assert row["cause"] == "missed focus"
    assert row["measured_cpp"] == pytest.approx(BLURRED * CURVE["centre"][3])
    assert row["measured_cpp"] < row["expected_cpp"] <= CURVE["centre"][3]
    assert row["probability"] > 0.9


@pytest.mark.parametrize("along", list(DIRECTIONS))
def test_blur_one_way_is_shake_though_the_zones_look_sharp(along):
    found = judged(shaken(along), *COMPANY)
    assert found["soft"].tolist() == [True] + [False] * len(COMPANY)
    assert found["cause"].iloc[0] == "shake"
    assert found["direction_deg"].iloc[0] == DIRECTIONS[along]


def test_streaks_all_over_the_frame_speak_for_a_moved_camera():
    """The same edges: a frame whose texture lacks one direction is likelier a failure, and likelier shake."""
    slightly = {"factor": 0.6, "exposure_time_s": 1 / 60}
    unknown, none, some = (
        judged(frame(**slightly, **more), *COMPANY).iloc[0]
        for more in ({}, {"streaks": 0.36}, {"streaks": 1.5})
    )
    assert none["fault_probability"] + 0.2 < some["fault_probability"]
    assert none["shake_probability"] + 0.2 < some["shake_probability"]
    # Frames measured before streaks were are judged by their edges.
    assert unknown["fault_probability"] == pytest.approx(none["fault_probability"])


def test_plain_streaks_count_though_an_outline_is_nearly_sharp():
    """As after a movement at a small aperture, whose diffraction hides it from outlines."""
    slightly = {"f_number": 16.0, "factor": 0.82, "exposure_time_s": 1 / 30}
    alone, streaked = (
        pd.DataFrame([frame(**slightly, streaks=streaks), *COMPANY]) for streaks in (0.36, 2.5)
    )
    given = [lens_entry()], [body_entry()], Criteria()
    assert judge_frames(alone, *given)["loss"][0] < VISIBLE_LOSS
    assert find_keepers(alone, *given) == []
    (found,) = find_keepers(streaked, *given)
    assert found["cause"] == "shake"
    assert found["evidence"][0].startswith("the finest detail is missing")
    assert found["expected_cpp"] is None, "hardly less than expected is no evidence"


def test_streaks_are_told_where_they_are_plain():
    for streaks, told in ((0.36, False), (1.5, True)):
        table = pd.DataFrame([shaken(streaks=streaks), *COMPANY])
        (found,) = find_keepers(table, [lens_entry()], [body_entry()], Criteria())
        assert any("finest detail is missing" in text for text in found["evidence"]) == told


def test_texture_in_focus_speaks_for_a_frame_of_few_clean_edges():
    """Fur and leaves: their edges look soft, and their finest texture does not."""
    soft = {"factor": 0.5}
    unknown, coarse, fine = (
        judged(frame(**soft, **more), *COMPANY)["fault_probability"].iloc[0]
        for more in ({}, {"fineness": 0.2}, {"fineness": 0.9})
    )
    assert fine + 0.2 < unknown < coarse


def test_a_fast_shutter_speaks_against_shake():
    """The same blur: the faster the shutter, the less likely a failure and the less likely shake."""
    slow, fast, faster = (
        judged(shaken(exposure_time_s=t), *COMPANY).iloc[0] for t in (1 / 15, 1 / 125, 1 / 4000)
    )
    assert slow["probability"] > fast["fault_probability"] >= faster["fault_probability"]
    assert slow["shake_probability"] > fast["shake_probability"] > faster["shake_probability"]
    assert not faster["moved"]


def test_a_flash_speaks_against_shake_as_a_fast_shutter_does():
    """Its light lasts a thousandth of a second, however long the shutter was open."""
    slow, flash, fast = (
        judged(shaken(exposure_time_s=t, flash=lit), *(row | {"flash": False} for row in COMPANY))
        for t, lit in ((1 / 30, False), (1 / 30, True), (1 / 1000, False))
    )
    for chance in ("fault_probability", "shake_probability"):
        assert slow[chance].iloc[0] > flash[chance].iloc[0] + 0.01
    assert flash["fault_probability"].iloc[0] == pytest.approx(fast["fault_probability"].iloc[0])
    assert slow["moved"].iloc[0]
    assert not flash["moved"].iloc[0]
    # What the hand holds still at 1/30 s is not learned from it, and no time is told against it.
    assert np.isfinite(slow["rule_stops"].iloc[0])
    assert np.isnan(flash["rule_stops"].iloc[0])


def test_soft_all_over_is_judged_by_the_sharpest_plane():
    """Whatever the zones lack: edges as sharp as the lens allows in all four directions clear a frame."""
    row = frame()
    for zone in CURVE:
        row[f"{zone}_mtf50_cpp"] *= 0.4
    assert not judged(row)["soft"].iloc[0]


def test_what_is_blurred_in_its_pixels_may_be_sharp_at_the_output_size():
    """At the 8 megapixels of output, 100 megapixels show 3.5 times the sharpness."""
    row = frame(factor=BLURRED)
    assert judged(row)["soft"].iloc[0]
    large = row | {"width_px": 12_000, "height_px": 8_000}
    assert not judged(large)["soft"].iloc[0]


def test_what_sound_frames_of_a_lens_lack_is_learned_from_them():
    """A body that smooths its pictures: sixty frames alike accuse none of their kind, alone one would be."""
    smoothed = [frame(factor=0.55, path=f"{i}.jpg") for i in range(60)]
    lone = judged(smoothed[0])["fault_probability"].iloc[0]
    among = judged(*smoothed)["fault_probability"].iloc[0]
    assert among < lone
    assert among < 0.5


@pytest.mark.parametrize(("frames", "soft"), [(12, True), (80, False)])
def test_a_rough_curve_judges_where_many_frames_made_it(frames, soft):
    """One of a few is made of these frames: held against it they would all be sound."""
    thin = lens_entry()
    (part,) = thin["focal_ranges"]
    part["evidence"], part["frames"] = "thin", frames
    for a in part["apertures"]:
        a |= {z: {"mtf50_cpp": 0.09, "low": 0.08, "high": 0.10, "frames": 9} for z in CURVE}
    table = pd.DataFrame([frame(factor=BLURRED)])
    assert judge_frames(table, [thin], [body_entry()], Criteria())["soft"].iloc[0] == soft


def test_no_aperture_is_blamed_on_thin_evidence():
    table = pd.DataFrame([frame(22.0)])
    for evidence, blamed in (("fair", True), ("thin", False)):
        lens = lens_entry()
        lens["focal_ranges"][0]["evidence"] = evidence
        found = judge_frames(table, [lens], [body_entry()], Criteria()).iloc[0]
        assert (found["cause"] == "too small an aperture") == blamed


def test_small_apertures_and_open_corners():
    small, dark, bright = (judged(r).iloc[0] for r in (
        frame(22.0), frame(2.8, exposure_time_s=1 / 30), frame(2.8, exposure_time_s=1 / 4000)
    ))  # fmt: skip
    assert small["cause"] == "too small an aperture"
    assert not dark["soft"]  # light was short: the open aperture was needed
    assert bright["cause"] == "open-aperture corners"


def test_no_aperture_inside_the_acceptable_range_is_too_small():
    """What is told of the lens holds for its frames: here f/22 keeps 47% over the whole frame, and the weaker of
    centre and corner, by which the range goes, keeps enough."""
    lens = lens_entry()
    (part,) = lens["focal_ranges"]
    part["acceptable"] = [3.2, 22.0]
    table = pd.DataFrame([frame(22.0)])
    assert find_keepers(table, [lens], [body_entry()], Criteria()) == []
    part["acceptable"] = [3.2, 18.0]
    (beyond,) = find_keepers(table, [lens], [body_entry()], Criteria())
    assert beyond["cause"] == "too small an aperture"
    assert len(beyond["evidence"]) == 1


def test_an_open_aperture_that_costs_little_is_a_choice():
    """The corner keeps 46% of the best: less than acceptable, but often wanted."""
    lens = lens_entry()
    lens["focal_ranges"][0]["apertures"][0]["corner"] = dict.fromkeys(
        ("mtf50_cpp", "low", "high"), 0.11
    )
    row = frame(2.8, exposure_time_s=1 / 4000, corner_mtf50_cpp=0.11)
    found = judge_frames(pd.DataFrame([row]), [lens], [body_entry()], Criteria())
    assert not found["soft"].iloc[0]


@pytest.mark.parametrize(
    ("orientation", "near", "far"),
    [(1, "bottom", "top"), (3, "top", "bottom"), (6, "right", "left"), (8, "left", "right")],
)
def test_focus_in_front_follows_the_picture_as_held(orientation, near, far):
    row = frame(factor=BLURRED, orientation=orientation)
    row[f"{near}_mtf50_cpp"] *= 1.5
    assert judged(row)["cause"].iloc[0] == "focus in front"
    row[f"{near}_mtf50_cpp"], row[f"{far}_mtf50_cpp"] = (
        row[f"{far}_mtf50_cpp"],
        row[f"{near}_mtf50_cpp"],
    )
    assert judged(row)["cause"].iloc[0] == "focus behind"


def test_a_soft_half_accuses_nobody():
    """Clouds above, grass below, a near thing out of focus: something else is sharp."""
    row = frame(path="soft-top.jpg")
    row["top_mtf50_cpp"] *= 0.4
    assert not judged(row, *COMPANY)["soft"].any()


def test_high_iso_is_noisy_only_below_the_threshold():
    """The body's table reaches 10:1 (ISO 12232, acceptable) at six stops over ISO 100."""
    rows = []
    for iso in (1600, 3200, 12_800):
        row = frame(iso=float(iso))
        for s in TONE_SIGNALS:
            row[f"{tone_column(s)}_sigma"] = s / (80 / (iso / 100) ** 0.5)
        rows.append(row)
    found = judged(*rows)
    assert found["noisy"].tolist() == [False, False, True]
    assert found["cause"].iloc[2] == "high ISO"


@pytest.mark.parametrize(
    ("iso", "cause"), [(100.0, "noise at a low ISO"), (None, "noise"), (3200.0, "high ISO")]
)
def test_noise_is_not_laid_to_an_iso_that_is_low_or_not_known(iso, cause):
    row = frame(iso=iso)
    for s in TONE_SIGNALS:
        row[f"{tone_column(s)}_sigma"] = s / 4
    found = judged(row)
    assert found["noisy"].all()
    assert found["cause"].iloc[0] == cause


def test_unknown_lenses_and_unmeasured_frames_have_no_verdict():
    found = judged(
        frame(lens="Other"), frame(status="set-aside", factor=BLURRED),
        frame(f_number=8.0, focal_length_mm=50.0),
    )  # fmt: skip
    assert not found["soft"].any()
    assert not found["judged"].iloc[1]


def test_what_a_scene_excuses_grows_with_its_frames():
    """As soft as all others of its scene, by n / (n + 1) of n others; two are needed, and no other scene's."""

    def excused(others: int, scene: int = 0) -> float:
        rows = [frame(factor=BLURRED, burst=0)]
        rows += [frame(factor=BLURRED, burst=scene) for _ in range(others)]
        table = pd.DataFrame(rows)
        found = frame_evidence(
            table, allowed_by_settings(table, [lens_entry()], [], Criteria())
        ).iloc[0]
        assert found["softness"] > 0.5
        return float(found["mates"] / found["softness"])

    assert excused(1) == 0
    assert excused(2) == pytest.approx(2 / 3)
    assert excused(6) == pytest.approx(6 / 7)
    assert excused(6, scene=1) == 0


def test_only_files_that_are_not_the_cameras_own_are_left_out_as_enlarged():
    """A spectrum ends early behind heavy blur too: there is nothing else to see in such a frame."""
    blurred = frame(factor=BLURRED, upsampled=True)
    assert judged(blurred, *COMPANY)["soft"].iloc[0]
    export = judged(blurred | {"source": "edited"}, *COMPANY)
    assert not export["judged"].iloc[0]
    assert not export["soft"].iloc[0]


def test_the_list_has_the_contracts_keys_and_says_why():
    rows = [frame(factor=BLURRED, path="b.jpg"), frame(path="c.jpg"), frame(22.0, path="d.jpg")]
    found = find_keepers(pd.DataFrame(rows), [lens_entry()], [body_entry()], Criteria())
    assert {k["path"] for k in found} == {"b.jpg", "d.jpg"}
    assert found[0]["probability"] >= found[1]["probability"]
    for keeper in found:
        assert {"path", "soft", "noisy", "cause", "expected_cpp", "measured_cpp"} <= set(keeper)
        assert keeper["cause"] in CAUSES
        assert keeper["evidence"]
        assert keeper["measured_cpp"] < keeper["expected_cpp"]
    assert any("f/22" in k["evidence"][0] for k in found)


def test_a_shutter_time_is_held_against_a_time_that_it_can_be_reckoned_from():
    """A sensor of half the full-frame diagonal: 35 mm is 70 mm there, so the rule asks for 1/70 s."""
    small = {"pixel_pitch_um": 43.27 / 2 * 1000 / np.hypot(6000, 4000)}
    moved = shaken(exposure_time_s=1 / 35)
    table = pd.DataFrame([row | small for row in (moved, *COMPANY)])
    (found,) = find_keepers(table, [lens_entry()], [body_entry()], Criteria())
    assert found["evidence"][1] == (
        "1/35 s is 1.0 stop slower than 1/70 s, the rule of thumb for 35 mm "
        "(70 mm in full-frame terms)"
    )


@pytest.mark.parametrize(
    ("stops", "said"),
    [
        (0.1, "is about the rule of thumb"),
        (1.5, "1/25 s is 1.5 stops slower"),
        (-1.5, "though 1/198 s is 1.5 stops faster"),
    ],
)
def test_a_shutter_time_that_speaks_against_shake_says_so(stops: float, said: str) -> None:
    """Nothing is 0.0 stops slower, and a fast shutter is no evidence of shake."""
    text = _rule_of_thumb({"focal_length_mm": 70.0}, 2.0**stops / 70, stops, moved=True)
    assert said in text


def test_of_a_sensor_of_unknown_size_no_rule_of_thumb_is_told():
    """6 mm are a wide angle on one sensor and a tele lens on another."""
    unknown = {"pixel_pitch_um": None, "focal_35mm": None}
    table = pd.DataFrame([row | unknown for row in (shaken(), *COMPANY)])
    (found,) = find_keepers(table, [lens_entry()], [body_entry()], Criteria())
    assert not any("rule of thumb" in text for text in found["evidence"])


@pytest.mark.parametrize("seconds", [None, 30.0])
def test_a_frame_may_have_moved_whose_shutter_time_says_nothing_of_the_hand(
    seconds: float | None,
) -> None:
    (found,) = find_keepers(
        pd.DataFrame([shaken(exposure_time_s=seconds), *COMPANY]),
        [lens_entry()], [body_entry()], Criteria(),
    )  # fmt: skip
    assert found["cause"] == "shake"


def test_a_pan_may_be_meant():
    panned = shaken("horizontal")
    found = find_keepers(
        pd.DataFrame([panned, *COMPANY]),
        [lens_entry()], [body_entry()], Criteria(),
    )  # fmt: skip
    assert found[0]["maybe_deliberate"]
    assert "it may be meant so" in found[0]["evidence"]


def test_no_lens_no_body_no_frames():
    assert find_keepers(pd.DataFrame([frame()]), [], [], Criteria()) == []
    assert find_keepers(pd.DataFrame([frame()]).iloc[:0], [lens_entry()], [], Criteria()) == []


def many(rng, frames=400, extra=0.0):
    """A lens whose frames are soft one time in ten, and more often at f/16."""
    f_number = rng.choice([4.0, 5.6, 8.0, 11.0, 16.0], frames)
    soft = rng.random(frames) < 0.1 + extra * (f_number == 16.0)
    rows = [frame(f, BLURRED if s else 1.0) for f, s in zip(f_number, soft, strict=True)]
    table = pd.DataFrame(rows)
    table["iso"] = rng.choice([100.0, 200.0, 400.0], frames)
    table["burst"] = np.arange(frames)
    return table


def avoided(table):
    verdicts = judge_frames(table, [lens_entry()], [body_entry()], Criteria())
    return settings_to_avoid(table, verdicts, [lens_entry()], Criteria())


def test_a_setting_that_fails_more_often_is_named():
    found = avoided(many(np.random.default_rng(1), extra=0.3))
    assert [e["setting"] for e in found if e["kind"] == "aperture"] == ["f/16"]
    entry = found[0]
    assert entry["soft_share"] == pytest.approx(0.4, abs=0.12)
    assert entry["low"] < entry["soft_share"] < entry["high"]
    assert entry["usual_share"] == pytest.approx(0.1, abs=0.05)


def test_no_shutter_time_is_blamed_for_what_its_small_apertures_cost():
    """Frames at f/22 stood on a tripod: they are soft by their aperture, at whatever shutter time."""
    slow = [frame(22.0, exposure_time_s=1 / 10, burst=i) for i in range(12)]
    fast = [frame(8.0, exposure_time_s=1 / 200, burst=50 + i) for i in range(40)]
    found = avoided(pd.DataFrame(slow + fast))
    assert [e["setting"] for e in found] == ["f/22"]


def test_chance_is_not_taken_for_a_habit():
    """Benjamini & Hochberg at 10%: with nothing to find, few archives name anything."""
    named = sum(bool(avoided(many(np.random.default_rng(s), 150))) for s in range(30))
    assert named <= 6


@pytest.mark.parametrize("case", [(3, 5, 10, 40), (0, 4, 6, 30), (6, 6, 6, 90), (9, 40, 20, 55)])
def test_chance_of_so_many_is_the_hypergeometric_tail(case):
    """Against scipy.stats.hypergeom, which the package does not load for its weight."""
    inside, hits, drawn, of = case
    assert _hypergeometric_tail(*case) == pytest.approx(
        scipy.stats.hypergeom.sf(inside - 1, of, hits, drawn), rel=1e-9
    )


def test_share_interval_is_wilsons():
    """7 of 100 at 95%: 3.4% to 13.7% (Newcombe, Stat. Med. 17, 1998, from memory)."""
    low, high = share_interval(7, 100, 0.95)
    assert (round(low, 3), round(high, 3)) == (0.034, 0.137)


def test_the_handheld_limit_is_found():
    rng = np.random.default_rng(3)
    frames = 600
    stops = rng.uniform(-5, 4, frames)
    # 10% are shaken at one stop faster than 1 / focal length.
    chance = 1 / (1 + np.exp(-(np.log(1 / 9) + 1.3 * (stops + 1.0))))
    moved = rng.random(frames) < chance
    focal = 35.0 * 43.27 / (np.hypot(6000, 4000) * 6e-3)
    rows = [
        (shaken if k else frame)(exposure_time_s=2.0**s / focal)
        for s, k in zip(stops, moved, strict=True)
    ]
    table = pd.DataFrame(rows)
    table["outing"] = np.arange(frames) % 12
    verdicts = judge_frames(table, [lens_entry()], [body_entry()], Criteria())
    (limit,) = handheld_limits(table, verdicts, [lens_entry()], Criteria())
    assert limit["limit_stops"] == pytest.approx(-1.0, abs=0.5)
    assert limit["low"] <= -1.0 <= limit["high"]
    assert limit["factor"] == pytest.approx(0.5, rel=0.35)


def test_a_limit_that_few_frames_reach_is_none():
    """Two of five frames are shaken at every time that ten frames reach: what four quicker ones hold (at one in
    ten not half a shaken frame is expected of them) is no evidence of a limit."""
    focal = 35.0 * 43.27 / (np.hypot(6000, 4000) * 6e-3)
    stops = [*np.linspace(-5, -3.5, 4), *np.linspace(-2.5, 0.5, 40)]
    rows = [
        (shaken if s > -3 and i % 5 < 2 else frame)(exposure_time_s=2.0**s / focal)
        for i, s in enumerate(stops)
    ]
    table = pd.DataFrame(rows)
    table["outing"] = np.arange(len(table)) % 4
    verdicts = judge_frames(table, [lens_entry()], [body_entry()], Criteria())
    (limit,) = handheld_limits(table, verdicts, [lens_entry()], Criteria())
    assert limit["limit_stops"] is None
    assert limit["shaken"] > 10
    assert "its limit lies among the ten fastest" in limit["text"]


def test_no_shake_no_limit():
    table = pd.DataFrame([frame() for _ in range(40)])
    verdicts = judge_frames(table, [lens_entry()], [body_entry()], Criteria())
    (limit,) = handheld_limits(table, verdicts, [lens_entry()], Criteria())
    assert limit["limit_stops"] is None
    assert "0 of 40 frames shaken" in limit["text"]


@pytest.mark.long
@pytest.mark.parametrize("seed", [5, 7])
def test_known_faults_of_a_rendered_archive(tmp_path, seed):
    """At least 90% of the faulty frames found, at most 5% of good ones accused, right cause in 80%."""
    recipe = fault_archive(seed, 6, {"focus": 0.15, "shake": 0.15}, (1152, 768))
    truth = {Path(t["path"]).name: t for t in draw_archive(recipe, tmp_path / "archive", workers=2)}
    out = tmp_path / "out"
    command = [
        sys.executable,
        "-m",
        "auditor",
        "run",
        str(tmp_path / "archive" / "frames"),
        "--out",
        str(out),
    ]
    subprocess.run(command, check=True, capture_output=True)
    profile = json.loads((out / "profile.json").read_text())
    accused = {Path(k["path"]).name: k["cause"] for k in profile["keepers"]}
    names = {
        "focus": {"missed focus", "focus in front", "focus behind"}, "shake": {"shake"},
        "small": {"too small an aperture"}, "iso": {"high ISO"},
    }  # fmt: skip
    faulty, right, good_accused, good = [], 0, 0, 0
    for name, t in truth.items():
        fault = t["fault"]
        if fault == "none":
            # Noisy is what ISO 12232's acceptable 10:1 leaves out, as the profile defines it.
            fault = "small" if t["f_number"] >= 22 else "iso" if t["snr_18"] < 10 else "none"
        if fault == "none":
            good += 1
            good_accused += name in accused
        else:
            faulty.append(name in accused)
            right += accused.get(name) in names[fault]
    assert len(faulty) >= 12
    assert np.mean(faulty) >= 0.9
    assert good_accused <= 0.05 * good
    assert right >= 0.8 * sum(faulty)
