"""White balance out of the tags: automatic, set by hand, or a kind of light; the colour temperature."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from auditor.settings.tag_values import numbers, within
from auditor.settings.tags import clean_text

__all__ = ["colour_temperature", "white_balance"]

Tags = Mapping[str, Any]

_LIGHT: Final = {
    1: "daylight", 2: "fluorescent", 3: "tungsten", 4: "flash", 9: "fine weather",
    10: "cloudy", 11: "shade", 12: "daylight fluorescent", 13: "day white fluorescent",
    14: "cool white fluorescent", 15: "white fluorescent", 16: "warm white fluorescent",
    17: "standard light A", 18: "standard light B", 19: "standard light C",
    20: "D55", 21: "D65", 22: "D75", 23: "D50", 24: "studio tungsten",
}  # fmt: skip
"""LightSource of Exif 2.32, table 'light source'; 0 is unknown, 255 another light."""

_NO_SETTING: Final = frozenset(["as shot", "unknown", "normal", "other", "0"])
_KELVIN: Final = (1000.0, 50_000.0)
"""Colour temperatures from a candle to the open blue sky; others are damage (common practice, no source)."""


def white_balance(exif: Tags, xmp: Tags) -> str | None:
    """'auto', the kind of light that was set, or 'manual'; None where nothing is written.

    A developer's own setting inside the file comes first, for it is what made the colours. Then
    Exif's WhiteBalance (0 automatic, 1 manual) with LightSource as the kind of light.
    """
    developed = clean_text(xmp.get("Xmp.crs.WhiteBalance"))
    if developed and developed.casefold() not in _NO_SETTING:
        return developed.casefold()
    mode = within(numbers(_either(exif, xmp, "WhiteBalance")), 0, 1)
    if mode == 0:
        return "auto"
    light = within(numbers(_either(exif, xmp, "LightSource")), 0, 255)
    kind = _LIGHT.get(int(light)) if light is not None else None
    if kind is not None:
        return kind
    if mode == 1:
        return "manual"
    for key in ("Exif.Nikon3.WhiteBalance", "Exif.Nikon1.WhiteBalance"):
        text = clean_text(exif.get(key))
        if text and text.casefold() not in _NO_SETTING:
            return text.casefold()
    return None


def colour_temperature(exif: Tags, xmp: Tags) -> float | None:
    """Colour temperature in kelvin that was set or found, from any tag that carries it."""
    for key in ("Xmp.crs.ColorTemperature", "Xmp.crs.Temperature"):
        value = within(numbers(xmp.get(key)), *_KELVIN)
        if value is not None:
            return value
    for key in (
        "Exif.OlympusCs.WhiteBalanceTemperature",
        "Exif.CanonPr.ColorTemperature",
        "Exif.Fujifilm.ColorTemperature",
        "Exif.Sony1.ColorTemperature",
        "Exif.Sony2.ColorTemperature",
        "Exif.Minolta.ColorTemperature",
        "Exif.MinoltaCs5D.ColorTemperature",
        "Exif.MinoltaCs7D.ColorTemperature",
        "Exif.Samsung2.ColorTemperature",
        "Exif.PentaxDng.ColorTemperature",
        "Exif.Pentax.ColorTemperature",
    ):
        value = within(numbers(exif.get(key)), *_KELVIN)
        if value is not None:
            return value
    return None


def _either(exif: Tags, xmp: Tags, name: str) -> Any:
    return exif.get(
        f"Exif.Photo.{name}", exif.get(f"Exif.Image.{name}", xmp.get(f"Xmp.exif.{name}"))
    )
