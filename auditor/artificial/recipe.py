"""The recipe of an invented archive: bodies, lenses with their true curves, and series of frames."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Literal

from auditor.artificial.camera import Sensor
from auditor.artificial.drawn_lens import Optics
from auditor.artificial.scenes import PLACES

__all__ = [
    "FAULTS",
    "ArchiveRecipe",
    "BodyRecipe",
    "FocalCurve",
    "LensRecipe",
    "Series",
    "load_recipe",
]

FAULTS: Final = ("focus", "shake", "haze", "underexposure")
"""Faults that a series can have by share; small apertures and high ISO are settings."""


@dataclass(frozen=True, slots=True)
class BodyRecipe:
    """One camera."""

    name: str
    make: str
    serial: str
    pitch_um: float
    sensor: Sensor
    prefix: str = "IMG"
    """First letters of its file names."""


@dataclass(frozen=True, slots=True)
class FocalCurve:
    """A lens at one focal length: the blur that aberration leaves, by aperture.

    Gaussian standard deviation in micrometres on the sensor, hypot(floor, wide * (widest / N) **
    power), on the axis and in the corner.
    """

    focal_mm: float
    widest: float
    centre: tuple[float, float, float]
    """floor_um, wide_um, power"""
    corner: tuple[float, float, float]

    def blur_um(self, zone: Literal["centre", "corner"], f_number: float) -> float:
        """Standard deviation of the lens's blur on the sensor, in micrometres."""
        floor, wide, power = self.centre if zone == "centre" else self.corner
        return math.hypot(floor, wide * (self.widest / f_number) ** power)

    def optics(self, f_number: float, pitch_um: float, **more: Any) -> Optics:
        """Optics of a frame at this aperture on pixels of this pitch."""
        return Optics(
            f_number,
            pitch_um,
            self.blur_um("centre", f_number) / pitch_um,
            self.blur_um("corner", f_number) / pitch_um,
            **more,
        )


@dataclass(frozen=True, slots=True)
class LensRecipe:
    """A lens to be drawn with: its curves by focal length and its faults."""

    name: str
    serial: str
    focals: tuple[FocalCurve, ...]
    lateral_px: tuple[float, float] = (0.0, 0.0)
    """Displacement of red and blue at the half-diagonal."""

    def at(self, focal_mm: float) -> FocalCurve:
        """The curve of the nearest focal length."""
        return min(self.focals, key=lambda f: abs(f.focal_mm - focal_mm))


@dataclass(frozen=True, slots=True)
class Series:
    """Frames of one outing with one lens: every scene at every aperture and ISO."""

    outing: str
    """'2023-06-11 Upper Skarn': the folder, and the day."""
    body: str
    lens: str
    focal_mm: float
    place: str
    f_numbers: tuple[float, ...]
    isos: tuple[float, ...] = (100.0,)
    scenes: int = 1
    ev100: float | None = None
    """Brightness; the place's own when None. Each scene lies within half a stop of it."""
    faults: Mapping[str, float] = field(default_factory=dict)
    """Share of frames with each of `FAULTS`."""
    label: str | None = None
    """A keyword; every frame is taken with it and again without it."""
    kind: Literal["jpg", "dng"] = "jpg"
    darker_ev: float = 0.0
    """Stops by which the frame is kept darker than it could be, as dusk is."""
    folder: Literal["frames", "sample"] = "frames"


@dataclass(frozen=True, slots=True)
class ArchiveRecipe:
    """An archive to be drawn: whose it is, the size of its frames in px, its gear and its series."""

    photographer: str
    width: int
    height: int
    bodies: tuple[BodyRecipe, ...]
    lenses: tuple[LensRecipe, ...]
    series: tuple[Series, ...]
    seed: int = 1
    quality: int = 95
    truncated: int = 0
    """So many of the last frames are cut off in the middle of the file."""
    exports: int = 0
    """So many frames also lie there as smaller copies that a program wrote."""

    def body(self, name: str) -> BodyRecipe:
        """The body of this name. Raises StopIteration where there is none."""
        return next(b for b in self.bodies if b.name == name)

    def lens(self, name: str) -> LensRecipe:
        """The lens of this name. Raises StopIteration where there is none."""
        return next(x for x in self.lenses if x.name == name)


def load_recipe(path: Path) -> ArchiveRecipe:
    """Read a recipe written as JSON.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    ArchiveRecipe
        Whose series name bodies, lenses and places that there are.

    Raises
    ------
    ValueError
        Names the part that does not fit.
    """
    try:
        raw = json.loads(path.read_text(encoding="utf-8"))
        bodies = tuple(
            BodyRecipe(**(b | {"sensor": Sensor(**b["sensor"])})) for b in raw.pop("bodies")
        )
        lenses = tuple(_lens(x) for x in raw.pop("lenses"))
        series = tuple(_series(s) for s in raw.pop("series"))
        recipe = ArchiveRecipe(bodies=bodies, lenses=lenses, series=series, **raw)
        for s in series:
            recipe.body(s.body)
            recipe.lens(s.lens)
    except (KeyError, TypeError, json.JSONDecodeError, StopIteration) as error:
        raise ValueError(f"{path.name}: the recipe does not fit: {error!r}") from error
    return recipe


def _lens(raw: dict[str, Any]) -> LensRecipe:
    focals = tuple(
        FocalCurve(f["focal_mm"], f["widest"], tuple(f["centre"]), tuple(f["corner"]))
        for f in raw["focals"]
    )
    rest = {k: v for k, v in raw.items() if k not in ("focals", "lateral_px")}
    red, blue = raw.get("lateral_px", (0.0, 0.0))
    return LensRecipe(focals=focals, lateral_px=(red, blue), **rest)


def _series(raw: dict[str, Any]) -> Series:
    lists: dict[str, Any] = {k: tuple(raw[k]) for k in ("f_numbers", "isos") if k in raw}
    series = Series(**(raw | lists))
    unknown = set(series.faults) - set(FAULTS)
    if unknown or series.place not in PLACES:
        raise KeyError(f"place {series.place!r} or faults {sorted(unknown)}")
    return series
