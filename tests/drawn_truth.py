"""What a perfect audit of a drawn archive would find: MTF50 in closed form, and from it curves and ranges."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from auditor import optics
from auditor.artificial.archive import ArchiveRecipe, Shot, plan, shot_optics
from auditor.artificial.lightpath import Optics, disc_otf, radius_map, rise

__all__ = [
    "blur_at",
    "defocus_disc_px",
    "directional_mtf50",
    "lens_truth",
    "luma_mtf50",
    "mtf50_at",
]

ZONES = {"centre": (0.0, 0.35, 0.0), "middle": (0.35, 0.7, 0.525), "corner": (0.7, 1.01, 1.0)}
"""Inner and outer limit as shares of the half-diagonal, and where the zone's blur is read."""
LUMA = (0.299, 0.587, 0.114)
"""Weights of red, green and blue in luma (ITU-R BT.601)."""
RINGS = 4
"""Places between a zone's limits at which it is computed, of equal area in a 3:2 frame."""


def blur_at(lens: Optics, radius: float) -> float:
    """Standard deviation (px) of the Gaussian remainder at this share of the half-diagonal."""
    corner = lens.blur_px if lens.corner_blur_px is None else lens.corner_blur_px
    share = float(rise(np.array(radius)))
    return math.sqrt(max(lens.blur_px**2 + (corner**2 - lens.blur_px**2) * share, 0.0))


def mtf50_at(lens: Optics, radius: float = 0.0) -> float:
    """System MTF50 (c/px) at this radius, leaving out motion and defocus."""
    blur = blur_at(lens, radius)
    return float(optics.mtf50(lens.f_number, lens.pitch_um, blur, lens.wavelength_um))


def directional_mtf50(lens: Optics, degrees: float) -> float:
    """MTF50 (c/px) on the axis of blur along `degrees` with motion and defocus counted in."""
    freq = np.linspace(0.0, 1.0, 2001)
    mtf = optics.system_mtf(freq, lens.f_number, lens.pitch_um, lens.blur_px, lens.wavelength_um)
    along = freq * lens.motion_px * math.cos(math.radians(degrees - lens.motion_deg))
    mtf = mtf * np.abs(np.sinc(along)) * np.abs(disc_otf(freq * lens.defocus_px))
    return float(freq[np.argmax(mtf < 0.5)])


def defocus_disc_px(
    focal_length_mm: ArrayLike, f_number: ArrayLike, pitch_um: ArrayLike, focus_m: ArrayLike,
    subject_m: float = float("inf"),
) -> np.ndarray:  # fmt: skip
    """Diameter in pixels of the geometric blur disc of a point out of focus.

    c = f^2 |s2 - s1| / (N s2 (s1 - f)) for a focus at s1 and a subject at s2; for a subject at infinity
    c = f^2 / (N (s1 - f)).
    """
    f, focus = np.asarray(focal_length_mm, float) / 1000, np.asarray(focus_m, float)
    ratio = 1.0 if np.isinf(subject_m) else np.abs(subject_m - focus) / subject_m
    disc_m = f * f * ratio / (np.asarray(f_number, float) * (focus - f))
    return np.asarray(disc_m * 1e6 / np.asarray(pitch_um, float))


def luma_mtf50(lens: Optics, zone: str, colour: bool = True) -> float:
    """MTF50 (c/px) of a neutral edge's luma in a zone, mean over its area and over directions.

    Luma is the weighted sum of three channels (weights of ITU-R BT.601, which JPEG files use), and a
    weighted sum of displaced edges is a blurred edge: its transfer is the system's times
    |sum of w exp(2 pi i f s)| for displacements s along the edge's normal (shift theorem; Goodman,
    Introduction to Fourier Optics). ISO 12233 too measures luminance.
    Without `colour`, as for a mosaic's green sites, displacements leave no trace; motion and defocus are
    left out.
    """
    lateral = (lens.lateral_red_px, 0.0, lens.lateral_blue_px)
    place = ZONES[zone][2]
    if not colour or not any(lateral):
        return mtf50_at(lens, place)
    system = (lens.f_number, lens.pitch_um, blur_at(lens, place), lens.wavelength_um)
    return _luma_mtf50(zone, lateral, system)


@lru_cache(maxsize=4096)
def _luma_mtf50(
    zone: str, lateral: tuple[float, float, float], system: tuple[float, float, float, float]
) -> float:
    """See `luma_mtf50`; `system` as `optics.system_mtf` takes it."""
    freq = np.linspace(0.0, 0.8, 1601)
    low, high, _ = ZONES[zone]
    radii = radius_map(200, 300)
    inside = radii[(radii >= low) & (radii < high)]
    radii = np.quantile(inside, (np.arange(RINGS) + 0.5) / RINGS)
    # Every direction of an edge against the radius is as likely as any other.
    turns = np.cos(np.radians(np.arange(7.5, 90, 15)))
    along = (radii[:, None] * turns).reshape(-1, 1)
    power = np.full((len(along), len(freq)), sum(w * w for w in LUMA))
    for i, j in ((0, 1), (0, 2), (1, 2)):
        apart = along * (lateral[i] - lateral[j])
        power += 2 * LUMA[i] * LUMA[j] * np.cos(2 * np.pi * freq * apart)
    luma = optics.system_mtf(freq, *system) * np.sqrt(np.maximum(power, 0))
    return float(freq[np.argmax(luma < 0.5, axis=1)].mean())


def lens_truth(recipe: ArchiveRecipe) -> list[dict[str, Any]]:
    """Sweet spot and ranges of each lens, body and focal length in use.

    The definitions are the profile's: the sweet spot is where the weaker of centre and corner is sharpest;
    ranges keep 75% and 60% of that, and end with the apertures that were used.
    """
    groups: dict[tuple[str, str, float], list[Shot]] = {}
    for shot in plan(recipe):
        groups.setdefault((shot.lens, shot.body, shot.focal_mm), []).append(shot)
    rows = []
    for (lens, body, focal), shots in groups.items():
        used = [s.f_number for s in shots]
        colour = any(s.kind == "jpg" for s in shots)
        grid = np.geomspace(min(used), max(used), 240)
        looks = [shot_optics(recipe, replace(shots[0], f_number=float(n))) for n in grid]
        curve = np.array(
            [min(luma_mtf50(look, z, colour) for z in ("centre", "corner")) for look in looks]
        )
        rows.append(
            {
                "lens": lens,
                "body": body,
                "focal_mm": focal,
                "frames": len(shots),
                "sweet_spot": float(grid[np.argmax(curve)]),
                "pin_sharp": _range(grid, curve, 0.75),
                "acceptable": _range(grid, curve, 0.60),
            }
        )
    return rows


def _range(grid: np.ndarray, curve: np.ndarray, share: float) -> list[float]:
    """First and last f-number around the peak at which the curve keeps this share of it."""
    peak = int(np.argmax(curve))
    falls = np.cumsum(curve < share * curve[peak])
    inside = grid[(falls == falls[peak]) & (curve >= share * curve[peak])]
    return [float(inside[0]), float(inside[-1])]
