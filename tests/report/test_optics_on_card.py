"""Hyperfocal distance and depth of field on the pocket card against printed examples."""

from __future__ import annotations

import math

import made_up
import pytest

from auditor import optics
from auditor.report import card, words


def test_hyperfocal_of_a_printed_example() -> None:
    """The Barnet Book of Photography, chapter 'Depth': a six-inch lens at f/8 with 1/100 inch of
    confusion has 450 inches, by f^2 / (N c); the card's formula counts from the other side of the
    lens and so adds one focal length."""
    inch = 25.4
    metres = optics.hyperfocal_m(6 * inch, 8, 1e3 * inch / 100)
    assert metres * 1000 / inch == pytest.approx(450 + 6)


@pytest.mark.parametrize(
    ("focal_mm", "near", "far"),
    [
        (28, 1.80512, math.inf),
        (35, 2.25122, 17.9225),
        (50, 2.90023, 6.4433),
        (85, 3.53967, 4.59796),
    ],
)
def test_depth_of_field_of_a_printed_table(focal_mm: float, near: float, far: float) -> None:
    """Euler Math Toolbox, reference 'Depth of Field of an Ideal Lens': focus at 4 m, f/8, 0.03 mm;
    to its last printed digit (six figures)."""
    found = optics.depth_of_field_m(focal_mm, 8, 30.0, 4.0)
    assert [float(f"{v:.6g}") for v in found] == [near, far]


@pytest.mark.parametrize(("focal_mm", "n", "pitch"), [(24, 8, 3.8), (50, 11, 4.4), (200, 5.6, 5.9)])
def test_card_states_textbook_distance_at_its_own_criterion(
    focal_mm: float, n: float, pitch: float
) -> None:
    """H = f^2 / (N c) + f (any textbook, thin lens), c two pixels; sharp from half of it."""
    ((_, metres),) = card.hyperfocals(focal_mm, [n], pitch, 2.0)
    by_hand = (focal_mm**2 / (n * 2 * pitch / 1000) + focal_mm) / 1000
    assert metres == pytest.approx(by_hand, rel=1e-12)
    near, far = optics.depth_of_field_m(focal_mm, n, 2 * pitch, metres)
    assert near == pytest.approx(metres / 2)
    assert far == math.inf


def test_distance_on_the_card_is_never_short_of_the_formula() -> None:
    """Focus short of the hyperfocal distance loses infinity, so printed figures round up."""
    for value in (0.123, 0.951, 1.0, 1.01, 9.94, 9.96, 41.3, 99.2, 456.0, 1234.0):
        text = words.metres(value)
        number, unit = text.split()
        assert float(number) * (1000 if unit == "km" else 1) >= value - 1e-9
        assert float(number) * (1000 if unit == "km" else 1) <= value * 1.1


def test_card_uses_the_criterion_of_the_profile() -> None:
    made = made_up.profile(1)
    two = card.contents(made)["lenses"][0]["ranges"][0].hyperfocal
    made["criteria"]["coc_pixels"] = 4.0
    four = card.contents(made)["lenses"][0]["ranges"][0].hyperfocal
    assert [n for n, _ in two] == [n for n, _ in four]
    for (_, a), (_, b) in zip(two, four, strict=True):
        assert float(b.split()[0]) == pytest.approx(float(a.split()[0]) / 2, rel=0.12)
    assert "blur circle 4 px (17.6 µm)" in card.render_card(made)


def test_card_names_what_to_avoid_on_both_sides() -> None:
    made = made_up.profile(1)
    part = made["lenses"][0]["focal_ranges"][0]
    part["acceptable"] = [4.0, 16.0]
    found = card.card_ranges(made["lenses"][0], 2.0)[0]
    assert found.avoid == "below f/4 and beyond f/16"
    part["acceptable"] = [part["apertures"][0]["f_number"], part["apertures"][-1]["f_number"]]
    assert card.card_ranges(made["lenses"][0], 2.0)[0].avoid == ""


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
    found = card.card_ranges(made["lenses"][0], 2.0)[0]
    assert (found.best_between, found.use_within, found.accept_within) == (
        "f/7.1 to f/9",
        "±⅓",
        "±0",
    )
    part["pin_sharp_intervals"] = [[2.8, 4.5], [10.0, 11.0]]  # a whole stop below
    part["sweet_spot"] |= {"low": 8.0, "high": 8.0}
    found = card.card_ranges(made["lenses"][0], 2.0)[0]
    assert (found.best_between, found.use_within) == ("±0", "±1")
    band = made["bodies"][0]["brightness"][0]
    band["usable_iso"] = {"excellent": 200, "acceptable": 2500}
    band["usable_iso_detail"] = {
        "excellent": {"low": 50, "high": 400, "reason": None},
        "acceptable": {"low": 2500, "high": 2500, "reason": "likely higher still; ISO 1600 is the highest used"},
    }  # fmt: skip
    both = card.card_bodies(made["bodies"])
    assert both.rows[0][1][0] == "200 / ≥2500"
    assert both.intervals[0] == ("50\u2060–\u2060400 / –", "")
    assert "<small>50\u2060–\u2060400 / –</small>" in card.render_card(made)


def test_iso_limits_by_light_stand_on_the_card() -> None:
    made = made_up.profile(1)
    both = card.card_bodies(made["bodies"])
    assert both.bodies == ("Halden M5", "Halden M7 II")
    assert [light for light, _ in both.rows] == [
        *("bright sun", "overcast", "shade and woodland", "dusk", "night")
    ]
    usable = [b["brightness"][0]["usable_iso"] for b in made["bodies"]]
    assert both.rows[0][1] == tuple(f"{u['excellent']:.0f} / {u['acceptable']:.0f}" for u in usable)
    assert both.rows[-1][1][0].startswith("none / ")
    text = card.render_card(made)
    assert all(cell in text for _, cells in both.rows for cell in cells)
