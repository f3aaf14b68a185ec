"""What page, card and terminal say is so, given the frames: which lens, which pictures, which apertures."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import made_up
import numpy as np
import pandas as pd
import pytest
from faulty_gear import Wear, over_years
from simulated_frames import ArchiveSpec, LensSpec, simulate_frames
from test_sentences import text_of

from auditor.infer import Criteria, build_profile
from auditor.infer.decisions import scan
from auditor.infer.lenses.sides import judge_sides
from auditor.report.card import render_card
from auditor.report.frames_behind import FrameIndex
from auditor.report.page import render_report
from auditor.report.sentences import inside_acceptable, setting_sentence
from auditor.report.summary import summary_lines
from auditor.report.tables import frame_table, tables
from auditor.report.words import plain
from auditor.report.write import write_report

NAME = "Tarn 50mm f/1.4"


def page_of(made: Any, frames: pd.DataFrame | None = None) -> str:
    return " ".join(text_of(render_report(plain(made), frames, None)).split())


@pytest.mark.parametrize(
    ("apertures", "said"), [((1.4, 2.0, 2.8), "the smallest used"), ((1.4, 2.8, 5.6, 11.0), "")]
)
def test_a_best_aperture_at_the_end_of_those_used_is_not_told_as_settled(
    apertures: tuple[float, ...], said: str
) -> None:
    """A lens that gets sharper up to the last aperture that anybody used may be better still beyond it."""
    lens = LensSpec(NAME, apertures=apertures, frames=20)
    frames, _ = simulate_frames(ArchiveSpec([lens], outings=12), 3)
    made = build_profile(frames, Criteria())
    (part,) = made["lenses"][0]["focal_ranges"]
    assert part["sweet_spot"] is not None
    assert (part["sweet_spot"]["f_number"] == max(apertures)) == bool(said)
    card = text_of(render_card(plain(made)))
    for text in (page_of(made), card, " ".join(summary_lines(made))):
        assert ("the smallest used" in text) == bool(said), text
    assert ("±0" in card.split("use")[0]) != bool(said)


def test_a_setting_at_one_focal_length_is_held_against_the_range_there() -> None:
    row = {"lens": NAME, "body": "Fell", "setting": "f/22 at 18 mm", "fault": "soft", "frames": 6}
    row |= {"soft_share": 1.0, "usual_share": 0.3}
    parts = [
        {"focal_mm": [18.2, 18.2], "acceptable": [3.5, 22]},
        {"focal_mm": [55.0, 55.0], "acceptable": [5.6, 16]},
    ]
    made: Any = {"lenses": [{"lens": NAME, "body": "Fell", "focal_ranges": parts}]}
    made["settings"] = [row]
    assert inside_acceptable(made, row)
    assert "f/22 at 18 mm is acceptable: movement or missed focus" in setting_sentence(made)
    assert not inside_acceptable(made, row | {"setting": "f/22 at 55 mm"})
    assert not inside_acceptable(made, row | {"converter": "1.4x"})


def test_habits_name_body_converter_and_copy() -> None:
    lens = {"lens": NAME, "body": "Fell Two", "converter": "1.4x", "lens_serial": None}
    made: Any = made_up.profile(2)
    made["lenses"] = [
        {"lens": NAME, "body": b, "focal_ranges": []} for b in ("Fell One", "Fell Two")
    ]
    limit = {"limit_stops": 1.0, "low": 0.5, "high": 1.5, "frames": 90, "shaken": 9, "text": "so"}
    setting = {"setting": "f/16", "fault": "soft", "frames": 9, "soft_share": 1, "noisy_share": 0}
    made["settings"] = [lens | setting | {"usual_share": 0.1}]
    made["handheld"] = [lens | limit, lens | limit | {"converter": None, "lens_serial": "A100"}]
    page = page_of(made)
    assert page.count(f"{NAME} + 1.4x Fell Two") == 2
    assert f"{NAME} (serial A100) Fell Two" in page
    assert f"{NAME} + 1.4x" in setting_sentence(made)
    assert "Fell Two" in setting_sentence(made)
    made["lenses"] = made["lenses"][1:]
    assert "Fell Two" not in setting_sentence(made)  # there is but one


def two_sizes() -> pd.DataFrame:
    """Full-size frames of a lens, and more that were exported at a quarter of the size."""
    full, _ = simulate_frames(ArchiveSpec([LensSpec(NAME)], outings=8), 1)
    small, _ = simulate_frames(
        ArchiveSpec([LensSpec(NAME, pitch_um=16.0, frames=20)], outings=8), 2
    )
    small["path"] = "small/" + small["path"]
    small[["width_px", "height_px"]] = [1500, 1000]
    for column in ("capture", "burst", "outing"):
        small[column] += 1000
    frames = pd.concat([small, full], ignore_index=True)
    frames["source"] = np.where(frames["width_px"] == 1500, "edited", "raw")
    return frames


def test_line_widths_are_those_of_the_pictures_that_the_curve_is_made_of() -> None:
    frames = two_sizes()
    made = build_profile(frames, Criteria())
    (lens,) = made["lenses"]
    assert lens["source"] == "raw"
    assert FrameIndex(frames).height(lens) == 4000
    assert 'data-height="4000"' in render_report(plain(made), frames, None)


def test_a_click_leads_to_the_frames_that_were_counted() -> None:
    frames = two_sizes()
    frames["source"] = "edited"  # told apart by their pixels alone
    made = build_profile(frames, Criteria())
    index = FrameIndex(frames)
    for lens in made["lenses"]:
        block: Any = index.lens_block(lens)
        for i, part in enumerate(lens["focal_ranges"]):
            for j, row in enumerate(part["apertures"]):
                assert block["totals"][f"{i}:{j}"] == row["frames"]


def test_a_click_leads_to_the_frames_whose_pixel_pitch_is_not_known() -> None:
    """The curve counts them as of the pitch that most have."""
    frames, _ = simulate_frames(ArchiveSpec([LensSpec(NAME)]), 5)
    frames.loc[frames.index[::3], "pixel_pitch_um"] = np.nan
    (lens,) = build_profile(frames, Criteria())["lenses"]
    block: Any = FrameIndex(frames).lens_block(lens)
    counted = [row["frames"] for row in lens["focal_ranges"][0]["apertures"]]
    assert sum(counted) == len(frames)
    assert [block["totals"][f"0:{j}"] for j in range(len(counted))] == counted


def test_a_body_with_noise_of_one_outing_is_not_said_to_show_none() -> None:
    page = page_of(made_up.profile(1) | {"bodies": []})
    assert "too few frames of any body in use show noise" not in page
    assert "5 frames from two outings, in one kind of light, that show a body's noise" in page


def test_a_lens_of_one_aperture_is_not_said_to_lack_frames() -> None:
    part = {"focal_mm": [4.2, 4.2], "apertures": [{"f_number": 1.8, "frames": 80}], "frames": 80}
    part |= {"reasons": ["best aperture: not yet; it takes sharp frames at 2 more apertures", "used at one aperture only"]}  # fmt: skip
    lens = {"lens": "Pell 4mm f/1.8", "body": "Pell", "frames": 80, "focal_ranges": [part]}
    made = {"frames": {"measured": 80}, "lenses": [lens], "bodies": []}
    assert "more aperture" not in page_of(made)
    lens["lens"] = "Pell 4mm f/1.2"  # closed down, so there is a choice
    assert "more aperture" in page_of(made)
    lens["lens"], part["focal_mm"] = "Pell 35mm f/1.8", [35, 35]
    assert "more aperture" in page_of(made)
    assert "more aperture" in page_of(made).split("ISO to use")[0]


def test_notes_that_the_terminal_prints_stand_on_the_page() -> None:
    note = "no picture was found in /pictures/two; check that the folder is the right one"
    page = page_of(made_up.profile(1) | {"notices": [note]})
    assert "1 note on this run: see it." in page
    assert "No picture was found in /pictures/two; check that the folder is the right one." in page
    assert "on this run" not in page_of(made_up.profile(1) | {"notices": []})


def test_copies_among_the_files_measured_are_told_where_these_are_counted() -> None:
    made = made_up.profile(1)
    made["frames"] = {"found": 224, "measured": 224, "set_aside": 0, "copies": 84}
    head = "224 frames measured, 84 of them copies"
    assert head in page_of(made)
    assert any("84 of them are copies" in line for line in summary_lines(made))


def test_no_figure_stands_without_its_interval() -> None:
    made = made_up.profile(1)
    long = {"from_s": 1.0, "noise_ratio": 0.97, "frames": 1, "outings": 1}
    made["bodies"][0]["long_exposures"] = long | {"low": None, "high": None}
    assert "times as noisy" not in page_of(made)
    made["bodies"][0]["long_exposures"] = long | {"low": 0.8, "high": 1.2}
    assert "0.97 times as noisy (0.80 to 1.20)" in page_of(made)


def test_the_table_of_frames_holds_their_colour_fringes(tmp_path: Path) -> None:
    frames, _ = simulate_frames(ArchiveSpec(outings=2), 1)
    columns = ["lateral_red_px", "lateral_blue_px", "fringe_width_px"]
    frames[columns] = [0.4, -0.3, 1.1]
    made = frame_table(frames)
    assert made[columns].iloc[0].tolist() == [0.4, -0.3, 1.1]
    assert {"lens_serial", "converter"} <= set(tables({"handheld": [], "settings": []})["settings"].column_names)  # fmt: skip


def test_gear_that_has_changed_or_is_decentred_is_told_first(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A fifth of a lens's sharpness lost since a day is more than any setting costs: it stands on the first screen
    and at the end of a run, not only in what is folded."""
    monkeypatch.setattr(scan, "DRAWS", 100)  # ends of intervals to a percent
    lens = LensSpec("Tarn 24mm f/2.8", focal_mm=(24.0,), frames=60, sides=(1.25, 0.75, 1.0, 1.0))
    frames, _ = simulate_frames(ArchiveSpec([lens], outings=60), 1)
    frames, _ = over_years(frames, 6, 1, Wear(0.5, 0.8))
    made = build_profile(frames, Criteria())
    lines = summary_lines(made)
    assert any("the whole frame is 20% softer (90% interval" in line for line in lines)
    assert any("is probably decentred: the right side is softer" in line for line in lines)
    assert any("(90% interval 19% to 21%)" in line for line in lines)
    screen = page_of(made).split("What needs a look")[1].split("One afternoon")[0]
    assert "% softer" in screen
    assert "probably decentred" in screen
    sound, _ = simulate_frames(ArchiveSpec([LensSpec()], outings=12), 1)
    assert "What needs a look" not in page_of(build_profile(sound, Criteria()))


def test_no_more_than_a_screen_holds_is_told_of_faulty_gear() -> None:
    made = made_up.changed_gear()
    made["changes"] *= 5
    assert sum("since about" in line for line in summary_lines(made)) == 3


@pytest.mark.parametrize("key", ["changes", "focus_bias", "dust"])
def test_a_fault_of_the_gear_that_cannot_be_told_costs_itself_alone(
    key: str, tmp_path: Path
) -> None:
    made = made_up.changed_gear()
    made["keepers"] = made["keepers"][:3]  # the page is made once for each
    made[key] = [*made[key], "no entry"]
    write_report(made, None, None, tmp_path)
    page = text_of((tmp_path / "report.html").read_text())
    assert "text without a name: the page" in page
    assert "the centre is 20% softer" in page


def test_dust_is_told_first_of_bodies_in_use_alone() -> None:
    made = made_up.faulty_gear()
    body = made["dust"][0]["body"]
    for role, told in (("in use", True), ("borrowed", False)):
        made["gear"] = {"bodies": [{"body": body, "role": role}], "lenses": []}
        assert any("Dust" in line for line in summary_lines(made)) == told


def test_a_click_on_a_bodys_point_leads_to_files_of_the_kind_that_was_judged() -> None:
    frames = two_sizes()
    made = {"body": "Body A", "kind": "raw", "tones": [{"iso": 100, "signal": 0.18}]}
    block: Any = FrameIndex(frames).body_block(made)
    raw = (frames["source"] == "raw") & (frames["iso"] == 100)
    assert block["totals"]["0:0"] == raw.sum()


@pytest.mark.parametrize("softer", [0.0, 0.4])
def test_no_sound_lens_of_many_is_told_to_be_decentred_and_a_plain_one_is(softer: float) -> None:
    """Normal scatter of scenes' sides, 30% each, as photographs have it: at most one archive of ten may name a sound
    lens of its twelve (of 30 as many as 6 in 97 of 100 cases, binomial)."""
    rng = np.random.default_rng(7)
    named = []
    for _ in range(30):
        parts = []
        for lens in range(12):
            outing = np.repeat(np.arange(24), 4)
            across = rng.normal(0, 0.3, 24)[outing] + rng.normal(0, 0.3, 96)
            across -= softer * (lens == 5)
            sides = {
                "left_mtf50_cpp": 0.2 * np.exp(across),
                "right_mtf50_cpp": 0.2,
                "outing": outing,
            }
            parts.append(judge_sides(pd.DataFrame(sides)))
        made: Any = {"lenses": [
            {"lens": f"Lens {k}", "body": "Fell", "frames": 96, "focal_ranges": [
                {"focal_mm": [35.0, 35.0], "evidence": "strong", "sweet_spot": {"f_number": 8.0}, "sides": part}
            ]} for k, part in enumerate(parts)
        ]}  # fmt: skip
        named.append({line.split()[1] for line in summary_lines(made) if "decentred" in line})
    assert sum(bool(n - {"5"}) for n in named) <= 6
    assert sum("5" in n for n in named) >= 24 or not softer
