"""Figures as photographers write them, the summary's sentences, the listing for pipes."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import made_up
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from simulated_frames import ArchiveSpec, LensSpec, simulate_frames
from test_page import written

from auditor.audit import InferOptions, infer_frames
from auditor.crawl import relate
from auditor.gear.gear_file import Chosen
from auditor.report import words
from auditor.report.first_screen import found_first, other_lenses
from auditor.report.iso_words import kind_sentence, limits_told, shown_bands
from auditor.report.listing import HEADER, keeper_line, select_keepers
from auditor.report.rendering import figures, sentence
from auditor.report.sentences import scale_sentence
from auditor.report.summary import findings, summary_lines


@pytest.mark.parametrize(
    ("made", "text"),
    [
        (words.aperture(8), "f/8"), (words.aperture(5.6), "f/5.6"), (words.aperture(None), "not known"),
        (words.aperture_range([4, 11]), "f/4 to f/11"), (words.aperture_range([8.0, 8]), "f/8"),
        (words.aperture_range(None), ""), (words.aperture_range([4, None]), ""),
        (words.shutter(0.004), "1/250 s"), (words.shutter(1 / 3), "0.3 s"), (words.shutter(2), "2 s"),
        (words.shutter(0), "not known"), (words.iso(1600.0), "ISO 1600"),
        (words.focal([24, 24]), "24 mm"), (words.focal([24, 70.0]), "24 to 70 mm"), (words.focal(None), ""),
        (words.count(1), "1 frame"), (words.count(48312), "48,312 frames"), (words.count(2, "body", "bodies"), "2 bodies"),
        (words.percent(0.41), "41%"), (words.percent(0.004), "0.4%"), (words.percent(0), "0%"), (words.percent(0.0002), "under 0.1%"),
        (words.certainty(0.83), "83%"), (words.certainty(0.997), "over 99%"), (words.certainty(None), "not known"),
        (words.change(-0.07), "-7%"), (words.change(0.001), "0%"),
        (words.difference(-1.3219, "stops"), "-1.32"), (words.difference(-0.001, "stops"), "0.00"),
        (words.difference(0.00402, "u'v'"), "+0.0040"), (words.difference(-0.001, "share of MTF50"), "0%"),
        (words.difference(-0.07, "share of MTF50"), "-7%"), (words.difference(0.123456), "+0.123"),
        (words.difference(None, "stops"), ""), (words.difference(0, None), "0"),
        (words.join(["a", "b", "c"]), "a, b and c"), (words.metres(9.024), "9.1 m"), (words.metres(41.2), "42 m"),
    ],
)  # fmt: skip
def test_figures_in_words(made: str, text: str) -> None:
    assert made == text


def test_summary_names_best_aperture_range_interval_and_count() -> None:
    made = made_up.profile(1)
    part = made["lenses"][0]["focal_ranges"] = made["lenses"][0]["focal_ranges"][:1]
    part[0] |= {
        "sweet_spot": {"f_number": 8, "low": 7.1, "high": 9}, "pin_sharp": [4, 11],
        "acceptable": [2.8, 16], "frames": 412, "evidence": "strong",
    }  # fmt: skip
    assert summary_lines(made)[1] == (
        "Corvin 24-70 mm f/2.8 on the Halden M5: best at f/8 (90% interval f/7.1 to f/9; 412 frames)."
    )


def test_a_zoom_is_told_focal_length_by_focal_length() -> None:
    """A best aperture of one end is none of the other: 'f/8 to f/11' would be a range of neither."""
    made = made_up.profile(1)
    parts = made["lenses"][0]["focal_ranges"]
    for part, best in zip(parts, (8.0, None, 11.0), strict=True):
        part |= {"acceptable": [4, 16], "pin_sharp": [5.6, 13], "frames": 30, "evidence": "strong"}
        part["sweet_spot"] = best and {"f_number": best, "low": best, "high": best}
    assert summary_lines(made)[1].endswith(
        ": best at f/8 at 24 mm (90% sure of f/8; 30 frames); f/11 at 70 mm (90% sure of f/11; 30 frames)."
    )


def test_gear_is_counted_as_the_page_lists_it() -> None:
    made = made_up.profile(3)
    made["lenses"][2]["lens"] = "unknown lens"
    assert "taken with 3 lenses (1 without a name) on 2 bodies" in summary_lines(made)[0]


def test_a_lens_on_several_bodies_and_with_a_converter_is_one_lens() -> None:
    made = made_up.profile(4)
    for lens, body, converter in zip(
        made["lenses"],
        ("Alder One", "Alder Two", "Alder Two", "Birch"),
        (None, None, "1.4x", None),
        strict=True,
    ):
        lens |= {"lens": "Tarn 35mm", "body": body, "converter": converter, "lens_serial": None}
    told = summary_lines(made)
    assert "taken with 1 lens on " in told[0]
    assert not any("in the report" in line for line in told)
    assert other_lenses(made["lenses"], made["lenses"][:1]) == 0
    made["lenses"][3]["lens_serial"] = "12345"  # a second copy of it
    assert other_lenses(made["lenses"], made["lenses"][:1]) == 1
    assert "taken with 2 lenses on " in summary_lines(made)[0]
    made["lenses"] = [lens | {"focal_ranges": []} for lens in made["lenses"]]
    assert "2 lenses in the report." in summary_lines(made)


@pytest.mark.parametrize("lens", ["Tarn", "Skarn", "Fell"])
def test_copies_are_counted_among_the_frames_looked_at(lens: str) -> None:
    """Backups of every frame by one lens, of a few by another; what was set aside is the whole archive's."""
    lenses = [LensSpec("Tarn", frames=12), LensSpec("Skarn", frames=2), LensSpec("Fell", frames=1)]
    frames, _ = simulate_frames(ArchiveSpec(lenses, outings=8), 1)
    frames["path"] = [f"/a/IMG_{n:04}.jpg" for n in range(len(frames))]
    frames["file_id"] = frames["path"]
    frames = frames.drop(columns=["outing", "best"])
    saved = (frames["lens"] == "Tarn") | ((frames["lens"] == "Skarn") & (frames["f_number"] < 5))
    backup = frames[saved].assign(path=lambda f: f["path"].str.replace("/a/", "/b/"))
    bad = pd.DataFrame({"path": ["/a/bad.jpg"], "status": ["set-aside"], "reason": ["empty"]})
    table = relate(pd.concat([frames, backup, bad], ignore_index=True))
    profile, _ = infer_frames(table, InferOptions(lens=lens), Chosen(), None)
    own = table[table["lens"] == lens]
    copies = int((~own["best"]).sum())
    assert (copies > 0) == (lens != "Fell")
    first = findings(profile)[0]
    assert first.startswith(
        f"{len(own)} of the {len(table) - 1} frames measured are looked at here"
    )
    assert (f"; {copies} of them are copies" in first) == (copies > 0)
    assert ("copies" in first) == (copies > 0)
    assert first.endswith("1 file of the whole archive set aside, each with its reason.")


@pytest.mark.parametrize(
    "key", ["lenses", "bodies", "keepers", "settings", "comparisons", "iso_matches"]
)
@pytest.mark.parametrize("gone", [None, []])
def test_summary_of_a_profile_with_a_part_missing(key: str, gone: object) -> None:
    made = made_up.profile(2)
    made[key] = gone
    lines = summary_lines(made)
    assert lines[0].startswith("5,100 frames measured")
    assert all(line.endswith(".") and "None" not in line and "nan" not in line for line in lines)


def test_summary_of_nothing() -> None:
    lines = summary_lines({"frames": {"found": 0, "measured": 0, "set_aside": 0}, "lenses": []})
    assert lines == [
        "0 frames measured.",
        "No lens could be judged: no measured frame names its lens and aperture.",
    ]


def test_lens_without_best_aperture_says_so() -> None:
    made = made_up.profile(1)
    for part in made["lenses"][0]["focal_ranges"]:
        part["sweet_spot"] = part["pin_sharp"] = part["acceptable"] = None
    assert summary_lines(made)[1].endswith("best aperture not settled.")


def test_many_lenses_are_counted_not_told_one_by_one() -> None:
    lines = summary_lines(made_up.profile(40))
    assert sum("mm f/" in line and ": best" in line for line in lines) == 6
    assert any(line.startswith("34 more lenses") for line in lines)


def test_counts_of_all_verdicts_go_before_the_list_of_the_surest() -> None:
    made = made_up.profile(1, keepers=6)
    made["verdicts"] = {
        "judged": 4000,
        "soft": 700,
        "noisy": 100,
        "causes": {"shake": 500, "high ISO": 300},
    }
    (line,) = [t for t in summary_lines(made) if "softer or noisier" in t]
    assert line.startswith("800 frames, 20% of the 4,000 judged, came out")
    assert line.endswith("most often: shake (500) and high ISO (300).")


def test_a_share_of_a_handful_is_no_percentage(tmp_path: Path) -> None:
    made = made_up.profile(1, keepers=1)
    made["verdicts"] = {"judged": 2, "soft": 1, "noisy": 0, "causes": {"shake": 1}}
    (line,) = [t for t in summary_lines(made) if "softer or noisier" in t]
    assert line.startswith("1 frame of the 2 judged came out")
    assert "</a>: 1 frame of the 2 judged</li>" in written(made, None, tmp_path)


def _compared(label: str, what: str, ends: tuple[float, float, float], verdict: str) -> Any:
    low, middle, high = ends
    return {
        "label": label, "against": f"without {label}", "lens": "Tarn", "what": what, "zone": None,
        "pairs": 9, "difference": middle, "low": low, "high": high, "verdict": verdict,
        "unit": "u'v'" if what == "cast" else "share of MTF50",
    }  # fmt: skip


def test_what_was_found_is_told_first_with_its_opposite() -> None:
    sure = _compared("polariser", "sharpness", (-0.21, -0.20, -0.19), "softer by 20%")
    rows = [
        _compared("plain glass", "sharpness", (-0.01, 0.0, 0.01), "no difference found"),
        _compared("converter", "sharpness", (-0.22, -0.16, -0.10), "softer by 16%"),
        _compared("grey filter", "sharpness", (-0.01, 0.0, 0.01), "no difference found"),
        _compared("grey filter", "cast", (0.0054, 0.0058, 0.0062), "tints by 0.0058"),
        sure, sure | {"zone": "corner", "verdict": "softer by 19%"},
        _compared("hood", "sharpness", (-0.4, -0.1, 0.2), "cannot tell"),
    ]  # fmt: skip
    order = {"converter": 1, "grey filter": 2, "polariser": 2, "plain glass": 1, "hood": 1}
    table = [c["label"] for c in found_first(rows)]
    assert table == [label for label, n in order.items() for _ in range(n)]


def test_no_limit_is_told_in_light_that_nobody_photographed() -> None:
    """Of one frame all limits in other light would be predictions."""
    body = made_up.profile(1)["bodies"][0]
    assert len(shown_bands(body)) == len(body["brightness"])
    body["brightness"][1]["frames"] = 0
    assert len(shown_bands(body)) == len(body["brightness"]) - 1
    assert shown_bands(body | {"frames_used": 1}) == []
    raw = {"kind": "raw", "tones": [], "brightness": body["brightness"]}
    assert "ISO" in kind_sentence(raw | {"frames_used": 5})
    assert kind_sentence(raw | {"frames_used": 1}) == ""


@pytest.mark.parametrize(
    ("low", "high", "told"),
    [
        (-8.7, -7.9, "7.9 to 8.7 stops faster"),
        (-1.2, 0.5, "1.2 stops faster to 0.5 stops slower"),
        (0.3, 1.2, "0.3 to 1.2 stops slower"),
        (-1.0, 1.0, "1.0 stop faster to 1.0 stop slower"),
    ],
)
def test_stops_are_told_the_way_they_point(low: float, high: float, told: str) -> None:
    assert words.stops_between(low, high) == told
    assert words.stops_between(high, low) == told


def _limits(excellent: dict, acceptable: dict, **more: object) -> dict:
    return {
        "usable_iso": {"excellent": excellent.pop("iso"), "acceptable": acceptable.pop("iso")},
        "usable_iso_detail": {"excellent": excellent, "acceptable": acceptable}, "frames": 8,
    } | more  # fmt: skip


def test_both_iso_limits_have_their_interval_or_their_reason() -> None:
    band = _limits(
        {"iso": 200, "low": 50, "high": 400, "predicted": False, "reason": None},
        {"iso": 2500, "low": 2500, "high": 3200, "predicted": True, "reason": None},
        band="overcast", ev100=[11, 13],
    )  # fmt: skip
    assert limits_told(band) == (
        "excellent to ISO 200 (90% interval 50 to 400), "
        "acceptable to ISO 2500 (90% interval 2500 to 3200, predicted)"
    )
    made = made_up.profile(1)
    made["bodies"] = [made["bodies"][0] | {"brightness": [band]}]
    (line,) = [t for t in summary_lines(made) if "overcast" in t]
    assert line == (
        f"{made['bodies'][0]['body']}: acceptable up to ISO 2500 for overcast (90% interval 2500 to 3200, predicted; 8 frames)."
    )
    hidden = {"iso": None, "reason": "not told: texture hides it at ISO 100 and up"}
    assert limits_told(_limits(hidden, {"iso": 400, "reason": None})) == (
        "excellent to an ISO not told (texture hides it at ISO 100 and up), acceptable to ISO 400"
    )


def test_frames_of_unknown_light_are_not_called_too_few() -> None:
    """Flash and lenses without contacts leave no light to judge by, however many frames there are."""
    bands = [_limits({"iso": 100}, {"iso": 200}, frames=0, ev100=[8, 11])]
    told = "the light of its frames is not known, so neither is how far ISO may go in it"
    assert kind_sentence({"kind": "edited", "frames_used": 62, "brightness": bands}) == told
    assert kind_sentence({"kind": "edited", "frames_used": 2, "brightness": bands}) == ""


def test_a_limit_that_lies_higher_still_is_told_with_its_reason() -> None:
    """One raw frame at ISO 100 says that the limit is not below 200, and no more."""
    reason = "likely higher still; ISO 100 is the highest used"
    high = {"iso": 200, "low": 200, "high": 200, "predicted": True, "reason": reason}
    low = {"iso": None, "low": None, "high": None, "predicted": False,
           "reason": "not reached at ISO 100, the lowest used"}  # fmt: skip
    bands = [
        _limits(dict(low), dict(high), band="shade", ev100=[8, 11]),
        _limits(dict(high), dict(high), band="overcast", ev100=[11, 13]),
        _limits(dict(high), dict(high), band="bright sun", ev100=[13, 22]),
    ]
    assert kind_sentence({"kind": "raw", "brightness": bands}) == (
        "never excellent (not reached at ISO 100, the lowest used) for shade; "
        "excellent to at least ISO 200 (predicted: ISO 100 is the highest used) for overcast and bright sun; "
        "acceptable to at least ISO 200 (predicted: ISO 100 is the highest used) for shade, overcast and bright sun"
    )
    assert kind_sentence({"kind": "raw", "brightness": None}) == ""


def test_listing_has_one_line_of_seven_fields_per_frame() -> None:
    made = made_up.profile(1, keepers=12)
    made["keepers"][0]["probability"] = 0.87
    lines = [keeper_line(k) for k in select_keepers(made)]
    assert len(lines) == 12
    assert all(line.count("\t") == HEADER.count("\t") == 6 and "\n" not in line for line in lines)
    assert lines[0].split("\t")[:6] == [
        "/photos/2023/00 coast/IMG_0000.JPG", "soft", "shake", "0.870", "0.0600", "0.2400",
    ]  # fmt: skip


def test_the_listing_is_filtered() -> None:
    made = made_up.profile(1, keepers=60)
    for i, keeper in enumerate(made["keepers"]):
        keeper |= {"probability": i / 60, "settings": {"lens": f"Lens {i % 4}"}}
    assert {k["cause"] for k in select_keepers(made, ["Shake", "high ISO"])} == {
        "shake",
        "high ISO",
    }
    assert len(select_keepers(made, lens="lens 3")) == 15
    assert len(select_keepers(made, folder="01 coast")) == 20
    assert len(select_keepers(made, folder="/photos/2023/01 coast/")) == 20
    assert len(select_keepers(made, folder="1 coast")) == 0
    assert len(select_keepers(made, at_least=0.5)) == 30
    made["keepers"][59]["probability"] = None
    assert len(select_keepers(made, at_least=0.5)) == 29
    both = [k for k in made["keepers"][::4] if k["cause"] == "shake"]
    assert both
    assert select_keepers(made, ["shake"], "lens 0", "photos", 0.0) == both


@given(st.text(max_size=60))
def test_any_path_stays_on_its_line(path: str) -> None:
    line = keeper_line(
        {"path": path, "soft": True, "noisy": False, "cause": "a\tb\nc", "evidence": ["d\te"]}
    )
    assert line.count("\t") == 6
    assert len(line.splitlines()) == 1
    assert "\x1b" not in line


def test_names_are_set_apart_and_escaped_in_sentences() -> None:
    made = made_up.profile(1)
    made["lenses"][0]["lens"] = "<b>24-70 mm f/2.8</b>\ue001 ISO 100"
    html = [str(figures(line)) for line in _findings(made)]
    assert '<bdi class="called">&lt;b&gt;24-70 mm f/2.8&lt;/b&gt;\\ue001 ISO 100</bdi>' in html[1]
    assert '<span class="fig">f/' in html[1]


def _findings(made: dict) -> list[str]:
    from auditor.report.summary import findings

    return findings(copy.deepcopy(made))


def test_words_of_inference_become_sentences() -> None:
    assert sentence("sides alike") == "Sides alike."
    assert sentence("f/22 costs the corners more than f/8 would") == (
        "f/22 costs the corners more than f/8 would."
    )
    assert sentence("Sure!") == "Sure!"
    assert sentence("") == sentence(None) == ""


def test_what_has_no_name_is_told_last_and_reads_well() -> None:
    made = made_up.profile(3)
    made["lenses"][0] |= {"lens": "unknown lens", "frames": 99_999}
    lines = summary_lines(made)
    told = [line for line in lines if ": best" in line]
    assert told[-1].startswith("Lens not named in its files on the Halden M5: ")
    assert not any("unknown" in line for line in lines)
    # Frames that name neither may be of any gear: as on the first screen they advise nothing.
    made["lenses"][0]["body"] = made["bodies"][0]["body"] = "unknown body"
    lines = summary_lines(made)
    assert not any("not named" in line or "unknown" in line for line in lines)
    assert "1 more lens in the report." in lines


def test_a_body_says_what_its_files_are_where_their_pixels_are_not_the_sensors() -> None:
    def scales(*entries: tuple[str, float, int]) -> list[dict[str, object]]:
        return [{"file_kind": k, "pixel_pitch_um": um, "frames": n} for k, um, n in entries]

    assert scale_sentence(scales(("camera full size", 3.82, 9), ("raw", 3.8, 3))) == ""
    assert scale_sentence([]) == ""
    assert (
        scale_sentence(scales(("camera reduced", 7.73, 53)))
        == "Files: 53 a smaller size of the camera's."
    )
    mixed = scales(("edited reduced", 22.39, 21), ("cropped", 6.58, 2), ("edited reduced", 17.2, 1))
    assert scale_sentence(mixed) == "Files: 22 reduced and 2 cropped."
    assert scale_sentence(scales(("unknown", 4.0, 1))) == "Files: 1 of unknown kind."
