"""Archives of drawn scenes seen through known optics, measured frame by frame: landscapes with depth, the same as a
camera sharpens and bends them, plain steps. Written for the calibration of intervals alone."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from photo_worlds import random_blurs, remainder_px, taken_at
from photographs import APERTURES, PITCH_UM, coded, exposed, jpeg, linear, true_mtf50
from validate_sharpness import polygon_spectrum

from auditor.artificial.lightpath import Optics, spectrum_of, through_optics
from auditor.artificial.scenes import PLACES, landscape
from auditor.measure import measure_file
from auditor.record import Settings, to_row

SHAPE = 640, 960
FOCAL_M = 0.024
FULL_E = 40_000
"""Electrons at white at ISO 100."""
LEVELS = {False: 3, True: 8}
"""Blends over which blur is spread that changes over the frame: depth changes more than a lens does."""
Rows = list[dict[str, Any]]
Truth = dict[str, np.ndarray]


def landscape_archives(per_aperture: int, seed: int) -> dict[str, tuple[Rows, Truth]]:
    """'land' and 'camera': rows of the store, and the true MTF50 of every zone at `APERTURES`. Of both the frames
    are the same; those of 'camera' are sharpened after encoding, and their tones bent."""
    return _archives(per_aperture, seed, drawn=True)


def steps_archive(per_aperture: int, seed: int) -> tuple[Rows, Truth]:
    """The same of polygons without depth, a third of the frames out of focus, as no camera finishes them."""
    return _archives(per_aperture, seed, drawn=False)["land"]


def _archives(per_aperture: int, seed: int, drawn: bool) -> dict[str, tuple[Rows, Truth]]:
    rng = np.random.default_rng(seed)
    centre, corner = random_blurs(rng)
    if drawn:  # What differs between zones there is depth.
        corner = centre
    sharpening = (rng.uniform(0.4, 0.9), rng.uniform(0.7, 1.1)) if drawn else None
    bend = rng.uniform(0.3, 0.6) if drawn else 0.0
    finishes = {"land": (None, 0.0)} | ({"camera": (sharpening, bend)} if drawn else {})
    out: dict[str, tuple[Rows, Truth]] = {
        name: ([], _truth(centre, corner, finish[0])) for name, finish in finishes.items()
    }
    left = dict.fromkeys(APERTURES, per_aperture)
    scene = 0
    while any(left.values()):
        spectrum, distance_m = _scene(seed * 1000 + scene, rng, drawn)
        held = [n for n in APERTURES if left[n]]
        for n in rng.choice(held, min(int(rng.integers(1, 5)), len(held)), replace=False):
            f_number = float(n)
            left[f_number] -= 1
            fault = _fault(rng, drawn)
            look = Optics(
                f_number, PITCH_UM, remainder_px(f_number, *centre), remainder_px(f_number, *corner),
                **fault,
            )  # fmt: skip
            discs = None if distance_m is None else _discs(rng, f_number, distance_m)
            light = through_optics(
                spectrum, look, spectrum.oversample, levels=LEVELS[drawn], disc_map=discs
            )
            iso = float(rng.choice([100, 200, 400, 800]))
            noisy = exposed(light, FULL_E * 100 / iso, rng)
            settings = Settings(
                body="Kestrel One", lens="Alder 24 mm", f_number=f_number, focal_length_mm=24.0, iso=iso,
                exposure_time_s=1 / 20 if "motion_px" in fault else 1 / 250, pixel_pitch_um=PITCH_UM,
                taken=taken_at(scene, rng), width_px=SHAPE[1], height_px=SHAPE[0], source="camera",
            )  # fmt: skip
            for name, (rows, _) in out.items():
                data = jpeg(_finished(noisy, *finishes[name]), f_number)
                record = replace(measure_file(data, "frame.jpg"), settings=settings)
                rows.append(to_row(record) | {"path": f"{len(rows):04d}.jpg"})
        scene += 1
    return out


def _scene(seed: int, rng: np.random.Generator, drawn: bool) -> tuple[Any, np.ndarray | None]:
    """Spectrum of a scene's light and, of a landscape, how far its parts are away."""
    if not drawn:
        return polygon_spectrum(seed, *SHAPE), None
    place = PLACES[int(rng.integers(len(PLACES)))]
    made = landscape(place, *SHAPE, seed, 2)
    return spectrum_of(made.radiance.mean(2), 2), made.distance


def _fault(rng: np.random.Generator, drawn: bool) -> dict[str, float]:
    """Some frames are out of focus throughout (fewer where depth does it), some moved."""
    chance, focus, all_of_them = rng.random(), *((0.12, 0.22) if drawn else (0.30, 0.45))
    if chance < focus:
        return {"defocus_px": rng.uniform(3, 9)}
    if chance < all_of_them:
        return {"motion_px": rng.uniform(2.5, 7), "motion_deg": rng.uniform(0, 180)}
    return {}


def _discs(rng: np.random.Generator, f_number: float, distance_m: np.ndarray) -> np.ndarray:
    """Blur discs in pixels (thin lens): focused on the foreground by habit at wide apertures."""
    near = rng.random() < (0.7 if f_number < 7 else 0.25)
    focus_m = rng.uniform(4, 12) if near else 60.0
    inverse = np.where(np.isfinite(distance_m), 1 / np.maximum(distance_m, 1.0), 0.0)
    return FOCAL_M**2 / f_number * np.abs(inverse - 1 / focus_m) / (PITCH_UM * 1e-6)


def _finished(light: np.ndarray, sharpening: tuple[float, float] | None, bend: float) -> np.ndarray:
    """Light whose code values (IEC 61966-2-1) are unsharp-masked and bent as a camera may do it."""
    code = coded(light).astype(np.float32)
    if sharpening:
        amount, radius = sharpening
        code = np.clip(code + amount * (code - cv2.GaussianBlur(code, (0, 0), radius)), 0, 1)
    code = (1 - bend) * code + bend * (3 * code**2 - 2 * code**3)
    return linear(code)


def _truth(
    centre: tuple[float, ...], corner: tuple[float, ...], sharpening: tuple[float, float] | None
) -> Truth:
    """MTF50 in closed form; the middle's blur lies half way in its square."""
    ends = np.array([[remainder_px(n, *zone) for n in APERTURES] for zone in (centre, corner)])
    blurs = {"centre": ends[0], "middle": np.sqrt((ends**2).mean(0)), "corner": ends[1]}
    return {
        zone: np.array([true_mtf50(n, b, sharpening) for n, b in zip(APERTURES, blur, strict=True)])
        for zone, blur in blurs.items()
    }
