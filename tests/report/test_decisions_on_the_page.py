"""What the page says of decisions: lens against lens, dust, visible or not."""

from __future__ import annotations

import re
from typing import Any

import made_up
import pytest

from auditor.report.page import MOST_SPOTS, render_report


def text_of(made: dict[str, Any]) -> str:
    page = re.sub(r"<(script|style).*?</\1>", "", render_report(made, None, None), flags=re.S)
    return " ".join(re.sub(r"<[^>]*>", " ", page).split())


def test_lenses_that_share_focal_lengths_stand_side_by_side_with_their_intervals() -> None:
    made: Any = made_up.profile(2)
    names = ("Tarn 35", "Mere 24-70")
    rival = {"lens": names[0], "against": names[1], "body": "Alder", "against_body": "Alder"}
    made["rivals"] = [
        rival | {"declined": "too few frames", "text": "not held against each other", "zones": {}},
        rival | {"declined": None, "text": "Tarn 35 is sharper", "zones": {}, "seen": {}},
    ]
    made["lens_choice"] = [
        {"body": "Alder", "lens": lens, "converter": None, "focal_mm": focal, "f_number": 5.6,
         "mtf50_cpp": value, "low": value - 0.01, "high": value + 0.01, "take": take}
        for lens, focal, value, take in (
            (names[0], [35, 35], 0.31, "yes"), (names[1], [24, 70], 0.27, "no"),
            ("Fell 35", [35, 35], 0.29, None),
        )
    ]  # fmt: skip
    text = text_of(made)
    assert "Tarn 35 35 mm f/5.6 0.310 (0.300 to 0.320) sharper" in text
    assert "Mere 24-70 24 to 70 mm f/5.6 0.270 (0.260 to 0.280) softer" in text
    assert "Fell 35 35 mm f/5.6 0.290 (0.280 to 0.300) no clear answer" in text
    assert "Tarn 35 is sharper." in text
    assert "Not compared not held against each other." in text


def test_fainter_spots_of_dust_are_counted() -> None:
    made: Any = made_up.profile(1)
    made["dust"] = [{"body": "Alder", "text": f"a spot {n}"} for n in range(MOST_SPOTS + 1)]
    text = text_of(made)
    assert text.count("Alder : a spot") == MOST_SPOTS
    assert "1 fainter spot stands in the tables." in text
    assert "Which lens?" not in text


def test_losses_are_told_range_by_range() -> None:
    made: Any = made_up.profile(1)
    made["visible"] = [
        {"lens": "Tarn 24-70", "body": "Alder", "converter": None, "focal_mm": focal, "f_number": n,
         "against_f_number": 8.0, "viewing": "screen at 100%", "zone": "corner", "loss_jnd": 1.4,
         "low": 1.1, "high": 1.8, "verdict": "visible", "odds": None, "largest_print_cm": 40,
         "evidence": "fair"}
        for focal in ([24, 24], [70, 70]) for n in (4.0, 5.6)
    ]  # fmt: skip
    text = text_of(made)
    for focal in (24, 70):
        assert f"Tarn 24-70 at {focal} mm on Alder , against f/8 Aperture" in text
    assert text.count("f/5.6 visible 1.4 (1.1 to 1.8), corner 40 cm") == 2


def test_what_is_known_of_the_centre_alone_is_told_of_it_alone() -> None:
    """And no print is called large enough for a corner that nobody has seen."""
    made: Any = made_up.profile(1)
    known = {
        "lens": "Tarn 24", "body": "Alder", "converter": None, "focal_mm": [24, 24],
        "against_f_number": 8.0, "viewing": "screen at 100%", "zone": "centre", "loss_jnd": 0.4,
        "low": 0.1, "high": 0.8, "verdict": "not visible", "odds": None, "evidence": "fair",
    }  # fmt: skip
    made["visible"] = [
        known | {"f_number": n, "largest_print_cm": print_cm, "zone_missing": missing}
        for n, print_cm, missing in (
            (9.0, 300, "corner"), (10.0, 45, "corner"), (11.0, None, "corner"), (13.0, 300, None),
        )
    ]  # fmt: skip
    text = text_of(made)
    alone = "not visible 0.4 (0.1 to 0.8), centre only"
    for n, told in ((9, "not known"), (10, "at most 45 cm"), (11, "under 10 cm")):
        assert f"f/{n} {alone} {told}" in text
    assert "f/13 not visible 0.4 (0.1 to 0.8), centre 3 m and more" in text
    assert "“Only”:" in text
    made["visible"] = made["visible"][-1:]
    assert "“Only”:" not in text_of(made)


def test_copies_of_a_lens_have_tables_of_their_own() -> None:
    """As have a lens with its converter and without: rows have as many cells as the head has columns."""
    made: Any = made_up.profile(1)
    own = ((None, None), ("1.4x", None), (None, "111"), (None, "222"))
    made["visible"] = [
        {"lens": "Tarn 35", "body": "Alder", "converter": converter, "lens_serial": serial,
         "focal_mm": [35, 35], "f_number": n, "against_f_number": 8.0, "viewing": viewing,
         "zone": "corner", "loss_jnd": 1.4, "low": 1.1, "high": 1.8, "verdict": "visible",
         "odds": None, "largest_print_cm": 40, "evidence": "fair"}
        for converter, serial in own for n in (4.0, 5.6) for viewing in ("print", "screen")
    ]  # fmt: skip
    page = render_report(made, None, None)
    page = page[page.index("Visible or not") :]
    tables = re.findall(r"<table.*?</table>", page[: page.index("</section>")], flags=re.S)
    assert [(t.count("<td"), t.count('<th scope="row"')) for t in tables] == [(6, 2)] * len(own)
    text = text_of(made)
    for name in ("Tarn 35 + 1.4x", "Tarn 35 (serial 111)", "Tarn 35 (serial 222)"):
        assert f"{name} at 35 mm on Alder" in text


def test_noise_that_may_show_sooner_or_later_has_its_interval() -> None:
    made: Any = made_up.profile(1)
    body = made["bodies"][0]["body"]
    cells = {
        (200, 400, 400, 400): "ISO 400 not yet at ISO 200",
        (200, 400, 200, 800): "ISO 400 (ISO 200 to 800)",
        (None, 200, 200, 400): "ISO 200 (ISO 200, the lowest used, to 400)",
        (200, 400, 400, None): "ISO 400 (ISO 400 to above the highest used)",
        (
            800,
            None,
            400,
            None,
        ): "not up to ISO 800, the highest used (from ISO 400 on at the earliest)",
    }
    made["noise_visible"] = [
        {"body": body, "viewing": f"view {i}", "iso": iso, "first_seen_iso": seen,
         "first_seen_low": low, "first_seen_high": high, "frames": 20}
        for i, (iso, seen, low, high) in enumerate(cells)
    ]  # fmt: skip
    assert " ".join(cells.values()) in text_of(made)


def test_nothing_decided_says_nothing() -> None:
    assert "From figures to decisions" not in text_of(made_up.profile(1))


@pytest.mark.parametrize(
    ("frames", "shown"),
    [(6, "none; 6 frames with it"), (1, "none; 1 frame with it"), ([20, 12], "none; 20 and 12 frames")],
)  # fmt: skip
def test_a_comparison_without_pairs_counts_its_frames(frames: int | list[int], shown: str) -> None:
    made: Any = made_up.profile(2)
    made["comparisons"][0] |= {"pairs": 0, "difference": None, "frames": frames}
    text = text_of(made)
    assert shown in text
    assert "none; and" not in text
