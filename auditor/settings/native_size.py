"""How many pixels the whole sensor has, by makers' notes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from auditor.settings.tag_values import SENSOR_SIDES_PX, numbers, within

__all__ = ["native_size"]

_LONGEST_SHAPE: Final = 3
"""No sensor is so much longer than high (common practice, no source)."""
_BORDERS: Final = slice(5, 9)
"""Where a note on the sensor has the left, top, right and bottom border of the picture."""


def native_size(exif: Mapping[str, Any]) -> tuple[int, int] | None:
    """Long and short side in pixels of the camera's full size, whatever the size of this file.

    Names of tags are the metadata library's. Where a note counts the border of the sensor too, that is
    less than 3% more.
    """
    for sides in (_canon(exif), _nikon(exif), _olympus(exif)):
        if sides is not None:
            long, short = max(sides), min(sides)
            if (
                SENSOR_SIDES_PX[0] <= short
                and long <= SENSOR_SIDES_PX[1]
                and long < _LONGEST_SHAPE * short
            ):
                return round(long), round(short)
    return None


def _pair(values: list[float | None], at: int) -> tuple[float, float] | None:
    one, other = within(values, *SENSOR_SIDES_PX, at), within(values, *SENSOR_SIDES_PX, at + 1)
    return (one, other) if one and other else None


def _canon(exif: Mapping[str, Any]) -> tuple[float, float] | None:
    borders = numbers(exif.get("Exif.Canon.SensorInfo"))[_BORDERS]
    if len(borders) == 4 and all(v is not None and v >= 0 for v in borders):
        left, top, right, bottom = (v or 0.0 for v in borders)
        if right > left and bottom > top:
            return right - left + 1, bottom - top + 1
    # Compacts: the width from which digital zoom starts; their sensors are four by three.
    width = within(numbers(exif.get("Exif.CanonCs.ZoomSourceWidth")), *SENSOR_SIDES_PX)
    return (width, width * 3 / 4) if width else None


def _nikon(exif: Mapping[str, Any]) -> tuple[float, float] | None:
    # Crop mode, then width and height of the whole sensor, then of the part in use.
    whole = _pair(numbers(exif.get("Exif.Nikon3.CropHiSpeed")), 1)
    if whole:
        return whole
    middle = _pair(
        [2 * v if v else None for v in numbers(exif.get("Exif.Nikon3.RawImageCenter"))], 0
    )
    pixel = numbers(exif.get("Exif.Nikon3.SensorPixelSize"))
    square = len(pixel) < 2 or pixel[0] == pixel[1]
    return middle if square else None


def _olympus(exif: Mapping[str, Any]) -> tuple[float, float] | None:
    width = within(numbers(exif.get("Exif.OlympusIp.CropWidth")), *SENSOR_SIDES_PX)
    height = within(numbers(exif.get("Exif.OlympusIp.CropHeight")), *SENSOR_SIDES_PX)
    return (width, height) if width and height else None
