"""Archives of photographs seen through known optics, written for the tests alone.

Photographs serve as scenes: taken at two samples a pixel, seen through the closed form of diffraction
(Goodman, Introduction to Fourier Optics), a square pixel and a Gaussian remainder that differs
between centre and corner, sampled, given photon and read noise, and coded as JPEG.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import scipy.fft
from PIL import Image

from auditor.measure import measure_file
from auditor.record import Settings, to_row

APERTURES = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0)
PITCH_UM = 4.0
FINE = 2
"""Samples of the scene per pixel."""
_PAD = 48
_LEVELS = 4


def remainder_px(f_number: float, floor: float, wide: float, power: float) -> float:
    """Blur beyond diffraction: a floor and aberrations that fall with the f-number."""
    return float(np.hypot(floor, wide * (APERTURES[0] / f_number) ** power))


def diffraction(freq: np.ndarray, f_number: float) -> np.ndarray:
    x = np.minimum(freq * 0.55 * f_number / PITCH_UM, 1.0)
    return 2 / np.pi * (np.arccos(x) - x * np.sqrt(1 - x * x))


def true_mtf50(f_number: float, blur_px: float) -> float:
    """First crossing of one half, by search on a fine grid."""
    freq = np.linspace(0, 1, 20_001)
    mtf = diffraction(freq, f_number) * np.sinc(freq) * np.exp(-2 * (np.pi * blur_px * freq) ** 2)
    return float(freq[np.argmax(mtf < 0.5)])


@dataclass(frozen=True)
class Fault:
    """What went wrong: Gaussian blur of missed focus, or a straight movement (length, angle)."""

    missed_px: float = 0.0
    moved_px: float = 0.0
    angle: float = 0.0


def see(
    scene: np.ndarray, f_number: float, centre_px: float, corner_px: float, fault: Fault
) -> np.ndarray:
    """Linear light of the frame without noise; `scene` is linear, `FINE` samples a pixel."""
    h, w = (n // FINE for n in scene.shape)
    scene = scene[: h * FINE, : w * FINE]
    tall, wide = (scipy.fft.next_fast_len(n + 2 * _PAD, True) for n in scene.shape)
    around = ((_PAD, tall - scene.shape[0] - _PAD), (_PAD, wide - scene.shape[1] - _PAD))
    big = np.pad(scene, around, mode="reflect")
    fy = scipy.fft.fftfreq(tall)[:, None] * FINE
    fx = scipy.fft.rfftfreq(wide)[None, :] * FINE
    freq = np.hypot(fx, fy)
    # The scene's own samples are boxes already.
    box = np.sinc(fx) * np.sinc(fy) / (np.sinc(fx / FINE) * np.sinc(fy / FINE))
    mtf = diffraction(freq, f_number) * box * np.exp(-2 * (np.pi * fault.missed_px * freq) ** 2)
    along = fx * np.cos(fault.angle) + fy * np.sin(fault.angle)
    spectrum = (scipy.fft.rfft2(big) * mtf * np.sinc(along * fault.moved_px)).astype(np.complex64)
    levels = np.linspace(min(centre_px, corner_px), max(centre_px, corner_px) + 1e-6, _LEVELS)
    inside = (slice(_PAD, _PAD + h * FINE), slice(_PAD, _PAD + w * FINE))
    stack = np.stack(
        [
            scipy.fft.irfft2(
                spectrum * np.exp(-2 * (np.pi * b * freq) ** 2).astype(np.float32), s=big.shape
            )[inside][FINE // 2 :: FINE, FINE // 2 :: FINE]
            for b in levels
        ]
    )
    y, x = np.mgrid[:h, :w]
    radius = np.hypot(x - w / 2 + 0.5, y - h / 2 + 0.5) / np.hypot(w / 2, h / 2)
    blur = centre_px + (corner_px - centre_px) * np.clip((radius - 0.35) / 0.35, 0, 1)
    place = np.clip((blur - levels[0]) / (levels[1] - levels[0]), 0, _LEVELS - 1 - 1e-6)
    low, share = place.astype(int), place % 1
    at = np.take_along_axis
    return at(stack, low[None], 0)[0] * (1 - share) + at(stack, low[None] + 1, 0)[0] * share


def jpeg(light: np.ndarray) -> bytes:
    light = np.clip(light, 0, 1)
    code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    out = io.BytesIO()
    Image.fromarray(np.round(code * 255).astype(np.uint8)).convert("RGB").save(
        out, "JPEG", quality=95
    )
    return out.getvalue()


def linear_scene(path: Path, rng: np.random.Generator) -> np.ndarray:
    """A part of a photograph in linear light, mirrored by chance."""
    with Image.open(path) as picture:
        code = np.asarray(picture.convert("L"), np.float32) / 255
    tall, wide = min(code.shape[0], 1900), min(code.shape[1], 1900)
    y = rng.integers(0, code.shape[0] - tall + 1)
    x = rng.integers(0, code.shape[1] - wide + 1)
    code = code[y : y + tall, x : x + wide]
    code = code[:, ::-1] if rng.random() < 0.5 else code
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def photo_archive(
    photographs: list[Path], per_aperture: int, seed: int
) -> tuple[list[dict[str, Any]], dict[str, np.ndarray]]:
    """Rows of the store, and the true MTF50 of centre and corner at `APERTURES`.

    30% of the frames missed focus, 15% were shaken, ISO 100 to 800; scenes are taken at several
    apertures within minutes, as photographers do who try.
    """
    rng = np.random.default_rng(seed)
    centre = (rng.uniform(0.25, 0.5), rng.uniform(0.4, 1.1), rng.uniform(1.0, 2.0))
    corner = (rng.uniform(0.35, 0.7), rng.uniform(1.0, 2.2), rng.uniform(1.0, 1.8))
    left = dict.fromkeys(APERTURES, per_aperture)
    rows: list[dict[str, Any]] = []
    scene_number = 0
    while any(left.values()):
        scene = linear_scene(photographs[scene_number % len(photographs)], rng)
        held = [n for n in APERTURES if left[n]]
        for f_number in rng.choice(held, min(int(rng.integers(3, 8)), len(held)), replace=False):
            left[float(f_number)] -= 1
            rows.append(_frame(scene, float(f_number), centre, corner, scene_number, rng))
            rows[-1]["path"] = f"{len(rows):04d}.jpg"
        scene_number += 1
    truth = {
        name: np.array([true_mtf50(n, remainder_px(n, *lens)) for n in APERTURES])
        for name, lens in (("centre", centre), ("corner", corner))
    }
    return rows, truth


def _frame(
    scene: np.ndarray, f_number: float, centre: tuple[float, ...], corner: tuple[float, ...],
    number: int, rng: np.random.Generator,
) -> dict[str, Any]:  # fmt: skip
    chance, fault = rng.random(), Fault()
    if chance < 0.30:
        fault = Fault(missed_px=rng.uniform(0.8, 2.5))
    elif chance < 0.45:
        fault = Fault(moved_px=rng.uniform(2, 6), angle=rng.uniform(0, np.pi))
    iso = float(rng.choice([100, 200, 400, 800]))
    full = 40_000 * 100 / iso
    dy, dx = rng.integers(0, 12, 2)
    light = see(
        np.ascontiguousarray(scene[dy:, dx:]), f_number, remainder_px(f_number, *centre),
        remainder_px(f_number, *corner), fault,
    )  # fmt: skip
    light = np.clip(light, 0, None)
    noisy = (rng.poisson(light * full) + rng.normal(0, 3, light.shape)) / full
    minute = number * 15 + int(rng.integers(0, 6))
    settings = Settings(
        body="Kestrel One", lens="Alder 35 mm", f_number=f_number, focal_length_mm=35.0, iso=iso,
        exposure_time_s=1 / 60 if fault.moved_px else 1 / 250, pixel_pitch_um=PITCH_UM,
        taken=f"2024-05-{1 + number // 4:02d}T{8 + minute % 600 // 60:02d}:{minute % 60:02d}:00",
        width_px=light.shape[1], height_px=light.shape[0], source="camera",
    )  # fmt: skip
    return to_row(replace(measure_file(jpeg(noisy), "frame.jpg"), settings=settings))
