"""White balance and keywords, wherever files keep them."""

from __future__ import annotations

import pytest
from made import settings_of


@pytest.mark.parametrize(
    ("tags", "balance"),
    [
        ({}, None),
        ({"Exif.Photo.WhiteBalance": "0"}, "auto"),
        ({"Exif.Photo.WhiteBalance": "0", "Exif.Photo.LightSource": "9"}, "auto"),
        ({"Exif.Photo.WhiteBalance": "1"}, "manual"),
        ({"Exif.Photo.WhiteBalance": "1", "Exif.Photo.LightSource": "10"}, "cloudy"),
        ({"Exif.Photo.WhiteBalance": "1", "Exif.Photo.LightSource": "255"}, "manual"),
        ({"Exif.Photo.LightSource": "1"}, "daylight"),
        ({"Exif.Photo.LightSource": "0"}, None),
        ({"Exif.Photo.WhiteBalance": "7"}, None),
        ({"Xmp.crs.WhiteBalance": "Shade", "Exif.Photo.WhiteBalance": "0"}, "shade"),
        ({"Xmp.crs.WhiteBalance": "As Shot", "Exif.Photo.WhiteBalance": "0"}, "auto"),
    ],
)
def test_white_balance_by_the_standards_numbers(tags: dict[str, str], balance: str | None) -> None:
    """Exif 2.32: WhiteBalance 0 auto, 1 manual; LightSource 1 daylight, 9 fine weather, 10 cloudy."""
    assert settings_of(tags).white_balance == balance


def test_colour_temperature_where_a_tag_carries_it() -> None:
    assert settings_of({"Xmp.crs.ColorTemperature": "5300"}).colour_temperature_k == 5300
    assert settings_of({"Xmp.crs.ColorTemperature": "12"}).colour_temperature_k is None
    assert settings_of({}).colour_temperature_k is None
