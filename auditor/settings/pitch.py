"""The scale of a frame: micrometres of sensor per pixel of the file."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

from auditor.settings.values import numbers, within

__all__ = ["FULL_FRAME_DIAGONAL_MM", "Pitch", "pixel_pitch"]

FULL_FRAME_DIAGONAL_MM: Final = math.hypot(36, 24)
"""The 35 mm equivalent keeps the diagonal angle of view (CIPA DCG-001)."""

_UNIT_UM: Final = {2: 25_400.0, 3: 10_000.0, 4: 1000.0, 5: 1.0}
"""FocalPlaneResolutionUnit; Exif has 2 = inch (the default) and 3 = cm, makers also 4 and 5."""

PITCH_LIMITS_UM: Final = (0.4, 80.0)
_SENSOR_LIMITS_MM: Final = (0.3, 150.0)
"""Diagonals that a file can hold, from a small cut-out to large format."""


@dataclass(frozen=True, slots=True)
class Pitch:
    um: float
    basis: Literal["focal-plane", "maker", "equivalent"]


def pixel_pitch(
    exif: Mapping[str, Any],
    width_px: int | None,
    height_px: int | None,
    focal_mm: float | None,
    focal_35mm: float | None,
    notes: list[str],
) -> Pitch | None:
    """Pixel pitch from the focal-plane resolution, else a maker's sensor size, else the 35 mm equivalent.

    Args:
        width_px, height_px: size that the tags speak of (as written by the camera).
        notes: told when a tag is absurd.
    """
    diagonal_px = math.hypot(width_px, height_px) if width_px and height_px else None
    equivalent = None
    if focal_mm and focal_35mm and diagonal_px:
        equivalent = FULL_FRAME_DIAGONAL_MM * focal_mm / focal_35mm / diagonal_px * 1000
        if not PITCH_LIMITS_UM[0] <= equivalent <= PITCH_LIMITS_UM[1]:
            equivalent = None
    plane = _focal_plane(exif)
    if plane is not None and diagonal_px is not None:
        sensor_mm = plane * diagonal_px / 1000
        if not _SENSOR_LIMITS_MM[0] <= sensor_mm <= _SENSOR_LIMITS_MM[1]:
            notes.append(
                f"the focal-plane resolution means a sensor of {sensor_mm:.3g} mm: not used"
            )
            plane = None
    if plane is not None:
        return Pitch(round(plane, 4), "focal-plane")
    maker = _maker(exif, diagonal_px)
    if maker is not None and (equivalent is None or 0.87 < maker / equivalent < 1.15):
        return Pitch(round(maker, 4), "maker")
    return Pitch(round(equivalent, 4), "equivalent") if equivalent is not None else None


def _focal_plane(exif: Mapping[str, Any]) -> float | None:
    for place in ("Photo", "Image"):
        unit = within(numbers(exif.get(f"Exif.{place}.FocalPlaneResolutionUnit")), 2, 5) or 2
        for axis in "XY":
            density = within(
                numbers(exif.get(f"Exif.{place}.FocalPlane{axis}Resolution")), 1e-6, 1e9
            )
            if density:
                pitch = _UNIT_UM[int(unit)] / density
                if PITCH_LIMITS_UM[0] <= pitch <= PITCH_LIMITS_UM[1]:
                    return pitch
    return None


def _maker(exif: Mapping[str, Any], diagonal_px: float | None) -> float | None:
    """From the sensor's diagonal or pixel size in makers' notes."""
    if diagonal_px:
        for group in ("OlympusEq", "Olympus2", "Olympus"):
            diagonal = within(numbers(exif.get(f"Exif.{group}.FocalPlaneDiagonal")), 1.5, 150)
            if diagonal:
                return diagonal / diagonal_px * 1000
    pixel = numbers(exif.get("Exif.Nikon3.SensorPixelSize"))
    across, down = within(pixel, *PITCH_LIMITS_UM), within(pixel, *PITCH_LIMITS_UM, 1)
    # Pixels that are not square have no single pitch.
    return across if across and down and abs(across / down - 1) < 0.02 else None
