"""Curves of two lenses whose frames a general optics library has rendered from wavefronts, read as users read them.

What has to hold was set down before the first frame was measured.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from photographs import encoded, exposed
from wavefront_scenes import scene
from wavefront_worlds import (
    APERTURES,
    FINE,
    FOCAL_MM,
    PITCH_UM,
    SHAPE,
    TILE_PX,
    ZONES,
    SceneInFront,
    WavefrontLens,
    best_focus_um,
    mtf50,
    place_of_tile,
    true_curve,
)

import auditor
from auditor.artificial.files import FrameTags, jpeg_bytes

pytestmark = pytest.mark.long

LENSES = (
    WavefrontLens("Alder 24mm f/2.8", spherical=2.0, coma=1.5),
    WavefrontLens("Tarn 24mm f/2.8", spherical=0.3, coma=0.2),
)
OUTINGS = 7
"""Of each lens; in each one frame at every aperture, one of them out of focus."""
KINDS = ("leaves", "houses", "pictures")
SEED = 20_817
FOCUS_ERROR_UM = 10.0
"""Standard deviation of what focus is off in a frame in focus."""
MISSED_PX = 1.5
"""Of a frame out of focus: standard deviation of its disc along one direction, a quarter of the disc's width."""
FULL_E = 40_000
"""Electrons at white at ISO 100."""
SLANT = np.radians(5.0)
STRIPE_PX = 170
"""Wide, for the window of the standard cuts the tails of diffraction off, which makes edges look sharper."""
EDGE_TILES = ((0, 1), (3, 4), (4, 2), (5, 7))
"""Row and column."""
BINS = 4
"""Of the edge's profile, per pixel (ISO 12233)."""


@dataclass(frozen=True)
class Audited:
    """What the program says, and what is true."""

    profile: Any
    truth: dict[tuple[str, float], dict[str, float]]
    """MTF50 of every zone by lens and aperture."""
    out_of_focus: frozenset[str]
    """Names of files."""

    def points(self) -> list[tuple[dict[str, Any], float]]:
        """Every figure of a curve and its truth."""
        return [
            (entry[zone], self.truth[lens["lens"], entry["f_number"]][zone])
            for lens in self.profile["lenses"]
            for reach in lens["focal_ranges"]
            for entry in reach["apertures"]
            for zone in ZONES
            if entry[zone] is not None
        ]


@pytest.fixture(scope="module")
def audited(tmp_path_factory: pytest.TempPathFactory) -> Audited:
    """Both lenses' frames written as a camera's JPEG, scanned, and their profile."""
    folder = tmp_path_factory.mktemp("wavefronts")
    rng = np.random.default_rng(SEED)
    truth, missed = {}, set()
    for lens in LENSES:
        focus_um = {n: best_focus_um(lens, n) for n in APERTURES}
        truth |= {(lens.name, n): true_curve(lens, n, focus_um[n]) for n in APERTURES}
        for outing in range(OUTINGS):
            missed |= _write_outing(folder / "pictures", lens, outing, focus_um, rng)
    auditor.scan(folder / "pictures", folder / "out", workers=1)
    return Audited(auditor.profile(auditor.load(folder / "out")), truth, frozenset(missed))


def _write_outing(
    folder: Path, lens: WavefrontLens, outing: int, focus_um: dict[float, float],
    rng: np.random.Generator,
) -> set[str]:  # fmt: skip
    """One scene at every aperture; gives the names of files out of focus."""
    number = LENSES.index(lens)
    day = f"2024-{4 + number:02d}-{3 + 3 * outing:02d}"
    in_front = SceneInFront(scene(KINDS[outing % len(KINDS)], rng))
    place = folder / f"{day} walk"
    place.mkdir(parents=True)
    missed = set()
    for k, f_number in enumerate(APERTURES):
        name = f"K{1 + number}{outing:02d}{k}.jpg"
        off_um = rng.normal(0, FOCUS_ERROR_UM)
        if k == (outing + number) % len(APERTURES):
            off_um = rng.choice([-1, 1]) * 4 * MISSED_PX * PITCH_UM * f_number
            missed.add(name)
        light = in_front.seen(lens, f_number, focus_um[f_number] + off_um, rng.uniform(-3, 3, 2))
        iso = int(rng.choice([100, 200, 400]))
        noisy = exposed(light * rng.uniform(0.85, 1.05), FULL_E * 100 / iso, rng)
        tags = FrameTags(
            make="Kestrel", model="Kestrel One", lens=lens.name, focal_length_mm=FOCAL_MM,
            f_number=f_number, exposure_time_s=1 / 250, iso=iso, taken=f"{day}T09:{3 * k:02d}:00",
            pixel_pitch_um=PITCH_UM, software="Firmware 1.0",
        )  # fmt: skip
        picture = np.repeat(encoded(noisy)[..., None], 3, axis=2)
        (place / name).write_bytes(jpeg_bytes(picture, tags))
    return missed


def test_at_least_85_percent_of_the_intervals_hold_the_truth(audited: Audited) -> None:
    points = audited.points()
    assert len(points) >= 0.9 * len(LENSES) * len(APERTURES) * len(ZONES)
    # Measured: 0.90; with three other seeds 0.73, 0.83 and 0.87. What is missed is f/2.8 and f/4, where few frames are
    # in focus.
    assert np.mean([found["low"] <= true <= found["high"] for found, true in points]) >= 0.85


def test_curves_are_off_by_3_percent_at_most_in_the_median(audited: Audited) -> None:
    errors = [found["mtf50_cpp"] / true - 1 for found, true in audited.points()]
    assert np.median(np.abs(errors)) <= 0.03


def test_a_sweet_spot_that_is_told_holds_the_truth(audited: Audited) -> None:
    assert [lens["lens"] for lens in audited.profile["lenses"]] == [lens.name for lens in LENSES]
    for lens in audited.profile["lenses"]:
        weaker = np.array(
            [
                min(audited.truth[lens["lens"], n][z] for z in ("centre", "corner"))
                for n in APERTURES
            ]
        )
        good = np.array(APERTURES)[weaker >= 0.97 * weaker.max()]
        for reach in lens["focal_ranges"]:
            if (spot := reach["sweet_spot"]) is not None:
                assert np.any((good >= spot["low"]) & (good <= spot["high"]))


def called_soft(audited: Audited) -> dict[str, str]:
    """Cause by name of file; every frame has been judged."""
    assert audited.profile["verdicts"]["judged"] == len(LENSES) * OUTINGS * len(APERTURES)
    return {Path(k["path"]).name: k["cause"] for k in audited.profile["keepers"] if k["soft"]}


def test_no_frame_in_focus_is_called_out_of_focus_or_shaken(audited: Audited) -> None:
    faults = ("shake", "focus in front", "focus behind", "missed focus")
    called = {name for name, cause in called_soft(audited).items() if cause in faults}
    assert called - audited.out_of_focus == set()


def test_of_frames_out_of_focus_by_one_and_a_half_pixels_80_percent_are_found(
    audited: Audited,
) -> None:
    assert len(audited.out_of_focus) == len(LENSES) * OUTINGS
    found = audited.out_of_focus & called_soft(audited).keys()
    assert len(found) >= 0.8 * len(audited.out_of_focus)


def stripes() -> np.ndarray:
    """Slanted bands of light as the area of a fine sample covers them, with an edge through the middle of each of
    `EDGE_TILES`."""
    y, x = ((np.mgrid[: SHAPE[0] * FINE, : SHAPE[1] * FINE] + 0.5) / FINE).astype(np.float32)
    along = x * np.cos(SLANT) + y * np.sin(SLANT)
    for row, column in EDGE_TILES:
        band = slice(row * TILE_PX * FINE, (row + 1) * TILE_PX * FINE)
        middle = (column + 0.5) * np.cos(SLANT) + (row + 0.5) * np.sin(SLANT)
        along[band] -= np.float32(TILE_PX * middle - STRIPE_PX / 2)
    inside = STRIPE_PX / 2 - np.abs(along % (2 * STRIPE_PX) - STRIPE_PX)
    return np.float32(0.1) + np.float32(0.4) * np.clip(0.5 + inside * FINE, 0, 1)


def slanted_edge_mtf50(light: np.ndarray) -> float:
    """MTF50 of one near-vertical edge by ISO 12233: centroids of the rows, a line through them, the profile across it
    in quarter pixels, its slope under a Hamming window, and its spectrum less what differences and bins take."""
    tall, wide = light.shape
    slope = np.abs(np.diff(light, axis=1)) * np.hamming(wide - 1)
    centroid = (slope * (np.arange(wide - 1) + 0.5)).sum(1) / slope.sum(1)
    lean, start = np.polyfit(np.arange(tall), centroid, 1)
    across = (np.arange(wide) - (start + lean * np.arange(tall)[:, None])) / np.hypot(1, lean)
    reach = wide // 2 - int(np.ceil(abs(lean) * tall / 2)) - 1
    where = np.floor((across + reach) * BINS).astype(int)
    held = (where >= 0) & (where < 2 * reach * BINS)
    profile = np.bincount(where[held], light[held]) / np.bincount(where[held])
    line = np.diff(profile) * np.hamming(len(profile) - 1)
    freq = np.arange(0, 1, 0.001)
    waves = np.exp(-2j * np.pi * np.outer(freq, np.arange(len(line)) / BINS))
    mtf = np.abs(waves @ line) / np.abs(line.sum()) / np.sinc(freq / BINS) ** 2
    return float(freq[np.argmax(mtf < 0.5)])


@pytest.mark.parametrize("f_number", [2.8, 8.0])
@pytest.mark.parametrize("lens", LENSES, ids=lambda lens: lens.name)
def test_the_truth_is_what_slanted_edges_show(lens: WavefrontLens, f_number: float) -> None:
    """ISO 12233 reads a transfer function as a share of the light in its window, where a point's far tails are not."""
    light = SceneInFront(stripes()).seen(lens, f_number, 8.0, (0.0, 0.0))
    for row, column in EDGE_TILES:
        y, x = row * TILE_PX + TILE_PX // 2, column * TILE_PX + TILE_PX // 2
        patch = light[y - 80 : y + 80, x - 70 : x + 70]
        way = np.array([SLANT])
        (true,) = mtf50(lens, f_number, *place_of_tile(row, column), 8.0, way, all_light=False)
        assert slanted_edge_mtf50(patch) == pytest.approx(true, rel=0.01)
