"""Exposure out of tags: the places, the fallbacks, the absurdities."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.settings import exposure_tags
from auditor.settings.tags import numbers, within

# Exif 2.32 (CIPA DC-008-2019), annex C: the table of Av against f-number and of Tv against time.
APEX_APERTURE = [
    (0, 1), (1, 1.4), (2, 2), (3, 2.8), (4, 4), (5, 5.6), (6, 8), (7, 11), (8, 16), (9, 22), (10, 32),
]  # fmt: skip
APEX_TIME = [
    (-5, 30), (-4, 15), (-3, 8), (-2, 4), (-1, 2), (0, 1), (1, 1 / 2), (2, 1 / 4), (3, 1 / 8),
    (4, 1 / 15), (5, 1 / 30), (6, 1 / 60), (7, 1 / 125), (8, 1 / 250), (9, 1 / 500), (10, 1 / 1000),
    (11, 1 / 2000),
]  # fmt: skip


@pytest.mark.parametrize(("apex", "f_number"), APEX_APERTURE[1:])
def test_aperture_value_of_the_standards_table(apex: int, f_number: float) -> None:
    found = exposure_tags.aperture({"Exif.Photo.ApertureValue": f"{apex}/1"}, [])
    # The table prints engraved numbers: 5.6 for 5.657, 11 for 11.31, 22 for 22.63.
    assert found == pytest.approx(f_number, rel=0.03)
    assert found == pytest.approx(math.sqrt(2) ** apex, abs=0.005)


@pytest.mark.parametrize(("apex", "seconds"), APEX_TIME)
def test_shutter_speed_value_of_the_standards_table(apex: int, seconds: float) -> None:
    found = exposure_tags.exposure_time({"Exif.Photo.ShutterSpeedValue": f"{apex}/1"}, [])
    assert found == pytest.approx(seconds, rel=0.07)  # 1/15 is engraved for 1/16, 1/125 for 1/128
    assert found == 2.0**-apex


@given(st.floats(0.7, 64))
def test_an_aperture_survives_its_apex_value(f_number: float) -> None:
    apex = round(2 * math.log2(f_number) * 1_000_000)
    found = exposure_tags.aperture({"Exif.Photo.ApertureValue": f"{apex}/1000000"}, [])
    if apex != 0:
        assert found == pytest.approx(f_number, abs=0.006)


def test_the_plain_tags_win_over_apex() -> None:
    exif = {
        "Exif.Photo.FNumber": "56/10", "Exif.Photo.ApertureValue": "6/1",
        "Exif.Photo.ExposureTime": "1/200", "Exif.Photo.ShutterSpeedValue": "5/1",
    }  # fmt: skip
    assert exposure_tags.aperture(exif, []) == 5.6
    assert exposure_tags.exposure_time(exif, []) == 0.005


@pytest.mark.parametrize("text", ["0/1", "0/0", "1/0", "-28/10", "nonsense", "99999/1", ""])
def test_an_absurd_aperture_is_missing_and_said(text: str) -> None:
    notes: list[str] = []
    assert exposure_tags.aperture({"Exif.Photo.FNumber": text}, notes) is None
    assert len(notes) == (1 if text else 0)


@pytest.mark.parametrize("text", ["0/1", "0/0", "1/0", "-1/60", "4294967295/1"])
def test_an_absurd_time_or_focal_length_is_missing_and_said(text: str) -> None:
    notes: list[str] = []
    assert exposure_tags.exposure_time({"Exif.Photo.ExposureTime": text}, notes) is None
    assert exposure_tags.focal_length({"Exif.Photo.FocalLength": text}, notes) is None
    assert len(notes) == 2


@pytest.mark.parametrize(
    ("tags", "iso"),
    [
        ({"ISOSpeedRatings": "400"}, 400),
        ({"ISOSpeedRatings": "400 0"}, 400),
        # Exif 2.3, tag 34855: 65535 when it does not fit, the rest in the 32-bit tags.
        ({"ISOSpeedRatings": "65535", "SensitivityType": "2", "RecommendedExposureIndex": "102400"}, 102_400),
        ({"ISOSpeedRatings": "65535", "SensitivityType": "1", "StandardOutputSensitivity": "204800"}, 204_800),
        (
            {
                "ISOSpeedRatings": "65535", "SensitivityType": "3", "ISOSpeed": "81920",
            },
            81_920,
        ),
        ({"SensitivityType": "2", "RecommendedExposureIndex": "800"}, 800),
        ({"StandardOutputSensitivity": "640"}, 640),
        ({"ISOSpeedRatings": "0", "ExposureIndex": "140/1"}, 140),
        ({"ISOSpeedRatings": "65535"}, 65_535),
        ({"ISOSpeedRatings": "4294967295"}, None),  # 32 bits all set: no value
        ({"ISOSpeedRatings": "1e+308"}, None),
        ({"ISOSpeedRatings": "0"}, None),
        ({}, None),
    ],
)  # fmt: skip
def test_iso_in_every_place_that_exif_has_for_it(tags: dict[str, str], iso: float | None) -> None:
    assert exposure_tags.sensitivity({f"Exif.Photo.{k}": v for k, v in tags.items()}, []) == iso


@pytest.mark.parametrize(
    ("exif", "iso"),
    [
        ({"Exif.Nikon3.ISOSpeed": "0 200"}, 200),
        ({"Exif.Casio2.ISO": "50"}, 50),
        # Base 100 is written as 160 (5 stops of 1/32 over 3.125).
        ({"Exif.CanonSi.ISOSpeed": "160", "Exif.CanonSi.AutoISO": "0"}, 100),
        ({"Exif.CanonSi.ISOSpeed": "160", "Exif.CanonSi.AutoISO": "32"}, 200),
        ({"Exif.CanonSi.ISOSpeed": "128", "Exif.CanonSi.AutoISO": "0"}, 50),
    ],
)
def test_iso_from_private_notes_when_exif_has_none(exif: dict[str, str], iso: float) -> None:
    assert exposure_tags.sensitivity(exif, []) == iso


def test_ev100_is_the_apex_sum() -> None:
    # Sunny sixteen: f/16, 1/100 s, ISO 100 is EV 8 + 6.64 (Exif annex C: Ev = Av + Tv).
    assert exposure_tags.brightness(16, 1 / 100, 100) == pytest.approx(8 + math.log2(100), abs=1e-3)
    assert exposure_tags.brightness(8, 1 / 250, 100) == pytest.approx(13.966, abs=1e-3)
    assert exposure_tags.brightness(8, 1 / 250, 200) == pytest.approx(12.966, abs=1e-3)
    assert exposure_tags.brightness(None, 1 / 250, 100) is None


@pytest.mark.parametrize(
    ("exif", "metres"),
    [
        ({"Exif.Photo.SubjectDistance": "25/10"}, 2.5),
        ({"Exif.Photo.SubjectDistance": "4294967295/1"}, None),  # Exif: infinity
        ({"Exif.Photo.SubjectDistance": "0/1"}, None),  # Exif: unknown
        ({"Exif.OlympusFi.FocusDistance": "9020/10"}, 0.902),
        ({"Exif.CanonSi.SubjectDistance": "346"}, 3.46),
        ({"Xmp": ""}, None),
    ],
)
def test_focus_distance_from_any_tag(exif: dict[str, str], metres: float | None) -> None:
    assert exposure_tags.focus_distance(exif) == metres


@pytest.mark.parametrize(
    ("value", "fired"), [("16", False), ("1", True), ("31", True), ("0", False)]
)
def test_flash_is_its_lowest_bit(value: str, fired: bool) -> None:
    assert exposure_tags.flash_fired({"Exif.Photo.Flash": value}) is fired


@given(st.one_of(st.text(max_size=40), st.lists(st.text(max_size=10), max_size=4), st.none()))
def test_numbers_never_raise_and_are_finite(value: Any) -> None:
    for number in numbers(value):
        assert number is None or math.isfinite(number)
    assert within(numbers(value), 0, 1) is None or 0 <= within(numbers(value), 0, 1) <= 1  # type: ignore[operator]


@given(st.integers(-(10**9), 10**9), st.integers(-(10**9), 10**9).filter(bool))
def test_rationals_are_their_quotient(over: int, under: int) -> None:
    assert numbers(f"{over}/{under}") == [over / under]
