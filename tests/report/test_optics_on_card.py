"""Hyperfocal distance and depth of field on the pocket card against printed examples."""

from __future__ import annotations

import made_up
import pytest
from drawn_truth import defocus_disc_px

from auditor import optics
from auditor.report import card, scales, words


def test_hyperfocal_of_a_printed_example() -> None:
    """The Barnet Book of Photography, chapter 'Depth': a six-inch lens at f/8 with 1/100 inch of
    confusion has 450 inches, by f^2 / (N c); the card's formula counts from the other side of the
    lens and so adds one focal length."""
    inch = 25.4
    metres = optics.hyperfocal_m(6 * inch, 8, 1e3 * inch / 100)
    assert metres * 1000 / inch == pytest.approx(450 + 6)


@pytest.mark.parametrize(("focal_mm", "n", "pitch"), [(24, 8, 3.8), (50, 11, 4.4), (200, 5.6, 5.9)])
def test_card_states_textbook_distance_at_its_own_criterion(
    focal_mm: float, n: float, pitch: float
) -> None:
    """H = f^2 / (N c) + f (any textbook, thin lens), c two pixels. Focused there, the near limit
    s (H - f) / (H + s - 2 f) lies at half of it, as the card says, and the blur at infinity is c."""
    part = {"focal_mm": [focal_mm, focal_mm], "sweet_spot": {"f_number": n}}
    ((_, metres),) = card.hyperfocals(part, pitch, 2.0)
    by_hand = (focal_mm**2 / (n * 2 * pitch / 1000) + focal_mm) / 1000
    assert metres == pytest.approx(by_hand, rel=1e-12)
    f = focal_mm / 1000
    assert metres * (metres - f) / (2 * metres - 2 * f) == pytest.approx(metres / 2)
    assert defocus_disc_px(focal_mm, n, pitch, metres) == pytest.approx(2.0)


def test_distance_on_the_card_is_never_short_of_the_formula() -> None:
    """Focus short of the hyperfocal distance loses infinity, so printed figures round up."""
    for value in (0.123, 0.951, 1.0, 1.01, 9.94, 9.96, 41.3, 99.2, 456.0, 1234.0):
        text = words.metres(value)
        number, unit = text.split()
        assert float(number) * (1000 if unit == "km" else 1) >= value - 1e-9
        assert float(number) * (1000 if unit == "km" else 1) <= value * 1.1


def test_card_uses_the_criterion_of_the_profile() -> None:
    made = made_up.profile(1)
    part, pitch = made["lenses"][0]["focal_ranges"][0], made["lenses"][0]["pixel_pitch_um"]
    two, four = (card.hyperfocals(part, pitch, blur_px) for blur_px in (2.0, 4.0))
    assert [n for n, _ in two] == [n for n, _ in four]
    for (_, a), (_, b) in zip(two, four, strict=True):
        assert b == pytest.approx(a / 2, rel=0.01)  # a focal length more
    for blur_px, distances in ((2.0, two), (4.0, four)):
        made["criteria"]["coc_pixels"] = blur_px
        text = card.render_card(made)
        assert f"blur circle {blur_px:g} px ({blur_px * pitch:.3g} µm)" in text
        assert all(f"{words.aperture(n)} {words.metres(d)}</b>" in text for n, d in distances)


def test_card_names_what_to_avoid_on_both_sides() -> None:
    made = made_up.profile(1)
    part = made["lenses"][0]["focal_ranges"][0]
    part["acceptable"] = [4.0, 16.0]
    assert card.avoid(part) == "below f/4 and beyond f/16"
    part["acceptable"] = [part["apertures"][0]["f_number"], part["apertures"][-1]["f_number"]]
    assert card.avoid(part) == ""


def test_intervals_stand_on_the_card_in_small_type() -> None:
    made = made_up.profile(1)
    part = made["lenses"][0]["focal_ranges"][0]
    part |= {
        "pin_sharp": [4.0, 11.0],
        "pin_sharp_intervals": [[4.0, 4.5], [10.0, 11.0]],
        "acceptable": [2.8, 16.0],
        "acceptable_intervals": [[2.8, 2.8], [16.0, 16.0]],
        "sweet_spot": {"f_number": 8.0, "low": 7.1, "high": 9.0},
    }
    text = card.render_card(made)
    assert "f/8 <small>f/7.1 to f/9</small>" in text
    assert "f/4 to f/11 <small>±⅓</small>" in text
    assert "f/2.8 to f/16 <small>±0</small>" in text
    part["pin_sharp_intervals"] = [[2.8, 4.5], [10.0, 11.0]]  # a whole stop below
    part["sweet_spot"] |= {"low": 8.0, "high": 8.0}
    text = card.render_card(made)
    assert "f/8 <small>±0</small>" in text
    assert "f/4 to f/11 <small>±1</small>" in text
    band = made["bodies"][0]["brightness"][0]
    band["usable_iso"] = {"excellent": 200, "acceptable": 2500}
    band["usable_iso_detail"] = {
        "excellent": {"low": 50, "high": 400, "reason": None},
        "acceptable": {"low": 2500, "high": 2500, "reason": "likely higher still; ISO 1600 is the highest used"},
    }  # fmt: skip
    text = card.render_card(made)
    assert "<td>200 / ≥2500<small>50\u2060–\u2060400 / –</small></td>" in text


def test_a_range_of_all_apertures_used_claims_no_end() -> None:
    """Nothing outside it was tried: the ends are the archive's, and no interval of the lens's."""
    made = made_up.profile(1)
    part = made["lenses"][0]["focal_ranges"][0]
    ends = [part["apertures"][0]["f_number"], part["apertures"][-1]["f_number"]]
    part |= {
        "pin_sharp": ends, "pin_sharp_intervals": [[n, n] for n in ends],
        "acceptable": ends, "acceptable_intervals": [[n, n] for n in ends],
    }  # fmt: skip
    text = card.render_card(made)
    first = text.split('class="range"')[1]
    assert f"{words.aperture_range(ends)} <small>all used</small>" in first
    assert "accept</i>" not in first
    assert scales.ends_between(part, "pin_sharp") == "all that were used"
    part["pin_sharp_intervals"][1] = [11.0, ends[1]]
    assert scales.ends_between(part, "pin_sharp") == f"upper end f/11 to {words.aperture(ends[1])}"


def test_hyperfocal_distances_are_those_of_the_sensor_s_own_pixels() -> None:
    """A lens judged from files of half the size is used on the whole sensor all the same."""
    made = made_up.profile(1)
    lens = made["lenses"][0]
    own = next(b for b in made["bodies"] if b["body"] == lens["body"])["pixel_pitch_um"]
    before = card.render_card(made)
    lens["pixel_pitch_um"] = 2 * own
    assert card.render_card(made) == before


def test_iso_limits_by_light_stand_on_the_card() -> None:
    made = made_up.profile(1)
    rows = card.iso_rows(made["bodies"])
    assert [light for light, _ in rows] == [
        *("bright sun", "overcast", "shade and woodland", "dusk", "night")
    ]
    text = card.render_card(made)
    assert text.index("Halden M5") < text.index("Halden M7 II")
    for body in made["bodies"]:
        usable = body["brightness"][0]["usable_iso"]
        assert f"<td>{usable['excellent']:.0f} / {usable['acceptable']:.0f}" in text
    assert rows[-1][1][0][0].short == "none"


def test_what_too_few_frames_tell_stands_on_no_card() -> None:
    """As on the first screen: limits of a body whose noise hardly shows, or of light with few frames."""
    made = made_up.profile(1)
    first, second = made["bodies"]
    first["limits_firm"] = False
    second["brightness"] = second["brightness"][:2]
    second["brightness"][0]["frames"] = 4
    text = card.render_card(made)
    assert first["body"] not in text.split("ISO limit by light")[1]
    assert "bright sun" not in text
    assert "overcast" in text
