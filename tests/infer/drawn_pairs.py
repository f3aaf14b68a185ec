"""Pairs of frames with known differences, as tables of measurements and as files: what an accessory did.

Scenes are taken twice within minutes, once with a label and once without. The label adds blur,
colour, shade or takes light; some frames miss focus; light and white balance wander.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.artificial.camera import Sensor, add_photon_noise, develop
from auditor.artificial.files import FrameTags, write_picture
from auditor.artificial.lightpath import Optics, radius_map, spectrum_of, through_optics
from auditor.artificial.scenes import PLACES, landscape
from auditor.optics import mtf50
from auditor.record import COLUMNS, ZONES

__all__ = [
    "Accessory",
    "PairWorld",
    "Taken",
    "Takes",
    "draw_pairs",
    "keyword_on_one_side",
    "log_mtf50_change",
    "pair_archive",
]

Floats = NDArray[np.float64]
Image = NDArray[np.float32]

_BASE_BLUR = np.array([0.38, 0.5, 0.65])


@dataclass(frozen=True, slots=True)
class Accessory:
    """What the label does. `tint` and `tint_across`: log of R and B over G, in all the frame and from
    its left to its right edge; `shade_stops`: how much darker the corners get."""

    label: str = "polariser"
    blur_px: float = 0.0
    tint: tuple[float, float] = (0.0, 0.0)
    tint_across: tuple[float, float] = (0.0, 0.0)
    light_stops: float = 0.0
    shade_stops: float = 0.0


@dataclass(frozen=True, slots=True)
class PairWorld:
    """What goes wrong between two frames of a scene."""

    pairs: int = 8
    missed: float = 0.2
    missed_px: tuple[float, float] = (0.7, 3.0)
    scatter: float = 0.03
    scene_sd: float = 0.05
    light_sd: float = 0.06
    """Change of light between the frames, in stops."""
    balance_sd: float = 0.003
    """Wander of white balance, in log R/G and B/G."""
    moving: float = 0.1
    """Share of cells whose content moved."""
    cell_sd: float = 0.03
    f_number: float = 8.0
    pitch_um: float = 4.0
    shaken: tuple[float, float] = (0.0, 0.0)
    """Shares of frames without and with the accessory that moved sideways."""
    shaken_px: tuple[float, float] = (1.5, 5.0)


def log_mtf50_change(blur_px: float) -> Floats:
    """Truth per zone: log MTF50 with the blur over without, with a `PairWorld`'s aperture and pixels."""
    world = PairWorld()
    with_it, without = (
        mtf50(world.f_number, world.pitch_um, np.hypot(_BASE_BLUR, blur)) for blur in (blur_px, 0)
    )
    return np.asarray(np.log(with_it / without))


def _scene(rng: np.random.Generator) -> Floats:
    """16 x 24 x 3 linear light: a sky, land, things of moderate colour."""
    rough = rng.normal(0, 1, (4, 6)).astype(np.float32)
    light = np.clip(
        0.22 * 2 ** (0.8 * cv2.resize(rough, (24, 16), interpolation=cv2.INTER_CUBIC)), 0.02, 0.7
    )
    hue = cv2.resize(rng.normal(0, 0.15, (4, 6, 2)).astype(np.float32), (24, 16))
    return np.stack(
        [light * np.exp(hue[..., 0]), light, light * np.exp(hue[..., 1])], axis=-1
    ).astype(float)


def _pack(grid: Floats) -> bytes:
    return np.round(grid.clip(0, 1) * 65535).astype("<u2").tobytes()


def _movement_px2(w: PairWorld, side: int, rng: np.random.Generator) -> float:
    """Variance (px^2) of a straight movement's line spread, length^2 / 12; 0 for a frame held still."""
    if not any(w.shaken) or rng.random() >= w.shaken[side]:
        return 0.0
    return float(rng.uniform(*w.shaken_px)) ** 2 / 12


def _signature(grid: Floats, rng: np.random.Generator) -> str:
    grey = np.sqrt(cv2.resize(grid, (12, 8), interpolation=cv2.INTER_AREA).mean(axis=2))
    out = 128 + 48 * (grey - grey.mean()) / grey.std() + rng.normal(0, 3, grey.shape)
    return out.clip(0, 255).astype(np.uint8).tobytes().hex()


def pair_archive(
    accessory: Accessory, rng: np.random.Generator, world: PairWorld | None = None
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Frame table and picture table of an archive of pairs.

    Parameters
    ----------
    accessory : Accessory
        What the label does.
    rng : numpy.random.Generator
        Source of chance.
    world : PairWorld, optional
        What goes wrong between the two frames of a scene.

    Returns
    -------
    frames : DataFrame
        `record.COLUMNS` and those of `crawl.relate`; rows with `labels` are the labelled ones.
    pictures : DataFrame
        `file_id`, `colour_grid`.
    """
    w = world or PairWorld()
    x = (np.arange(24) + 0.5) / 24 - 0.5
    y = (np.arange(16) + 0.5) / 16 - 0.5
    radius2 = ((x[None, :] * 3) ** 2 + (y[:, None] * 2) ** 2) / (1.5**2 + 1)
    rows: list[dict[str, Any]] = []
    pictures = []
    for i in range(w.pairs):
        scene, shared = _scene(rng), rng.normal(0, w.scene_sd)
        for side in (1, 0):
            number = 2 * i + 1 - side
            missed = (rng.random() < w.missed) * rng.uniform(*w.missed_px)
            blur2 = _BASE_BLUR**2 + (side * accessory.blur_px) ** 2 + missed**2
            along2 = _movement_px2(w, side, rng)
            # Half of a frame's edges lie across the movement.
            value = np.log(mtf50(w.f_number, w.pitch_um, np.sqrt(blur2 + along2 / 2))) + shared
            value += rng.normal(0, w.scatter, 3) + rng.normal(0, 0.01)
            light = scene * 2 ** rng.normal(0, w.light_sd)
            moved = rng.random((16, 24, 1)) < w.moving
            light = light * np.exp(
                rng.normal(0, w.cell_sd, (16, 24, 1)) + moved * rng.normal(0, 0.4, (16, 24, 1))
            )
            light = light * np.exp(rng.normal(0, 0.01, light.shape))
            # The camera meters through the filter: the exposure makes up for it, to a third.
            stops = round(3 * side * accessory.light_stops) / 3
            tint = rng.normal(0, w.balance_sd, 2)
            if side:
                light = light * 2 ** (stops - accessory.light_stops)
                light = light * 2 ** (-accessory.shade_stops * radius2[..., None])
                tint = tint + np.array(accessory.tint)
            across = side * np.array(accessory.tint_across) * x[None, :, None]
            light[..., [0, 2]] *= np.exp(tint + across)
            seconds = 1 / 125 * 2**stops
            row: dict[str, Any] = dict.fromkeys(c.name for c in COLUMNS)
            row |= {
                "path": f"walk/{number:04d}.jpg", "status": "measured", "file_id": f"id{number}",
                "body": "Alder One", "lens": "Wren 24", "focal_length_mm": 24.0, "iso": 100.0,
                "f_number": w.f_number, "exposure_time_s": seconds, "source": "camera",
                "pixel_pitch_um": w.pitch_um, "width_px": 6000, "height_px": 4000, "orientation": 1,
                "labels": [accessory.label] if side else [], "notes": [],
                "taken": str(np.datetime64("2024-05-01T08:00:00") + np.timedelta64(40 * i + 2 * (1 - side), "m")),
                "signature": _signature(light, rng), "capture": number, "best": True,
                "burst": number, "outing": i // 4,
            }  # fmt: skip
            if any(w.shaken):
                along, down = mtf50(w.f_number, w.pitch_um, np.sqrt(blur2[0] + [along2, 0.0]))
                row |= {"horizontal_cpp": float(along), "vertical_cpp": float(down)}
            for z, zone in enumerate(ZONES):
                row[f"{zone}_mtf50_cpp"] = float(np.exp(value[z]))
                row[f"{zone}_stderr_cpp"] = float(np.exp(value[z])) * w.scatter * 0.6
                row[f"{zone}_edges"] = 30
            rows.append(row)
            pictures.append(
                {"file_id": f"id{number}", "colour_grid": _pack(light), "thumb_jpeg": None}
            )
    return pd.DataFrame(rows), pd.DataFrame(pictures)


_OVERSAMPLE: Final = 2
_START: Final = np.datetime64("2024-05-01T08:00:00")


@dataclass(frozen=True, slots=True)
class Taken:
    """One frame: which scene, with the accessory or without, how much it missed focus (px)."""

    scene: int
    fitted: bool
    number: int
    missed_px: float
    path: str = ""


@dataclass(frozen=True, slots=True)
class Takes:
    """How the archive was taken."""

    width: int = 1080
    height: int = 720
    iso: int = 100
    quality: int = 95
    base_blur_px: float = 0.4
    shift_px: int = 6
    """The tripod is set down again to within so many pixels."""
    scene_minutes: int = 30
    side_minutes: int = 2
    moved_share: float = 0.0
    """Share of the frame's width in which water and clouds moved between the frames."""
    place: str | None = None


def keyword_on_one_side(frame: Taken, tags: dict[str, Any], label: str) -> str:
    """The usual labelling: a keyword on the frames with the accessory. Returns the file's path."""
    tags["keywords"] = (label,) if frame.fitted else ()
    return f"walk/IMG_{frame.number:04d}.jpg"


def draw_pairs(
    folder: Path,
    accessory: Accessory,
    seed: int,
    world: PairWorld | None = None,
    takes: Takes | None = None,
    name: Callable[[Taken, dict[str, Any], str], str] = keyword_on_one_side,
) -> list[Taken]:
    """Draw an archive of pairs as files.

    Parameters
    ----------
    folder : Path
        Where to draw it.
    accessory : Accessory
        What the label does.
    seed : int
        Decides all that is left to chance.
    world : PairWorld, optional
        What goes wrong between the two frames of a scene.
    takes : Takes, optional
        Size of the frames and how they were taken.
    name : callable
        Gets a frame, its tags (arguments of `FrameTags`) to alter, and the label; returns the path below
        `folder`.

    Returns
    -------
    list of Taken
        The frames drawn, with their paths.
    """
    w, t = world or PairWorld(), takes or Takes()
    rng = np.random.default_rng(seed)
    out: list[Taken] = []
    for scene in range(w.pairs):
        border = t.shift_px + 1
        place = t.place or PLACES[int(rng.integers(len(PLACES)))]
        radiance = landscape(
            place, t.height + 2 * border, t.width + 2 * border, seed * 100 + scene, _OVERSAMPLE
        ).radiance
        first = bool(rng.random() < 0.5)
        for turn, fitted in enumerate((first, not first)):
            missed = float(rng.uniform(*w.missed_px)) if rng.random() < w.missed else 0.0
            frame = Taken(scene, fitted, 2 * scene + turn, missed)
            stops = round(3 * accessory.light_stops) / 3 if fitted else 0.0
            x, y = (int(v) for v in rng.integers(0, 2 * t.shift_px + 1, 2) * _OVERSAMPLE)
            view = radiance[y : y + t.height * _OVERSAMPLE, x : x + t.width * _OVERSAMPLE]
            if turn and t.moved_share:
                view = _moved(view, t.moved_share)
            linear = _through(view, frame, accessory, w, t)
            linear = linear * _colours(frame, accessory, w, stops, linear.shape[:2], rng)
            picture = develop(add_photon_noise(linear, Sensor(), t.iso, rng))
            tags: dict[str, Any] = {
                "make": "Alder", "model": "One", "lens": "Wren 24 mm f/2.8",
                "focal_length_mm": 24.0, "f_number": w.f_number, "iso": t.iso,
                "exposure_time_s": 1 / 250 * 2**stops, "pixel_pitch_um": w.pitch_um,
                "taken": str(_START + np.timedelta64(t.scene_minutes * scene + t.side_minutes * turn, "m")),
            }  # fmt: skip
            path = name(frame, tags, accessory.label)
            write_picture(folder / path, picture, FrameTags(**tags), t.quality)
            out.append(Taken(scene, fitted, frame.number, missed, path))
    return out


def _through(view: Image, frame: Taken, accessory: Accessory, w: PairWorld, t: Takes) -> Image:
    blur2 = t.base_blur_px**2 + frame.missed_px**2 + (frame.fitted * accessory.blur_px) ** 2
    optics = Optics(w.f_number, w.pitch_um, float(np.sqrt(blur2)))
    return through_optics(spectrum_of(np.ascontiguousarray(view), _OVERSAMPLE), optics, _OVERSAMPLE)


def _colours(
    frame: Taken, accessory: Accessory, w: PairWorld, stops: float, shape: tuple[int, int],
    rng: np.random.Generator,
) -> Image:  # fmt: skip
    """Factors on R, G and B over the frame: the accessory, and what wandered meanwhile."""
    logs = np.zeros((*shape, 3))
    logs += np.log(2) * rng.normal(0, w.light_sd)
    logs[..., [0, 2]] += rng.normal(0, w.balance_sd, 2)
    if frame.fitted:
        across = (np.arange(shape[1]) + 0.5) / shape[1] - 0.5
        logs += np.log(2) * (stops - accessory.light_stops)
        logs -= np.log(2) * accessory.shade_stops * radius_map(*shape)[..., None] ** 2
        logs[..., [0, 2]] += np.array(accessory.tint)
        logs[..., [0, 2]] += np.array(accessory.tint_across) * across[None, :, None]
    return np.exp(logs).astype(np.float32)


def _moved(view: Image, share: float) -> Image:
    """A part of the frame's sky and foreground as it looks some minutes later: mirrored, softer."""
    out = view.copy()
    width = int(view.shape[1] * share)
    start = (view.shape[1] - width) // 3
    part = view[:, start : start + width][:, ::-1]
    out[:, start : start + width] = cv2.GaussianBlur(part, (0, 0), 6.0)
    return out
