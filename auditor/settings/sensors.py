"""Sensor sizes of camera bodies, out of an open database; pixel pitch and full size that tags tell.

The database comes with lensfunpy (the lens corrections of the Lensfun project; data CC BY-SA 3.0): some
950 cameras by the names that they write into Exif, each with its crop factor. Its cameras are read when the
first body is asked for, and nothing of its lenses, with which the library itself takes a quarter of a second
in each process; without the library sizes come from tags alone.
"""

from __future__ import annotations

import importlib.util
import math
import re
from functools import cache, lru_cache
from pathlib import Path
from typing import Final, Literal
from xml.etree import ElementTree

from auditor.settings.names import body_key, body_name
from auditor.settings.tags import SENSOR_SIDES_PX, Tags, first_number, numbers, size_of, within

__all__ = [
    "FULL_FRAME_DIAGONAL_MM",
    "SMALL_MM",
    "native_size",
    "sensor_diagonal",
    "sensor_sides",
    "tagged_pitch",
]

FULL_FRAME_DIAGONAL_MM: Final = math.hypot(36, 24)
"""Crop factors and the 35 mm equivalent are ratios of diagonals (CIPA DCG-001)."""

_SAME_CROP: Final = 0.02
"""Crop factors of one name that differ by less are one sensor."""

SMALL_MM: Final = 14.0
"""See `_MEDIUM_MM`; telephones and most compacts are under it."""
_FOUR_THIRDS_MM: Final = (21.0, 22.2)
"""See `_MEDIUM_MM`."""
_MEDIUM_MM: Final = 46.0
"""Sensors with a diagonal below the first, about the second and above the third have four by three
sides, the others three by two (common practice, no source)."""


_CAMERA: Final = re.compile(rb"<camera>.*?</camera>", re.DOTALL)
"""An entry of a camera in Lensfun's XML, whose tags have no attributes and no others of their kind within."""


def _cameras() -> list[tuple[str, str, float]]:
    """Maker, model and crop factor of every camera of the database, as Exif has the names."""
    found = importlib.util.find_spec("lensfunpy")
    if found is None or found.origin is None:
        return []
    files = sorted((Path(found.origin).parent / "db_files").glob("*.xml"))
    entries = b"".join(entry for file in files for entry in _CAMERA.findall(file.read_bytes()))
    # Names in other languages follow the plain ones.
    return [
        (c.findtext("maker", ""), c.findtext("model", ""), float(c.findtext("cropfactor", "0")))
        for c in ElementTree.fromstring(b"<cameras>" + entries + b"</cameras>")
    ]


@cache
def _crop_factors() -> dict[str, tuple[float, ...]]:
    """Body key -> crop factors of the cameras of that name; empty without the library."""
    try:
        cameras = _cameras()
    except Exception:  # no build for this Python or machine, or a broken one
        return {}
    found: dict[str, set[float]] = {}
    for maker, model, crop_factor in cameras:
        name = body_name(maker, model)
        if name and crop_factor > 0:
            found.setdefault(body_key(name), set()).add(crop_factor)
    return {key: tuple(sorted(factors)) for key, factors in found.items()}


@lru_cache(maxsize=4096)
def sensor_diagonal(body: str | None) -> float | None:
    """Diagonal in mm of the sensor of a body, by the name that `body_name` gives it; None where the
    database does not know it, or knows several sensors under that name."""
    if not body:
        return None
    factors = _crop_factors().get(body_key(body))
    if not factors or factors[-1] / factors[0] - 1 > _SAME_CROP:
        return None
    return round(FULL_FRAME_DIAGONAL_MM / factors[0], 3)


def sensor_sides(diagonal_mm: float, shape: float | None = None) -> tuple[float, float]:
    """Sides of a sensor.

    Parameters
    ----------
    diagonal_mm : float
        Its diagonal in mm.
    shape : float or None
        Long over short side; None for the usual one of that diagonal.

    Returns
    -------
    long, short : float
        Sides in mm.
    """
    if shape is None:
        four_thirds = _FOUR_THIRDS_MM[0] < diagonal_mm < _FOUR_THIRDS_MM[1]
        small = diagonal_mm < SMALL_MM
        shape = 4 / 3 if small or four_thirds or diagonal_mm > _MEDIUM_MM else 3 / 2
    short = diagonal_mm / math.hypot(shape, 1)
    return shape * short, short


_UNITS: Final = (2, 5)
"""The units below."""
_UNIT_UM: Final = {2: 25_400.0, 3: 10_000.0, 4: 1000.0, 5: 1.0}
"""FocalPlaneResolutionUnit; Exif has 2 = inch (the default) and 3 = cm, makers also 4 and 5."""

_TAG_LIMITS_UM: Final = (0.4, 80.0)
"""Pitches from the smallest of telephones to a reduced file; others are damage (common practice, no source)."""
_SENSOR_LIMITS_MM: Final = (0.3, 150.0)
"""Diagonals that a file can hold, from a small cut-out to large format."""
_SQUARE: Final = 0.02
"""Relative difference of height and width up to which pixels are square; others have no single pitch."""


Basis = Literal["focal-plane", "maker"]
"""Kinds of tags that tell a pixel pitch."""


def tagged_pitch(
    tags: Tags, size: tuple[int, int] | None, notes: list[str]
) -> tuple[float | None, Basis | None]:
    """Pixel pitch from the focal-plane resolution, else from a maker's note.

    Parameters
    ----------
    tags : Tags
        Tags of one file.
    size : tuple of int or None
        Width and height in pixels that the tags speak of (as written by the camera).
    notes : list of str
        Gets a line when a tag is absurd.

    Returns
    -------
    um : float or None
        The pitch in micrometres.
    basis : str or None
        The kind of tag that tells it.
    """
    diagonal_px = math.hypot(*size) if size else None
    plane = _focal_plane(tags)
    if plane is not None and diagonal_px is not None:
        sensor_mm = plane * diagonal_px / 1000
        if not _SENSOR_LIMITS_MM[0] <= sensor_mm <= _SENSOR_LIMITS_MM[1]:
            notes.append(
                f"the focal-plane resolution means a sensor of {sensor_mm:.3g} mm: not used"
            )
            plane = None
    if plane is not None:
        return round(plane, 4), "focal-plane"
    maker = _maker(tags, diagonal_px)
    return (None, None) if maker is None else (round(maker, 4), "maker")


def _focal_plane(tags: Tags) -> float | None:
    for place in ("Photo", "Image"):
        unit = first_number(tags, (f"Exif.{place}.FocalPlaneResolutionUnit",), _UNITS) or 2
        for axis in "XY":
            key = f"Exif.{place}.FocalPlane{axis}Resolution"
            density = first_number(tags, (key,), (1e-6, 1e9))
            if density:
                pitch = _UNIT_UM[int(unit)] / density
                if _TAG_LIMITS_UM[0] <= pitch <= _TAG_LIMITS_UM[1]:
                    return pitch
    return None


def _maker(tags: Tags, diagonal_px: float | None) -> float | None:
    """From the sensor's diagonal or pixel size in makers' notes."""
    if diagonal_px:
        keys = (f"Exif.{g}.FocalPlaneDiagonal" for g in ("OlympusEq", "Olympus2", "Olympus"))
        diagonal = first_number(tags, keys, _SENSOR_LIMITS_MM)
        if diagonal:
            return diagonal / diagonal_px * 1000
    pixel = numbers(tags.get("Exif.Nikon3.SensorPixelSize"))
    across, down = within(pixel, *_TAG_LIMITS_UM), within(pixel, *_TAG_LIMITS_UM, 1)
    return across if across and down and abs(across / down - 1) < _SQUARE else None


_BORDERS: Final = slice(5, 9)
"""Where a note on the sensor has the left, top, right and bottom border of the picture."""


def native_size(tags: Tags) -> tuple[int, int] | None:
    """Long and short side in pixels of the camera's full size, whatever the size of this file.

    Names of tags are the metadata library's. Where a note counts the border of the sensor too, that is
    less than 3% more.
    """
    cut = size_of(tags, "Exif.OlympusIp.CropWidth", "Exif.OlympusIp.CropHeight", SENSOR_SIDES_PX)
    for sides in (_canon(tags), _nikon(tags), cut):
        if sides is not None:
            long, short = max(sides), min(sides)
            if SENSOR_SIDES_PX[0] <= short and long <= SENSOR_SIDES_PX[1]:
                return round(long), round(short)
    return None


def _pair(values: list[float | None], at: int) -> tuple[float, float] | None:
    one, other = within(values, *SENSOR_SIDES_PX, at), within(values, *SENSOR_SIDES_PX, at + 1)
    return (one, other) if one and other else None


def _canon(tags: Tags) -> tuple[float, float] | None:
    borders = numbers(tags.get("Exif.Canon.SensorInfo"))[_BORDERS]
    if len(borders) == 4 and all(v is not None and v >= 0 for v in borders):
        left, top, right, bottom = (v or 0.0 for v in borders)
        if right > left and bottom > top:
            return right - left + 1, bottom - top + 1
    # Compacts: the width from which digital zoom starts; their sensors are four by three.
    width = first_number(tags, ("Exif.CanonCs.ZoomSourceWidth",), SENSOR_SIDES_PX)
    return (width, width * 3 / 4) if width else None


def _nikon(tags: Tags) -> tuple[float, float] | None:
    # Crop mode, then width and height of the whole sensor, then of the part in use.
    whole = _pair(numbers(tags.get("Exif.Nikon3.CropHiSpeed")), 1)
    if whole:
        return whole
    centre = numbers(tags.get("Exif.Nikon3.RawImageCenter"))
    middle = _pair([2 * v if v else None for v in centre], 0)
    pixel = numbers(tags.get("Exif.Nikon3.SensorPixelSize"))
    square = len(pixel) < 2 or pixel[0] == pixel[1]
    return middle if square else None
