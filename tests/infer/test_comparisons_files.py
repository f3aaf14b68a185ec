"""Pairs as rendered files through the whole command: what profile.json then says of the accessory."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import compared
import cv2
import numpy as np
import pytest
from command import call
from compared import find
from drawn_pairs import Accessory, PairWorld, Taken, Takes, draw_pairs
from drawn_truth import defocus_disc_px, directional_mtf50

from auditor.artificial.camera import Sensor, add_photon_noise, develop
from auditor.artificial.files import FrameTags, write_picture
from auditor.artificial.lightpath import Optics, spectrum_of, through_optics
from auditor.artificial.scenes import PLACES, landscape
from auditor.optics import hyperfocal_m

pytestmark = pytest.mark.long


def _run(archive: Path, out: Path) -> list[dict]:
    done = call("run", archive, "--out", out, "--workers", "1")
    assert done.exit_code == 0, done.output
    return json.loads((out / "profile.json").read_text(encoding="utf-8"))["comparisons"]


WORLDS = [
    # f-number, ISO, quality, size, shift, light of the filter
    (5.6, 100, 97, (1080, 720), 2, 1.5),
    (8.0, 800, 92, (1200, 800), 10, 3.0),
    (11.0, 200, 90, (1350, 900), 6, 0.3),
]


@pytest.mark.parametrize(
    ("n", "iso", "quality", "size", "shift", "light", "graded"),
    [(*WORLDS[0], True), (*WORLDS[1], False), (*WORLDS[1], True), (*WORLDS[2], False)],
)
def test_a_filter_of_known_blur_cast_and_light(
    tmp_path: Path, n: float, iso: int, quality: int, size: tuple[int, int], shift: int,
    light: float, graded: bool,
) -> None:  # fmt: skip
    tint = compared.tint(0.003, 1.0, -0.5)
    accessory = Accessory(
        blur_px=0.3, tint=tint, tint_across=tint if graded else (0.0, 0.0), light_stops=light,
        shade_stops=0.5 if graded else 0.0,
    )  # fmt: skip
    takes = Takes(*size, iso=iso, quality=quality, shift_px=shift)
    # Light that wanders by 0.03 stops a frame leaves 0.015 to the mean of eight pairs.
    world = PairWorld(f_number=n, light_sd=0.03)
    draw_pairs(tmp_path / "a", accessory, int(n * 10) + graded, world, takes)
    entries = _run(tmp_path / "a", tmp_path / "out")
    assert {(e["label"], e["against"], e["lens"]) for e in entries} == {
        ("polariser", "without polariser", "Wren 24 mm f/2.8")
    }
    whole = find(entries, "sharpness")
    # A frame far out of focus may hold nothing that could be measured.
    unmeasured = sum(x["count"] for x in whole["left_out"])
    assert whole["pairs"] + unmeasured == 8
    assert unmeasured <= 2
    assert whole["high"] < 0
    assert whole["added_blur_px"]["value"] == pytest.approx(0.3, rel=0.3)
    cast = find(entries, "cast")
    assert cast["found"]
    assert cast["difference"] == pytest.approx(0.003, abs=0.0008)
    assert cast["even"] is not graded
    assert find(entries, "light")["difference"] == pytest.approx(-light, abs=0.1)
    shade = find(entries, "vignetting", "corner")["difference"]
    assert shade == pytest.approx(-0.5 * 0.6 if graded else 0.0, abs=0.1)


def test_perfect_filters_are_not_accused(tmp_path: Path) -> None:
    """Four archives, of which one may accuse (95% of 200 is checked on tables)."""
    accused, cast_found = 0, 0
    for k in range(4):
        n, iso, quality, size, shift, light = WORLDS[k % 3]
        takes = Takes(*size, iso=iso, quality=quality, shift_px=shift)
        accessory, world = Accessory(light_stops=light), PairWorld(f_number=n)
        draw_pairs(tmp_path / f"{k}", accessory, 500 + k, world, takes)
        entries = _run(tmp_path / f"{k}", tmp_path / f"out{k}")
        accused += any(e["high"] < 0 for e in entries if e["what"] == "sharpness")
        cast_found += find(entries, "cast")["found"]
        assert find(entries, "cast")["even"]
    assert accused <= 1
    assert cast_found <= 1


def _folder_of_each(frame: Taken, tags: dict[str, Any], label: str) -> str:
    tags["white_balance"] = "manual"
    return f"{label if frame.fitted else 'bare'}/IMG_{frame.scene:04d}.jpg"


def test_folders_moving_water_and_changing_light(tmp_path: Path) -> None:
    accessory = Accessory("ND8", light_stops=3.0, tint=compared.tint(0.003))
    world, takes = PairWorld(light_sd=0.12), Takes(moved_share=0.2)
    draw_pairs(tmp_path / "a", accessory, 77, world, takes, _folder_of_each)
    entries = _run(tmp_path / "a", tmp_path / "out")
    assert {(e["label"], e["against"]) for e in entries} == {("ND8", "bare")}
    light = find(entries, "light")
    assert light["low"] <= -3.0 <= light["high"]
    cast = find(entries, "cast")
    assert cast["difference"] == pytest.approx(0.003, abs=0.001)
    assert cast["even"]
    assert find(entries, "sharpness")["high"] > 0


@pytest.mark.parametrize("kind", ["crop", "copy", "copy with its old size"])
def test_crop_mode_and_resized_copies_are_never_confused(tmp_path: Path, kind: str) -> None:
    rng = np.random.default_rng(6)
    for k in range(12):
        radiance = landscape(PLACES[(k // 2) % 6], 720, 1080, 60 + k // 2).radiance
        linear = through_optics(spectrum_of(radiance), Optics(8.0, 4.0, 0.4))
        if k % 2 and kind == "crop":
            linear = linear[120:600, 180:900]
        elif k % 2:
            linear = cv2.resize(linear, (720, 480), interpolation=cv2.INTER_AREA)
        tags = FrameTags(
            make="Alder", model="One", lens="Wren 24 mm f/2.8", focal_length_mm=24, f_number=8,
            exposure_time_s=1 / 250, iso=100, pixel_pitch_um=4.0,
            taken=f"2024-05-01T{8 + k // 2:02d}:{5 * (k % 2):02d}:00",
        )  # fmt: skip
        path = tmp_path / "a" / f"IMG_{k:04d}.jpg"
        write_picture(path, develop(add_photon_noise(linear, Sensor(), 100, rng)), tags)
        if k % 2 and kind == "copy with its old size":
            _write_old_size(path, 1080, 720)
    entries = _run(tmp_path / "a", tmp_path / "out")
    if kind == "crop":
        (entry,) = entries
        assert (entry["label"], entry["what"], entry["pairs"]) == (
            "crop mode",
            "detail in print",
            6,
        )
        assert entry["difference"] == pytest.approx(-1 / 3, abs=0.03)
    elif kind == "copy":
        (entry,) = entries
        assert entry["difference"] is None
        assert "as after resizing" in entry["verdict"]
    else:
        assert entries == []


def _write_old_size(path: Path, width: int, height: int) -> None:
    import pyexiv2

    with pyexiv2.ImageData(path.read_bytes()) as image:
        size = {"Exif.Photo.PixelXDimension": width, "Exif.Photo.PixelYDimension": height}
        image.modify_exif({k: str(v) for k, v in size.items()})
        path.write_bytes(image.get_bytes())


def test_landscapes_focused_short_of_the_hyperfocal_distance_at_it_and_beyond(
    tmp_path: Path,
) -> None:
    """The upper half lies at infinity, the lower at 0.6 of the hyperfocal distance; the blur discs
    are the thin lens's."""
    focal, n, pitch = 24.0, 8.0, 4.0
    h = hyperfocal_m(focal, n, 2 * pitch)
    rng = np.random.default_rng(8)
    for k in range(24):
        focus = h * (0.5, 1.0, 3.0)[k % 3]
        spectrum = spectrum_of(landscape(PLACES[k % 6], 720, 1080, 800 + k).radiance)
        halves = []
        missed = float(rng.uniform(0.8, 2.0)) if rng.random() < 0.2 else 0.0
        for subject in (np.inf, 0.6 * h):
            disc = defocus_disc_px(focal, n, pitch, focus, subject)
            look = Optics(n, pitch, float(np.hypot(0.4, missed)), defocus_px=disc)
            halves.append(through_optics(spectrum, look))
        linear = np.concatenate([halves[0][:360], halves[1][360:]])
        tags = FrameTags(
            make="Alder", model="One", lens="Wren 24 mm f/2.8", focal_length_mm=focal, f_number=n,
            exposure_time_s=1 / 250, iso=100, pixel_pitch_um=pitch, focus_distance_m=focus,
            taken=f"2024-05-{1 + k:02d}T08:00:00",
        )  # fmt: skip
        path = tmp_path / "a" / f"IMG_{k:04d}.jpg"
        write_picture(path, develop(add_photon_noise(linear, Sensor(), 100, rng)), tags)
    entries = _run(tmp_path / "a", tmp_path / "out")
    for where, against, first, second in (
        ("focused short of", "focused at it", 0.5, 1.0),
        ("focused short of", "focused beyond it", 0.5, 3.0),
        ("focused at", "focused beyond it", 1.0, 3.0),
    ):
        far, near = (
            next(
                e for e in entries
                if e["label"].startswith(where) and (e["against"], e["what"]) == (against, what)
            )
            for what in ("far sharpness", "near sharpness")
        )  # fmt: skip
        expected = (
            _far_mtf50(focal, n, pitch, h * first) / _far_mtf50(focal, n, pitch, h * second) - 1
        )
        assert far["difference"] == pytest.approx(expected, abs=0.08)
        assert far["high"] < 0
        assert near["difference"] > 0


def _far_mtf50(focal: float, n: float, pitch: float, focus: float) -> float:
    disc = defocus_disc_px(focal, n, pitch, focus)
    return directional_mtf50(Optics(n, pitch, 0.4, defocus_px=disc), 0.0)
