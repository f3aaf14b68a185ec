"""Archives of real files in which every scene was taken twice, with known differences.

The accessory of `pairs.Accessory` is put in front of an artificial lens; the camera lengthens the
exposure for it. Some frames miss focus, the tripod is set down again by hand, light and white balance
wander as `pairs.PairWorld` says.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor.artificial.camera import Sensor, add_photon_noise, develop
from auditor.artificial.drawn_lens import Optics, radius_map
from auditor.artificial.files import FrameTags, write_picture
from auditor.artificial.lightpath import spectrum_of, through_optics
from auditor.artificial.pairs import Accessory, PairWorld
from auditor.artificial.scenes import PLACES, landscape

__all__ = ["Taken", "Takes", "draw_pairs", "keyword_on_one_side"]

Image = NDArray[np.float32]

_OVERSAMPLE: Final = 2
_START: Final = np.datetime64("2024-05-01T08:00:00")


@dataclass(frozen=True, slots=True)
class Taken:
    """One frame: which scene, with the accessory or bare, how much it missed focus (px)."""

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
    """Draw an archive of pairs below `folder`; returns its frames.

    Args:
        name: gets a frame, its tags (arguments of `FrameTags`) to alter, and the label; returns the
            path below `folder`.
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
    look = Optics(w.f_number, w.pitch_um, float(np.sqrt(blur2)))
    return through_optics(spectrum_of(np.ascontiguousarray(view), _OVERSAMPLE), look, _OVERSAMPLE)


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
