"""A whole invented archive: who photographed what with which gear, and what went wrong.

An `ArchiveRecipe` names bodies, lenses with their true curves, and series of frames. `plan` turns it
into `Shot`s, deterministically; `render.draw_archive` draws them as files.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import product
from typing import Any, Final, Literal

import numpy as np

from auditor.artificial.drawn_lens import Optics
from auditor.artificial.recipe import FAULTS, ArchiveRecipe, Series
from auditor.artificial.scenes import BRIGHTNESS

__all__ = [
    "LABELS",
    "Shot",
    "plan",
    "shot_optics",
]

LABELS: Final[Mapping[str, tuple[float, tuple[float, float, float]]]] = {
    "polariser": (1.32, (1.03, 1.0, 0.95)),
}
"""Stops of light that a labelled filter takes, and its factors on red, green and blue."""


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
