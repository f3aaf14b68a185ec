"""Sensor sizes of camera bodies, out of an open database.

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
from typing import Final
from xml.etree import ElementTree

from auditor.settings.body import body_key, body_name

FULL_FRAME_DIAGONAL_MM: Final = math.hypot(36, 24)
"""Crop factors and the 35 mm equivalent are ratios of diagonals (CIPA DCG-001)."""

_ALIKE: Final = 0.02
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


def database_is_there() -> bool:
    """Whether sensor sizes can be looked up."""
    return bool(_crop_factors())


@lru_cache(maxsize=4096)
def sensor_diagonal(body: str | None) -> float | None:
    """Diagonal in mm of the sensor of a body, by the name that `body_name` gives it; None where the
    database does not know it, or knows several sensors under that name."""
    if not body:
        return None
    factors = _crop_factors().get(body_key(body))
    if not factors or factors[-1] / factors[0] - 1 > _ALIKE:
        return None
    return round(FULL_FRAME_DIAGONAL_MM / factors[0], 3)


def sensor_sides(diagonal_mm: float, shape: float | None = None) -> tuple[float, float]:
    """Long and short side in mm of a sensor.

    Args:
        shape: long over short side where it is known, else the usual one for that diagonal.
    """
    if shape is None:
        four_thirds = _FOUR_THIRDS_MM[0] < diagonal_mm < _FOUR_THIRDS_MM[1]
        small = diagonal_mm < SMALL_MM
        shape = 4 / 3 if small or four_thirds or diagonal_mm > _MEDIUM_MM else 3 / 2
    short = diagonal_mm / math.hypot(shape, 1)
    return shape * short, short
