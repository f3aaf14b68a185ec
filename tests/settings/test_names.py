"""Names of bodies and lenses, converters, serial numbers."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.settings.names import (
    LensRange,
    body_key,
    body_name,
    body_serial,
    converter_from_range,
    is_no_serial,
    lens_key,
    lens_name,
    range_from_name,
    split_converter,
)


@pytest.mark.parametrize(
    ("make", "model", "name"),
    [
        ("Northlight", "NL-7", "Northlight NL-7"),
        ("NORTHLIGHT CORPORATION", "NORTHLIGHT D7", "NORTHLIGHT D7"),
        ("Northlight Co.,Ltd.", "NL-7", "Northlight NL-7"),
        ("Northlight Camera AG", "NORTHLIGHT T (Typ 7)", "NORTHLIGHT T (Typ 7)"),
        ("Northlight", "NL-7 Ver.1.02", "Northlight NL-7"),
        ("Northlight", "NL-7 firmware 1.2", "Northlight NL-7"),
        ("Halden Imaging", "H2", "Halden Imaging H2"),
        ("Brenner", None, "Brenner"),
        (None, "B1", "B1"),
        (None, None, None),
        ("456", "123", "456 123"),
        ("Co", "Ltd", "Co Ltd"),
    ],
)
def test_make_and_model_once_each(make: str | None, model: str | None, name: str | None) -> None:
    assert body_name(make, model) == name


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("Northlight NL-7", "NORTHLIGHT NL7"),
        ("Northlight NL-7", "northlight  nl-7 Ver.2.0"),
        ("Halden Imaging H2", "HALDEN H2"),
        ("Halden Optical Co. H2", "Halden H2"),
    ],
)
def test_spellings_of_one_body_share_a_key(one: str, other: str) -> None:
    assert body_key(one) == body_key(other)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("Northlight NL-7", "Northlight NL-7 II"),
        ("Northlight NL-7", "Northlight NL-70"),
        ("Halden H2", "Halden H2 X"),
        ("Halden H2+", "Halden H2"),
    ],
)
def test_different_bodies_do_not(one: str, other: str) -> None:
    assert body_key(one) != body_key(other)


@given(st.text(min_size=1, max_size=40))
def test_a_key_ignores_case_and_is_never_empty(name: str) -> None:
    assert body_key(name)
    ascii_name = name.encode("ascii", "ignore").decode()
    if ascii_name.strip():
        assert body_key(ascii_name.upper()) == body_key(ascii_name.lower())


@pytest.mark.parametrize("text", ["0", "0000000000", "None", "-", "N/A", "ffffffff", "  "])
def test_placeholders_are_no_serial_numbers(text: str) -> None:
    assert is_no_serial(text)
    assert body_serial({"Exif.Photo.BodySerialNumber": text}) is None


def test_serial_from_exif_before_private_notes() -> None:
    exif = {"Exif.Photo.BodySerialNumber": "6006078", "Exif.Nikon3.SerialNO": "NO= 1005a431"}
    assert body_serial(exif) == "6006078"
    assert body_serial({"Exif.Nikon3.SerialNO": "NO= 1005a431     "}) == "1005a431"


def test_lens_names_in_their_order() -> None:
    exif = {
        "Exif.Photo.LensModel": "NL 24-70mm F2.8",
        "Exif.OlympusEq.LensModel": "maker's name",
        "Exif.Photo.LensSpecification": "24/1 70/1 28/10 28/10",
    }
    assert lens_name(exif | {"Xmp.aux.Lens": "another"}) == "NL 24-70mm F2.8"
    del exif["Exif.Photo.LensModel"]
    assert lens_name(exif | {"Xmp.aux.Lens": "another"}) == "another"
    assert lens_name(exif) == "maker's name"
    del exif["Exif.OlympusEq.LensModel"]
    assert lens_name(exif) == "24-70 mm f/2.8"
    assert lens_name({}) is None


@pytest.mark.parametrize(
    "text", ["", "----", "0.0 mm f/0.0", "N/A", "Unknown", "None", "61182", "\x00\x00", "0mm F0"]
)
def test_placeholders_are_no_lens_names(text: str) -> None:
    assert lens_name({"Exif.Photo.LensModel": text}) is None


@pytest.mark.parametrize(
    ("rationals", "name"),
    [
        ("24/1 24/1 28/10 28/10", "24 mm f/2.8"),
        ("18/1 55/1 35/10 56/10", "18-55 mm f/3.5-5.6"),
        ("50/1 50/1 0/0 0/0", "50 mm"),  # Exif: 0/0 is an unknown f-number
        ("17/4 17/4 9/5 9/5", "4.2 mm f/1.8"),
        ("0/0 0/0 0/0 0/0", None),
        ("0/1 0/1 0/1 0/1", None),
        ("garbage", None),
    ],
)
def test_a_specification_becomes_a_readable_name(rationals: str, name: str | None) -> None:
    assert lens_name({"Exif.Photo.LensSpecification": rationals}) == name


def test_ranges_of_private_notes() -> None:
    assert lens_name({"Exif.Nikon3.Lens": "180/10 550/10 35/10 56/10"}) == "18-55 mm f/3.5-5.6"
    assert lens_name({"Exif.CanonCs.Lens": "23200 5800 1000"}) == "5.8-23.2 mm"


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("NL 70-200mm f/2.8", LensRange(70, 200, 2.8, 2.8)),
        ("NL70-200mm F2.8 OS", LensRange(70, 200, 2.8, 2.8)),
        ("18-55 mm f/3.5-5.6", LensRange(18, 55, 3.5, 5.6)),
        ("Halden 50 mm 1:1.8", LensRange(50, 50, 1.8, 1.8)),
        ("H 100-400mm F4.5-6.3 DG", LensRange(100, 400, 4.5, 6.3)),
        ("back camera 4.25mm f/1.8", LensRange(4.25, 4.25, 1.8, 1.8)),
        ("M.17mm F1.8", LensRange(17, 17, 1.8, 1.8)),
        ("NL 35 mm", LensRange(35, 35)),
        ("Halden 1:2.8 35 mm", LensRange(35, 35, 2.8, 2.8)),
        ("The Old One", None),
        ("Mark 2", None),
    ],
)
def test_the_range_that_a_name_states(name: str, expected: LensRange | None) -> None:
    assert range_from_name(name) == expected


def test_spellings_of_one_lens_share_a_key_and_others_do_not() -> None:
    assert (
        lens_key("NL 70-200mm f/2.8")
        == lens_key("NL 70-200 mm F2.8")
        == lens_key("nl 70–200MM F/2.8")
    )
    assert lens_key("NL 70-200mm f/2.8") != lens_key("NL 70-200mm f/4")
    assert lens_key("NL 1.8 50mm") != lens_key("NL 18 50mm")


@pytest.mark.parametrize(
    ("text", "lens", "converter"),
    [
        ("NL 300 mm f/4 + 1.4x", "NL 300 mm f/4", "1.4x"),
        ("NL 300mm f/4 +1.4x III", "NL 300mm f/4", "1.4x"),
        ("NL 300mm f/4 + NL Converter 2x", "NL 300mm f/4", "2x"),
        ("NL 300mm f/4 with 1,7x converter", "NL 300mm f/4", "1.7x"),
        ("NL 300mm f/4 + TC x1.4", "NL 300mm f/4", "1.4x"),
        ("NL 100-400mm F5.6-8 + EXTENDER NL1.4x", "NL 100-400mm F5.6-8", "1.4x"),
        ("NL70-200mm f/2.8L + NL2x III", "NL70-200mm f/2.8L", "2x"),
        ("NL 100-400mm + NL TC-1.4x", "NL 100-400mm", "1.4x"),
        ("NL 28-100 mm with 12x zoom", "NL 28-100 mm with 12x zoom", None),
        ("NL 50 mm and Apex 2", "NL 50 mm and Apex 2", None),
        ("NL 300mm f/4", "NL 300mm f/4", None),
        ("NL 10x zoom", "NL 10x zoom", None),
        ("NL Macro 1x + hood", "NL Macro 1x + hood", None),
        ("NL HD+ 50 mm", "NL HD+ 50 mm", None),
    ],
)
def test_a_converter_in_the_lens_text(text: str, lens: str, converter: str | None) -> None:
    assert split_converter(text) == (lens, converter)


@pytest.mark.parametrize(
    ("focal", "f_number", "converter"),
    [
        (200, 2.8, None),
        (280, 4, "1.4x"),
        (400, 5.6, "2x"),
        (400, 4, None),  # 2x would not let f/4 through
        (280, 2.8, None),  # nor would 1.4x let f/2.8
        (340, 8, "1.7x"),
        (98, 4, None),  # within the lens's own range: nobody can tell
        (50, 2, "0.71x"),
        (None, 4, None),
        (5000, 4, None),
    ],
)
def test_a_converter_from_outside_the_lens_range(
    focal: float | None, f_number: float, converter: str | None
) -> None:
    assert converter_from_range(LensRange(70, 200, 2.8, 2.8), focal, f_number) == converter


@given(st.floats(10, 600), st.floats(1.2, 8), st.sampled_from([1.4, 2.0]), st.floats(0, 6))
def test_a_prime_behind_a_converter_is_always_recognised(
    focal: float, widest: float, factor: float, stops: float
) -> None:
    lens = LensRange(focal, focal, widest, widest)
    f_number = widest * factor * 2 ** (stops / 2)
    assert converter_from_range(lens, focal * factor, f_number) == f"{factor:g}x"
    assert converter_from_range(lens, focal, f_number) is None
