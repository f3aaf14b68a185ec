"""Archives at the level of measurements: a frame table with known truth, without any picture.

`simulate_frames` draws what the measuring room would have stored for the frames of an archive:
lenses with closed-form MTF50 (diffraction, pixel, Gaussian aberration blur that falls with the
f-number), frames that missed focus or were shaken, scatter from frame to frame, scene and outing,
and standard errors. It runs in milliseconds, so that coverage of intervals over hundreds of
archives can be counted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.exposure import ev100
from auditor.optics import blur_sigma_for_mtf50, mtf50
from auditor.record import COLUMNS, ZONES

__all__ = ["ArchiveSpec", "Blur", "LensSpec", "Truth", "simulate_frames", "true_weaker"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Blur:
    """Aberration blur of one zone, in px: sqrt(floor^2 + (wide * (widest / N)^power)^2)."""

    floor: float = 0.35
    wide: float = 0.8
    power: float = 1.2

    def at(self, f_number: Floats, widest: float) -> Floats:
        """Blur at f-numbers of a lens whose widest is given; floor and aberration add as squares."""
        ratio = widest / np.asarray(f_number, float)
        return np.asarray(np.hypot(self.floor, self.wide * ratio**self.power))


@dataclass(frozen=True, slots=True)
class LensSpec:
    """One lens on one body, with the apertures it was used at."""

    lens: str = "Lens A"
    body: str = "Body A"
    pitch_um: float = 4.0
    focal_mm: tuple[float, ...] = (35.0,)
    apertures: tuple[float, ...] = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0)
    centre: Blur = field(default_factory=lambda: Blur(0.35, 0.6, 1.5))
    middle: Blur = field(default_factory=lambda: Blur(0.4, 0.9, 1.3))
    corner: Blur = field(default_factory=lambda: Blur(0.45, 1.4, 1.2))
    frames: int = 12
    """Frames per aperture and focal length."""
    source: str = "camera"
    converter: str | None = None
    lens_serial: str | None = None
    sides: tuple[float, float, float, float] = (1.0, 1.0, 1.0, 1.0)
    """Factors on the corner's MTF50: left, right, top, bottom."""

    def true_mtf50(self, zone: str, f_number: Floats) -> Floats:
        """System MTF50 in c/px, the closed form of `optics.mtf50`."""
        blur: Blur = getattr(self, zone)
        return mtf50(f_number, self.pitch_um, blur.at(f_number, min(self.apertures)))


@dataclass(frozen=True, slots=True)
class ArchiveSpec:
    """An archive: its lenses, what went wrong in it, and how noisy its figures are."""

    lenses: Sequence[LensSpec] = (LensSpec(),)
    missed: float = 0.30
    """Share of frames out of focus, by `missed_px` of Gaussian blur."""
    missed_px: tuple[float, float] = (0.7, 3.0)
    shaken: float = 0.15
    """Share of frames shaken, by `shaken_px` along one direction."""
    shaken_px: tuple[float, float] = (0.7, 2.5)
    scatter: float = 0.03
    """Standard deviation of log MTF50 from frame to frame, in every zone on its own."""
    common: float = 0.01
    """The same, shared by the zones of a frame."""
    scene: float = 0.015
    """The same, shared by the frames of a scene (two to five frames)."""
    outing: float = 0.01
    """The same, shared by the frames of an outing."""
    soft_zone: float = 0.05
    """Share of zones that show nothing at the plane of focus and read softer."""
    outings: int = 6
    scene_apertures: int = 1
    """Apertures at which one scene was taken: above 1, natural experiments."""
    confounded: bool = False
    """Small apertures only at dusk and handheld: shake grows with exposure time x focal length."""
    dusk_ev100: tuple[float, float] = (4.0, 6.5)
    """Light of those frames; a stop darker is a stop more of shake."""
    all_columns: bool = True
    """With False only the columns that carry something: for tables of a million frames."""


@dataclass(frozen=True, slots=True)
class Truth:
    """What the simulator knows: per lens (by its place) and zone the MTF50 by aperture; per frame the fault."""

    curves: Mapping[tuple[int, str], Floats]
    fault: NDArray[np.str_]


def true_weaker(lens: LensSpec, f_number: Floats) -> Floats:
    """The weaker of centre and corner at each f-number, c/px."""
    n = np.asarray(f_number, float)
    return np.minimum(lens.true_mtf50("centre", n), lens.true_mtf50("corner", n))


def simulate_frames(spec: ArchiveSpec, seed: int) -> tuple[pd.DataFrame, Truth]:
    """Frame table of an archive with known truth.

    Parameters
    ----------
    spec : ArchiveSpec
        Lenses, faults and scatter.
    seed : int
        Decides all that is left to chance.

    Returns
    -------
    frames : DataFrame
        Columns of the store (with `all_columns`) and of `crawl.relate`.
    truth : Truth
        Curves of every lens, and the fault of every frame.
    """
    rng = np.random.default_rng(seed)
    parts, faults = [], []
    first_scene = 0
    for lens in spec.lenses:
        columns, fault = _lens_frames(spec, lens, rng, first_scene)
        first_scene = int(columns["_scene"].max()) + 1
        parts.append(pd.DataFrame(columns))
        faults.append(fault)
    frames = pd.concat(parts, ignore_index=True)
    frames["path"] = [f"{i:07d}.jpg" for i in range(len(frames))]
    frames["file_id"] = frames["path"]
    frames["capture"] = np.arange(len(frames))
    frames["burst"] = np.arange(len(frames))
    frames = frames.drop(columns="_scene")
    if spec.all_columns:
        missing = [c.name for c in COLUMNS if c.name not in frames]
        frames = pd.concat(
            [frames, pd.DataFrame(None, frames.index, missing, dtype=object)], axis=1
        )
    curves = {
        (i, zone): lens.true_mtf50(zone, np.array(lens.apertures))
        for i, lens in enumerate(spec.lenses)
        for zone in ZONES
    }
    return frames, Truth(curves, np.concatenate(faults))


def _lens_frames(
    spec: ArchiveSpec, lens: LensSpec, rng: np.random.Generator, first_scene: int
) -> tuple[dict[str, Any], NDArray[np.str_]]:
    apertures = np.array(lens.apertures)
    f_number = np.tile(np.repeat(apertures, lens.frames), len(lens.focal_mm))
    focal = np.repeat(np.array(lens.focal_mm), len(apertures) * lens.frames)
    n = len(f_number)
    scene, outing = _scenes(spec, f_number, n, rng)
    light = rng.uniform(9.0, 15.0, outing.max() + 1)[outing] + rng.normal(0, 0.7, n)
    if spec.confounded:
        small = np.clip(np.log2(f_number / 8.0), 0, None)
        light = np.where(small > 0, rng.uniform(*spec.dusk_ev100, n), light)
    iso = rng.choice([100.0, 200.0, 400.0, 800.0], n)
    seconds = f_number**2 / 2.0**light * 100 / iso
    fault, extra, angle = _faults(spec, seconds, focal, rng)
    columns = _sharpness(spec, lens, f_number, scene, outing, extra, angle, fault, rng)
    start = np.datetime64("2024-03-01T08:00:00")
    minutes = outing * 60 * 24 * 7 + (scene - scene.min()) % 500 * 9 + rng.integers(0, 6, n)
    columns |= {
        "status": "measured", "body": lens.body, "lens": lens.lens, "source": lens.source,
        "converter": lens.converter, "lens_serial": lens.lens_serial, "focal_length_mm": focal,
        "f_number": f_number, "exposure_time_s": seconds, "iso": iso,
        "ev100": ev100(f_number, seconds, iso), "pixel_pitch_um": lens.pitch_um,
        "taken": np.datetime_as_string(start + minutes.astype("timedelta64[m]"), unit="s"),
        "width_px": 6000, "height_px": 4000, "orientation": 1, "best": True,
        "outing": outing, "signature": _signatures(scene, rng), "_scene": scene + first_scene,
    }  # fmt: skip
    return columns, fault


def _scenes(
    spec: ArchiveSpec, f_number: Floats, n: int, rng: np.random.Generator
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Scene and outing of each frame. A scene holds frames of `scene_apertures` apertures."""
    order = rng.permutation(n)
    if spec.scene_apertures <= 1:
        order = order[np.argsort(f_number[order], kind="stable")]
    size = 3 if spec.scene_apertures <= 1 else spec.scene_apertures
    scene = np.empty(n, np.int64)
    scene[order] = np.arange(n) // size
    per_scene = rng.integers(0, max(spec.outings, 1), scene.max() + 1)
    outing = per_scene[scene]
    if spec.confounded:
        # Dusk outings hold the small apertures, day outings the others.
        half = max(spec.outings // 2, 1)
        outing = np.where(
            f_number > 8.5, half + outing % max(spec.outings - half, 1), outing % half
        )
    return scene, np.unique(outing, return_inverse=True)[1]


def _faults(
    spec: ArchiveSpec, seconds: Floats, focal: Floats, rng: np.random.Generator
) -> tuple[NDArray[np.str_], Floats, Floats]:
    """Fault, Gaussian-equivalent extra blur (px) and direction of the blur for each frame."""
    n = len(seconds)
    fault = np.where(rng.random(n) < spec.missed, "missed focus", "none").astype("<U12")
    extra = np.where(fault == "missed focus", rng.uniform(*spec.missed_px, n), 0.0)
    shaken = rng.random(n) < spec.shaken
    shake = rng.uniform(*spec.shaken_px, n)
    if spec.confounded:
        # Handheld: the angle swept grows with time, its length in pixels with the focal length.
        stops = np.log2(np.maximum(seconds * focal, 1e-9))
        chance = 1 / (1 + np.exp(-1.5 * (stops - 0.5)))
        shaken = rng.random(n) < chance
        shake = rng.gamma(2.0, 0.45, n) * 2.0 ** np.clip(stops / 2, 0, 2)
    fault = np.where(shaken & (fault == "none"), "shake", fault)
    extra = np.where(shaken, np.hypot(extra, shake), extra)
    angle = np.where(shaken, rng.uniform(0, np.pi, n), np.nan)
    return fault, extra, angle


def _sharpness(
    spec: ArchiveSpec, lens: LensSpec, f_number: Floats, scene: NDArray[np.int64],
    outing: NDArray[np.int64], extra: Floats, angle: Floats, fault: NDArray[np.str_],
    rng: np.random.Generator,
) -> dict[str, Any]:  # fmt: skip
    n = len(f_number)
    shared = rng.normal(0, spec.common, n)
    shared += rng.normal(0, spec.scene, scene.max() + 1)[scene]
    shared += rng.normal(0, spec.outing, outing.max() + 1)[outing]
    columns: dict[str, Any] = {}
    widest = min(lens.apertures)
    for zone in ZONES:
        blur = getattr(lens, zone).at(f_number, widest)
        soft = (rng.random(n) < spec.soft_zone) * rng.uniform(0.4, 1.5, n)
        true = mtf50(f_number, lens.pitch_um, np.sqrt(blur**2 + extra**2 + soft**2))
        spread = spec.scatter * np.exp(rng.normal(0, 0.25, n))
        value = true * np.exp(shared + rng.normal(0, 1, n) * spread)
        columns[f"{zone}_mtf50_cpp"] = value
        # The stated error knows part of the spread only, and not exactly.
        columns[f"{zone}_stderr_cpp"] = value * spread * 0.6 * np.exp(rng.normal(0, 0.3, n))
        columns[f"{zone}_edges"] = rng.integers(4, 80, n)
    for side, factor in zip(("left", "right", "top", "bottom"), lens.sides, strict=True):
        noise = np.exp(rng.normal(0, spec.scatter * 1.4, n))
        columns[f"{side}_mtf50_cpp"] = columns["corner_mtf50_cpp"] * factor * noise
        columns[f"{side}_stderr_cpp"] = columns[f"{side}_mtf50_cpp"] * spec.scatter * 1.4
        columns[f"{side}_edges"] = rng.integers(3, 20, n)
    sigma = blur_sigma_for_mtf50(columns["middle_mtf50_cpp"])
    along = np.where(np.isnan(angle), 0.5, np.cos(np.nan_to_num(angle)) ** 2)
    move = np.where(np.isnan(angle), 0.0, extra) ** 2 * 0.7
    for name, share in (("horizontal_cpp", along), ("vertical_cpp", 1 - along)):
        total = np.sqrt(np.maximum(sigma**2 + move * (share - 0.5) * 2 * 0.7, 0.09))
        columns[name] = 0.1874 / total * np.exp(rng.normal(0, spec.scatter, n))
    return columns


def _signatures(scene: NDArray[np.int64], rng: np.random.Generator) -> list[str]:
    """12 x 8 grey means in hex, alike for frames of one scene."""
    base = rng.normal(128, 48, (int(scene.max()) + 1, 96))
    grey = np.clip(base[scene] + rng.normal(0, 3, (len(scene), 96)), 0, 255).astype(np.uint8)
    return [row.tobytes().hex() for row in grey]
