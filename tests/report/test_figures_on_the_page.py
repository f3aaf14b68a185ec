"""Figures, intervals and words of the page: what stands beside a figure, and what is not told."""

from __future__ import annotations

import re
from pathlib import Path

import made_up
import numpy as np
import pytest
from test_page import unpacked, written

from auditor.report import words
from auditor.report.charts import _snr_marks, lens_chart, snr_chart
from auditor.report.iso_words import match_tables
from auditor.report.scales import iso_ruler
from auditor.report.sentences import no_onset


@pytest.mark.parametrize(
    ("share", "frames", "told"),
    [(0.002, 57, None), (0.8, 0, None), (0.02, 57, "About 1 of the 57 frames here shows less"),
     (0.14, 50, "About 7 of the 50 frames here show less")],
)  # fmt: skip
def test_frames_that_fell_short_are_told_in_whole_frames(
    share: float, frames: int, told: str | None, tmp_path: Path
) -> None:
    made = made_up.profile(1)
    for part in made["lenses"][0]["focal_ranges"]:
        part |= {"frames": frames, "failures": {"soft_share": share, "shaken_share": share / 2}}
    page = written(made, None, tmp_path)
    assert (told in page) if told else ("less than the lens can do" not in page)
    assert "through shake" not in page


def test_a_soft_aperture_inside_the_acceptable_range_says_why(tmp_path: Path) -> None:
    made = made_up.profile(1)
    lens = made["lenses"][0]
    for part in lens["focal_ranges"]:
        part["acceptable"] = [4.0, 22.0]
    soft = {"lens": lens["lens"], "body": lens["body"], "setting": "f/22", "kind": "aperture",
            "fault": "soft", "frames": 8, "soft_share": 0.75, "noisy_share": 0, "usual_share": 0.07}  # fmt: skip
    made["settings"] = [soft]
    told = (
        "acceptable by the lens's curve; soft through movement or missed focus",
        "is acceptable: movement or missed focus made these soft",
    )
    page = written(made, None, tmp_path)
    assert all(page.count(t) == 1 for t in told)
    lens["focal_ranges"][1]["acceptable"] = None  # where nothing is settled nothing is contradicted
    assert all(t in written(made, None, tmp_path) for t in told)
    lens["focal_ranges"][0]["acceptable"] = [4.0, 16.0]
    page = written(made, None, tmp_path)
    assert not any(t in page for t in told)


def test_the_list_of_keepers_has_no_sharpness_for_noise(tmp_path: Path) -> None:
    made = made_up.profile(1, keepers=2)
    made["keepers"][0] |= {"measured_cpp": 0.11}
    made["keepers"][1] |= {"soft": False, "noisy": True}
    page = written(made, None, tmp_path)
    soft, noisy = unpacked(page, "keeper-rows")
    assert soft[5:7] == [0.11, 0.24]
    assert noisy[5:7] == [None, None]
    assert "0.110 c/px, 46% of the 0.240 expected without a fault" in page


def test_matching_iso_in_whole_stops_and_never_below_what_the_body_has(tmp_path: Path) -> None:
    made = made_up.profile(1)
    body, reference = (b["body"] for b in made["bodies"][::-1])
    lowest = min(t["iso"] for t in next(b for b in made["bodies"] if b["body"] == body)["tones"])
    made["iso_matches"] = [
        {"body": body, "reference_body": reference, "ev100": [8, 11], "reference_iso": iso,
         "iso": iso / 2, "low": iso / 4, "high": iso}
        for iso in (100, 125, 160, 200, 250, 320, 400, 500, 640, 800)
    ]  # fmt: skip
    (table,) = match_tables(made)
    assert [iso for iso, _ in table.rows] == [100, 200, 400, 800]
    page = written(made, None, tmp_path)
    assert lowest == 100
    assert page.count(">not told<") == 1
    assert "<b>100</b> <small>(50 to 200)</small>" in page
    made["iso_matches"] = made["iso_matches"][:3]  # too few whole stops: every row stays
    assert [iso for iso, _ in match_tables(made)[0].rows] == [100, 125, 160]


def test_a_matching_iso_that_is_predicted_stands_in_italics(tmp_path: Path) -> None:
    made = made_up.profile(1)
    reference, body = (b["body"] for b in made["bodies"])
    made["iso_matches"] = [
        {"body": body, "reference_body": reference, "band": "dusk", "ev100": [4, 8], "reference_iso": iso,
         "iso": iso * 3, "low": iso * 2, "high": iso * 4, "predicted": iso > 200}
        for iso in (50, 100, 200, 400)
    ]  # fmt: skip
    (table,) = match_tables(made)
    assert [iso for iso, _ in table.rows] == [100, 200, 400]
    page = written(made, None, tmp_path)
    assert "<i>1200</i> <small>(800 to 1600)</small>" in page
    assert "<b>600</b> <small>(400 to 800)</small>" in page


def test_noise_is_drawn_at_the_size_for_which_its_limits_hold(tmp_path: Path) -> None:
    body = made_up.profile(1)["bodies"][0]
    svg = snr_chart(body, {"excellent": 40.0, "acceptable": 10.0})
    assert svg is not None
    assert ">signal to noise, at 8 megapixels</text>" in svg
    marks = {
        int(v): float(y) - 7
        for y, v in re.findall(
            r'y="(\d+)" class="e">(?:<tspan[^>]*>\w+</tspan><tspan[^>]*>)?(\d+):1', svg
        )
    }
    limits = re.search(r'class="i" d="([^"]*)"', svg)[1]
    assert [float(y) for y in re.findall(r"M\d+ (\d+)H", limits)] == [marks[40], marks[10]]
    for name, ratio in (("excellent", 40), ("acceptable", 10)):
        assert re.search(rf">{name}</tspan><tspan[^>]*>{ratio}:1<", svg)
    decade = (marks[10] - marks[100]) / np.log(10)
    middle = [t for t in body["tones"] if t["signal"] == 0.18]
    group = svg[svg.index('class="s tone-mid-tone"') :]
    whiskers = re.search(r'class="w" d="([^"]*)"', group)[1]
    places = [_steps(re.search(r'class="l" d="([^"]*)"', group)[1])]
    places += [[(float(x), float(y)) for x, y, _ in re.findall(r"M(\d+) (\d+)V(\d+)", whiskers)]]
    for found, key in zip(places, ("snr", "low"), strict=True):
        wanted = [t[key] * t["snr_output"] / t["snr"] for t in middle]
        read = [np.log(10) + (marks[10] - y) / decade for _, y in found]
        assert read == pytest.approx(np.log(wanted), abs=0.03)
    page = written(made_up.profile(1), None, tmp_path)
    assert "Signal to noise at 8 megapixels, for which the limits hold; 90% interval" in page


def test_predicted_noise_has_no_mark_and_only_dots() -> None:
    body = made_up.profile(1)["bodies"][0]
    isos = sorted({t["iso"] for t in body["tones"]})
    for tone in body["tones"]:
        tone["predicted"] = tone["iso"] == isos[-1]
    svg = snr_chart(body, {})
    assert svg is not None
    for group in svg.split("<g ")[1:]:
        paths = dict(re.findall(r'class="(\w)" d="([^"]*)"', group))
        assert len(_steps(paths["l"])) == paths["d"].count("h0") == len(isos) - 1
        assert len(_steps(paths["p"])) == len(isos)
        assert group.count(", predicted</title>") == 1
    for tone in body["tones"]:
        tone["predicted"] = True
    svg = snr_chart(body, {})
    assert svg is not None
    assert 'class="p"' in svg
    assert not any(f'class="{kind}"' in svg for kind in "bldw")


def test_a_prediction_has_no_button_to_frames(tmp_path: Path) -> None:
    made = made_up.profile(1)
    frames = made_up.frames(made)
    (body,) = made["bodies"] = made["bodies"][:1]
    button = '<button type="button" class="behind" data-block="body-0" data-point="0:0"'
    assert button in written(made, frames, tmp_path)
    body["tones"][0] |= {"predicted": True, "frames": 0}
    assert button not in written(made, frames, tmp_path)


def test_an_interval_that_is_the_value_itself_is_not_told(tmp_path: Path) -> None:
    made = made_up.profile(1)
    step = {"iso": 100, "gain_e_per_dn": 2.0, "read_noise_e": 3.0, "frames": 9}
    sensor = {"by_iso": [step], "level_from_iso": 100, "level_low": 100, "level_high": 100}
    made["bodies"][0]["sensor"] = sensor
    assert "From ISO 100 on a higher ISO no longer" in written(made, None, tmp_path)
    sensor["level_high"] = 200
    assert "From ISO 100 (100 to 200) on a higher ISO" in written(made, None, tmp_path)


@pytest.mark.parametrize("top", [60.0, 400.0, 4e3])
def test_marks_of_the_noise_axis_keep_apart(top: float) -> None:
    """A mark of two lines and its neighbour need some tenth of the drawing's height."""
    marks = _snr_marks(1.0, top, (40.0, 10.0))
    assert {40.0, 10.0} <= set(marks)
    for named_one in (10.0, 40.0):
        for mark in set(marks) - {10.0, 40.0}:
            assert abs(np.log(mark / named_one)) / np.log(top) >= 0.1


def _steps(path: str) -> list[tuple[float, float]]:
    """The points of a path of one M and relative l's."""
    first, *rest = re.findall(r"[Ml](-?\d+) (-?\d+)", path)
    out = [(float(first[0]), float(first[1]))]
    for dx, dy in rest:
        out.append((out[-1][0] + float(dx), out[-1][1] + float(dy)))
    return out


def test_the_drawing_shows_the_values() -> None:
    part = made_up.profile(1)["lenses"][0]["focal_ranges"][0]
    svg = lens_chart(part, 0.4, (2.8, 22), 4.4)
    assert svg is not None
    ticks = {
        float(v): float(y) - 7
        for y, v in re.findall(r'y="(\d+)" class="e"><tspan class="cpp" data-cpp="([\d.]+)"', svg)
    }
    (v0, y0), (v1, y1) = min(ticks.items()), max(ticks.items())
    assert re.findall(r'class="s (\w+)"', svg) == ["centre", "middle", "corner"]
    for zone in ("centre", "middle", "corner"):
        group = svg[svg.index(f'class="s {zone}"') :]
        curve = _steps(re.search(r'class="l" d="([^"]*)"', group)[1])
        read = [v0 + (y - y0) / (y1 - y0) * (v1 - v0) for _, y in curve]
        assert read == pytest.approx([p[zone]["mtf50_cpp"] for p in part["curve"]], abs=0.002)
        dots = re.search(r'class="d" d="([^"]*)"', group)[1]
        assert dots.count("h0") == len(part["apertures"])


def test_words_of_the_trade_on_the_page(tmp_path: Path) -> None:
    """What the archive does not show is 'not settled', and a range's ends have their intervals."""
    made = made_up.profile(2)
    part = made["lenses"][0]["focal_ranges"][0]
    part |= {"pin_sharp": [4, 11], "pin_sharp_intervals": [[4, 4], [10, 13]], "acceptable": None}
    made["lenses"][1]["focal_ranges"][0]["sweet_spot"] = None
    made["bodies"][0]["brightness"][0]["usable_iso"] = {"excellent": None, "acceptable": None}
    made["bodies"][0]["sensor"] = {"by_iso": [{"iso": 100, "gain_e_per_dn": 2.59, "frames": 1}]}
    made["comparisons"][0]["difference"] = None
    page = re.sub(r"<script.*?</script>", "", written(made, None, tmp_path), flags=re.S)
    assert "f/4 to f/11<small>upper end f/10 to f/13</small>" in page
    assert not re.search(r">\s*open\s*<", page)
    assert page.count(">not settled<") == 3  # a sweet spot, a range and a limit
    assert ">not settled <" in page  # a difference
    assert "not settled: 11 frames at f/22 come from a single outing" in page
    assert "An electron is one grain of light caught by a pixel" in page


def test_every_focal_length_with_an_answer_stands_on_the_first_screen(tmp_path: Path) -> None:
    made = made_up.profile(1)
    parts = made["lenses"][0]["focal_ranges"]
    for part, best in zip(parts, (5.6, None, 11.0), strict=True):
        part["sweet_spot"] = best and {"f_number": best, "low": best, "high": best}
        part["evidence"] = "strong"
    first = written(made, None, tmp_path).split('id="lenses"')[0]
    assert re.findall(r'<td class="best"><b>(.*?)</b>', first) == ["f/5.6", "f/11"]
    assert all(f"at {words.focal(parts[i]['focal_mm'])}" in first for i in (0, 2))
    for part in parts:
        part["sweet_spot"] = None
    first = written(made, None, tmp_path).split('id="lenses"')[0]
    whole = words.count(made["lenses"][0]["frames"])  # of the lens, not of a part of its zoom
    assert whole in first
    most = max(parts, key=lambda p: p["frames"])  # of which the reason speaks
    assert f"not settled at {words.focal(most['focal_mm'])}: {most['reasons'][0]}" in first
    parts[0]["frames"] = None
    assert "not settled at" in written(made, None, tmp_path)


@pytest.mark.parametrize(
    ("wide", "frames", "told"),
    [
        (0.4, 9, "none as wide as 1 px from f/4 to f/8 (18 frames)"),
        (1.2, 9, "where they show is not settled (18 frames)"),
        (0.4, 4, ""),
    ],
)
def test_a_lens_without_an_onset_of_fringes_says_what_was_found(
    wide: float, frames: int, told: str
) -> None:
    """None is told only where every interval stays under what shows."""
    part = made_up.profile(1)["lenses"][0]["focal_ranges"][0]
    names = ("lateral_red_px", "lateral_blue_px", "fringe_width_px")
    seam = {f"{n}_{end}": v for n in names for end, v in (("low", -0.1), ("high", wide))}
    part["fringing"] = {"by_aperture": [seam | {"f_number": n, "frames": frames} for n in (4, 8)]}
    assert no_onset(part, 1.0) == told


@pytest.mark.parametrize(
    ("frames", "outings", "width", "told"),
    [
        (4, 4, 3.0, "where they show is not settled (22 frames)"),
        (4, 4, 0.4, "none as wide as 1 px from f/2.8 to f/8 (22 frames)"),
        (9, 1, 3.0, "where they show is not settled (27 frames)"),
    ],
)
def test_no_fringes_are_denied_where_an_aperture_of_few_frames_shows_them(
    frames: int, outings: int, width: float, told: str
) -> None:
    """The range that is told of holds f/4, though too few of its frames or outings bound its median."""
    part = made_up.profile(1)["lenses"][0]["focal_ranges"][0]
    part["fringing"] = {
        "by_aperture": [
            _seam(2.8, 9, 3, 0.4),
            _seam(4.0, frames, outings, width),
            _seam(8.0, 9, 3, 0.4),
        ]
    }
    assert no_onset(part, 1.0) == told


def test_one_outing_settles_no_fringes_and_an_aperture_of_one_outing_ends_no_range() -> None:
    part = made_up.profile(1)["lenses"][0]["focal_ranges"][0]
    part["fringing"] = {"by_aperture": [_seam(n, 9, 1, 0.4) for n in (2.8, 4.0)]}
    one = "where they show is not settled (18 frames, of one outing at each aperture)"
    assert no_onset(part, 1.0) == f"{one}; another outing would tell"
    part["fringing"]["by_aperture"] += [_seam(n, 9, 2, 0.4) for n in (5.6, 8.0)]
    assert no_onset(part, 1.0) == "none as wide as 1 px from f/5.6 to f/8 (18 frames)"


def _seam(f_number: float, frames: int, outings: int, width: float) -> dict[str, float]:
    """What is seen at one aperture, with the bounds of all frames alike."""
    names = ("lateral_red_px", "lateral_blue_px")
    sizes = {f"{n}{end}": 0.0 for n in names for end in ("", "_low", "_high")}
    sizes |= {f"fringe_width_px{end}": width for end in ("", "_low", "_high")}
    return sizes | {"f_number": f_number, "frames": frames, "outings": outings}


def test_a_figure_without_an_interval_claims_none() -> None:
    part = made_up.profile(1)["lenses"][0]["focal_ranges"][0]
    part["apertures"][0]["centre"] |= {"low": None, "high": None}
    told = re.findall(
        r": (0[^<]*), \d+ frames behind it</title>", lens_chart(part, 0.4, (2.8, 22), None)
    )
    assert re.fullmatch(r"0\.\d{3} c/px", told[0])
    assert re.fullmatch(r"0\.\d{3} c/px \(0\.\d{3} to 0\.\d{3}\)", told[1])


def test_the_first_screen_says_what_is_predicted_and_how_far_the_best_may_lie(
    tmp_path: Path,
) -> None:
    made = made_up.profile(1)
    lens, body = made["lenses"][0], made["bodies"][0]
    lens["focal_ranges"] = lens["focal_ranges"][:1]
    lens["focal_ranges"][0] |= {
        "sweet_spot": {"f_number": 8, "low": 7.1, "high": 9}, "pin_sharp": [4, 11], "evidence": "fair",
    }  # fmt: skip
    body["brightness"] = body["brightness"][:1]
    body["brightness"][0]["usable_iso_detail"] = {
        "acceptable": {"low": 5000, "high": 8000, "predicted": True, "reason": None}
    }
    page = written(made, None, tmp_path)
    text = " ".join(re.sub(r"<[^>]*>", "", page[page.index("ISO to use") :]).split())
    assert "ISO 6400 bright sun (predicted)" in text[:400]
    assert 'title="90% interval 5000 to 8000; ' in page
    large, *others = re.findall(
        r'<span class="limits">(.*?)</span>', page[page.index('id="bodies"') :]
    )
    assert re.sub(r"<[^>]*>", "", large) == "ISO 6400 (predicted)"
    assert others
    assert not any("predicted" in other for other in others)
    assert "sharp f/4 to f/11 · <span" in page
    assert ">best f/7.1 to f/9</span>" in page


def test_one_frame_shows_nothing_usual(tmp_path: Path) -> None:
    made = made_up.profile(1)
    rows = made["lenses"][0]["focal_ranges"][0]["apertures"]
    for row, frames in zip(rows, (1, 3), strict=False):
        row |= {"frames": frames, "centre": None, "usual_centre_cpp": 0.123}
    page = written(made, None, tmp_path)
    told = '<span class="cpp" data-cpp="0.123">0.123</span>'
    assert page.count(f"one frame: {told}") == 1
    assert page.count(f"usually {told}") == 1


def test_a_shake_at_fast_shutters_is_not_put_down_to_slow_ones(tmp_path: Path) -> None:
    made = made_up.profile(1)
    made["verdicts"] = {"judged": 60, "soft": 26, "causes": {"shake": 26}, "shaken_fast": 16}
    text = re.sub(r"<[^>]*>", "", written(made, None, tmp_path))
    told = "Shake: 26 frames, 43% of those judged; 16 of them at a shutter faster than 1 / focal length."
    assert told in text
    del made["verdicts"]["shaken_fast"]
    assert "at a shutter faster than" not in written(made, None, tmp_path)


def test_percent_of_the_lenss_best_reaches_a_hundred_at_the_best(tmp_path: Path) -> None:
    made = made_up.profile(1)
    zones = [
        row[zone]
        for part in made["lenses"][0]["focal_ranges"]
        for row in part["apertures"]
        for zone in ("centre", "middle", "corner")
        if row[zone]
    ]
    best = max(zone["mtf50_cpp"] for zone in zones)
    assert best < max(zone["high"] for zone in zones) < 0.5
    page = written(made, None, tmp_path)
    assert {float(b) for b in re.findall(r'data-best="([\d.]+)"', page)} == {best}
    assert "Nyquist" not in page
    zones[0]["high"] = 0.61
    assert "No file holds detail finer than 0.5 c/px" in written(made, None, tmp_path)


def test_a_line_of_a_lens_counts_its_frames_once(tmp_path: Path) -> None:
    """The share that it has of all frames is of another count than the frames by which it was judged."""
    made = made_up.profile(1)
    lens = made["lenses"][0]
    use = {k: lens[k] for k in ("lens", "body", "converter")}
    made["gear"] = {"bodies": [], "lenses": [use | {"role": "thin", "share": 0.44, "frames": 53}]}
    page = written(made, None, tmp_path)
    first = page[page.index("Apertures to use") : page.index("ISO to use")]
    assert "%" not in re.sub(r"<[^>]*>", "", first)
    (head,) = re.findall(r'<details class="group"><summary>(Thin.*?)</summary>', page)
    assert re.sub(r"<[^>]*>", "", head) == f"Thin evidence {words.count(lens['frames'])}"


def test_the_ruler_of_a_body_ends_at_the_highest_iso_used() -> None:
    """What lies beyond is predicted, and a strip looks as sure as one that was measured."""
    ruler = iso_ruler({"excellent": 200, "acceptable": 6400}, (100, 3200))
    assert ruler.says == "excellent to ISO 200; acceptable to ISO 3200"
    fine, clean = ruler.strips
    assert {m.text: m.at for m in ruler.marks}["3200"] == pytest.approx(fine.width, abs=0.5)
    assert clean.width < fine.width
