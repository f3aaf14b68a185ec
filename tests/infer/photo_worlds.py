"""Archives of photographs seen through known optics, written for the tests alone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from photographs import (
    APERTURES,
    PITCH_UM,
    Fault,
    exposed,
    jpeg,
    linear_scene,
    see,
    true_mtf50,
)

from auditor.measure import measure_file
from auditor.record import Settings, to_row


def remainder_px(f_number: float, floor: float, wide: float, power: float) -> float:
    """Blur beyond diffraction: a floor and aberrations that fall with the f-number."""
    return float(np.hypot(floor, wide * (APERTURES[0] / f_number) ** power))


def random_blurs(rng: np.random.Generator) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """What `remainder_px` takes of a lens drawn at random, for centre and corner."""
    centre = (rng.uniform(0.25, 0.5), rng.uniform(0.4, 1.1), rng.uniform(1.0, 2.0))
    corner = (rng.uniform(0.35, 0.7), rng.uniform(1.0, 2.2), rng.uniform(1.0, 1.8))
    return centre, corner


def taken_at(scene: int, rng: np.random.Generator) -> str:
    """A time within some minutes of the others of a scene, four scenes a day."""
    minute = scene * 15 + int(rng.integers(0, 6))
    return f"2024-05-{1 + scene // 4:02d}T{8 + minute % 600 // 60:02d}:{minute % 60:02d}:00"


def photo_archive(
    photographs: list[Path], per_aperture: int, seed: int
) -> tuple[list[dict[str, Any]], dict[str, np.ndarray]]:
    """Rows of the store, and the true MTF50 of centre and corner at `APERTURES`.

    30% of the frames missed focus, 15% were shaken, ISO 100 to 800; scenes are taken at several
    apertures within minutes, as photographers do who try.
    """
    rng = np.random.default_rng(seed)
    centre, corner = random_blurs(rng)
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
    noisy = exposed(light, full, rng)
    settings = Settings(
        body="Kestrel One", lens="Alder 35 mm", f_number=f_number, focal_length_mm=35.0, iso=iso,
        exposure_time_s=1 / 60 if fault.moved_px else 1 / 250, pixel_pitch_um=PITCH_UM,
        taken=taken_at(number, rng),
        width_px=light.shape[1], height_px=light.shape[0], source="camera",
    )  # fmt: skip
    # The file tells aperture and pitch, as a camera's does: what optics allow takes part in the measurement.
    record = measure_file(jpeg(noisy, f_number), "frame.jpg")
    assert record.settings.pixel_pitch_um == pytest.approx(PITCH_UM, rel=0.01)
    return to_row(replace(record, settings=settings))
