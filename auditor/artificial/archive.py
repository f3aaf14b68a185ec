"""A whole invented archive: who photographed what with which gear, and what went wrong.

An `ArchiveRecipe` names bodies, lenses with their true curves, and series of frames. `plan` turns it
into `Shot`s, deterministically; `render.draw_archive` draws them as files.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import product
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np

from auditor.artificial.camera import Sensor
from auditor.artificial.lightpath import Optics
from auditor.artificial.scenes import BRIGHTNESS, PLACES

__all__ = [
    "FAULTS",
    "LABELS",
    "ArchiveRecipe",
    "BodyRecipe",
    "FocalCurve",
    "LensRecipe",
    "Series",
    "Shot",
    "load_recipe",
    "plan",
    "shot_optics",
]

LABELS: Final[Mapping[str, tuple[float, tuple[float, float, float]]]] = {
    "polariser": (1.32, (1.03, 1.0, 0.95)),
}
"""Stops of light that a labelled filter takes, and its factors on red, green and blue."""


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


@dataclass(frozen=True, slots=True)
class Shot:
    """One frame to be drawn."""

    path: str
    """Below the archive's folder, with forward slashes."""
    series: int
    body: str
    lens: str
    focal_mm: float
    f_number: float
    iso: float
    exposure_time_s: float
    taken: str
    place: str
    scene_seed: int
    exposure: float
    """Factor on the scene's radiance: 1 as metered."""
    label: str | None
    kind: Literal["jpg", "dng"]
    seed: int
    fault: str = "none"
    defocus_px: float = 0.0
    motion_px: float = 0.0
    motion_deg: float = 0.0
    haze: float = 0.0


def plan(recipe: ArchiveRecipe) -> list[Shot]:
    """Every frame of the archive in the order in which it was taken, day by day.

    Parameters
    ----------
    recipe : ArchiveRecipe
        The archive; its seed decides all that is left to chance.

    Returns
    -------
    list of Shot
        The same for the same recipe.
    """
    rng = np.random.default_rng(recipe.seed)
    minutes: dict[str, float] = {}
    counters: dict[str, int] = {b.name: 104 + 311 * i for i, b in enumerate(recipe.bodies)}
    shots: list[Shot] = []
    order = sorted(range(len(recipe.series)), key=lambda i: recipe.series[i].outing[:10])
    for index in order:
        s = recipe.series[index]
        body = recipe.body(s.body)
        for _ in range(s.scenes):
            scene_seed = int(rng.integers(1, 10_000))
            light = (BRIGHTNESS[s.place] if s.ev100 is None else s.ev100) + rng.uniform(-0.4, 0.4)
            minutes[s.outing] = minutes.get(s.outing, 40.0) + 7.0
            labels = (None, s.label) if s.label else (None,)
            for f_number, iso, label in product(s.f_numbers, s.isos, labels):
                minutes[s.outing] += 0.4
                counters[body.name] = counters[body.name] % 9999 + 1
                lost = LABELS.get(label, (0.0, ()))[0] if label else 0.0
                name = f"{body.prefix}_{counters[body.name]:04d}.{s.kind}"
                shot = Shot(
                    path=f"{s.folder}/{s.outing}/{name}",
                    series=index,
                    body=s.body,
                    lens=s.lens,
                    focal_mm=s.focal_mm,
                    f_number=f_number,
                    iso=iso,
                    exposure_time_s=_shutter(f_number, iso, light - lost),
                    taken=_clock(s.outing[:10], minutes[s.outing]),
                    place=s.place,
                    scene_seed=scene_seed,
                    exposure=2.0**-s.darker_ev,
                    label=label,
                    kind=s.kind,
                    seed=int(rng.integers(1 << 31)),
                )
                shots.append(_with_fault(shot, s, rng))
    return shots


def _shutter(f_number: float, iso: float, light: float) -> float:
    """Exposure time from EV100 (Exif 2.32, annex C: N^2 / t = 2^EV * ISO / 100)."""
    seconds = f_number**2 / 2.0**light * 100 / iso
    return max(1 / round(1 / seconds), 1 / 8000) if seconds < 0.3 else round(seconds, 1)


def _clock(day: str, minutes: float) -> str:
    start = np.datetime64(f"{day}T06:00:00")
    return str(start + np.timedelta64(round(minutes * 60), "s"))


def _with_fault(shot: Shot, s: Series, rng: np.random.Generator) -> Shot:
    """Draw whether and how this frame fails; the random numbers do not depend on the outcome."""
    pick, size, angle = rng.random(), rng.random(), rng.uniform(0, 180)
    below = 0.0
    for fault in FAULTS:
        share = s.faults.get(fault, 0.0)
        if below <= pick < below + share:
            return _failed(shot, fault, size, angle)
        below += share
    return shot


def _failed(shot: Shot, fault: str, size: float, angle: float) -> Shot:
    changes: dict[str, Any] = {"fault": fault}
    if fault == "focus":
        changes["defocus_px"] = 3.5 + 6.5 * size
    elif fault == "shake":
        changes |= {"motion_px": 3.5 + 5.5 * size, "motion_deg": angle}
    elif fault == "haze":
        changes |= {"haze": 0.55 + 0.25 * size, "defocus_px": 2.5 * size}
    elif fault == "underexposure":
        stops = 2.0 + 1.5 * size
        changes |= {
            "exposure": shot.exposure / 2.0**stops,
            "exposure_time_s": 1 / round(2.0**stops / shot.exposure_time_s),
        }
    else:
        raise ValueError(f"no fault is called {fault!r}")
    return replace(shot, **changes)


def shot_optics(recipe: ArchiveRecipe, shot: Shot) -> Optics:
    """The optics through which a shot is drawn."""
    body, lens = recipe.body(shot.body), recipe.lens(shot.lens)
    return lens.at(shot.focal_mm).optics(
        shot.f_number,
        body.pitch_um,
        defocus_px=shot.defocus_px,
        motion_px=shot.motion_px,
        motion_deg=shot.motion_deg,
        haze=shot.haze,
        lateral_red_px=lens.lateral_px[0],
        lateral_blue_px=lens.lateral_px[1],
    )
