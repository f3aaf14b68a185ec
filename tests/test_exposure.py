"""Exposure arithmetic against Exif's APEX tables and the engraved scales."""

import pytest

from auditor import exposure


@pytest.mark.parametrize(
    ("av", "n"),
    [
        (0, 1),
        (1, 1.4),
        (2, 2),
        (3, 2.8),
        (4, 4),
        (5, 5.6),
        (6, 8),
        (7, 11),
        (8, 16),
        (9, 22),
        (10, 32),
    ],
)
def test_apex_aperture_table(av: float, n: float) -> None:
    """Exif 2.32, annex C, aperture value against F-number (printed rounded, up to 3%)."""
    assert exposure.aperture_from_apex(av) == pytest.approx(n, rel=0.03)


@pytest.mark.parametrize(
    ("tv", "seconds"), [(-5, 32), (0, 1), (1, 1 / 2), (5, 1 / 32), (10, 1 / 1024)]
)
def test_apex_time_is_a_power_of_two(tv: float, seconds: float) -> None:
    """Exif 2.32, annex C: Tv = -log2 t (the table prints 30 for 32, 1/1000 for 1/1024)."""
    assert exposure.time_from_apex(tv) == pytest.approx(seconds)


def test_apertures_are_written_as_they_are_engraved() -> None:
    """Common practice, no source."""
    written = ["f/0.95", "f/1", "f/1.25", "f/1.4", "f/5.6", "f/8", "f/11"]
    assert [exposure.aperture_text(float(text[2:])) for text in written] == written


def test_ev100_of_sunny_16() -> None:
    """f/16, 1/125 s at ISO 125 is EV100 about 14.6: sunny weather (common practice, no source)."""
    assert exposure.ev100(16, 1 / 125, 125) == pytest.approx(14.64, abs=0.01)
    assert exposure.ev100(1, 1, 100) == 0


@pytest.mark.parametrize(
    ("given", "nominal"),
    [
        (3.6, 3.5),
        (3.5, 3.5),
        (6.4, 6.3),
        (6.3, 6.3),
        (5.66, 5.6),
        (7.96, 8),
        (1.2, 1.2),
        (22.6, 22),
    ],
)
def test_apertures_group_to_the_engraved_third(given: float, nominal: float) -> None:
    assert exposure.nominal_f_number(given) == nominal


@pytest.mark.parametrize(
    ("given", "nominal"), [(1148, 1250), (100, 100), (51200, 51200), (640, 640)]
)
def test_iso_groups_to_the_engraved_third(given: float, nominal: int) -> None:
    assert exposure.nominal_iso(given) == nominal


def test_every_engraved_value_is_its_own_nominal() -> None:
    for n in exposure.F_NUMBERS:
        assert exposure.nominal_f_number(n) == n
    for iso in exposure.ISOS:
        assert exposure.nominal_iso(iso) == iso
