"""Photographs, and a textbook model of crowded scenes, seen through known optics."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage
import sklearn
from photographs import APERTURES, DATA, exposed, jpeg, linear, see, true_mtf50
from PIL import Image, UnidentifiedImageError

from auditor.measure.decode import decode
from auditor.measure.sharpness import measure_sharpness
from auditor.record import FrameRecord, Sharpness, row_to_object, to_row

FULL_E = 20_000
BUNDLED = (
    Path(skimage.__file__).parent / "data",
    Path(sklearn.__file__).parent / "datasets" / "images",
)
NAMES = ("astronaut.png", "camera.png", "coffee.png", "rocket.jpg", "brick.png", "china.jpg",
         "flower.jpg", "grass.png", "gravel.png", "motorcycle_left.png")  # fmt: skip


def measured(light: np.ndarray, limit: float | None, seed: int) -> Sharpness:
    noisy = exposed(light, FULL_E, np.random.default_rng(seed))
    return measure_sharpness(decode(jpeg(noisy), "seen.jpg"), limit)


def crowded_leaves(smallest_px: float, seed: int, fine: int = 4) -> np.ndarray:
    """Opaque discs over one another, their radii spread as r^-3 (the dead leaves model of Matheron;
    Lee, Mumford & Huang, Int. J. Computer Vision 41, 2001)."""
    rng = np.random.default_rng(seed)
    low, high = smallest_px * fine, 60.0 * fine
    tall, wide = 600 * fine, 900 * fine
    image = np.full((tall, wide), 0.3, np.float32)
    for u in rng.random(int(2.2 * tall * wide / (2 * np.pi * low**2 * np.log(high / low)))):
        radius = (low**-2 - u * (low**-2 - high**-2)) ** -0.5
        centre = (int(16 * rng.uniform(0, wide)), int(16 * rng.uniform(0, tall)))
        cv2.circle(image, centre, int(16 * radius), rng.uniform(0.05, 0.8), -1, cv2.LINE_8, 4)
    return image


@pytest.mark.parametrize("smallest_px", [2.0, 3.0, 5.0])
def test_blur_of_crowded_steps_is_not_taken_for_soft_objects(smallest_px: float) -> None:
    """A system 0.6 px softer than its optics allow, before steps too crowded to be clean. Taken for
    the objects', the blur would leave a reading 20 to 40% too sharp; crowding costs up to a tenth."""
    scene = crowded_leaves(smallest_px, 41)
    errors = []
    for f_number in (2.8, 5.6, 11.0):
        light = see(scene, f_number, 0.6, 0.6, fine=4)
        zones = measured(light, true_mtf50(f_number, 0.0), 42).zones.values()
        errors += [z.mtf50_cpp / true_mtf50(f_number, 0.6) - 1 for z in zones if z is not None]
    assert len(errors) == 9
    assert np.max(np.abs(errors)) < 0.12


@pytest.mark.parametrize("name", ["astronaut.png", "motorcycle_left.png"])
def test_a_photograph_that_missed_focus_says_so(name: str) -> None:
    """Where nothing is in focus the lens has no figure; what is seen stands beside, as the closed form
    of diffraction, pixel and missed focus has it."""
    with Image.open(BUNDLED[0] / name) as picture:
        scene = linear(np.asarray(picture.convert("L"), np.float32) / 255)
    limit = true_mtf50(8.0, 0.0)
    sharp, missed = (measured(see(scene, 8.0, px, px, fine=1), limit, 3) for px in (0.0, 1.5))
    assert sharp.in_focus
    assert sharp.note is None
    assert not missed.in_focus
    assert missed.note is not None
    assert "nothing is in focus" in missed.note
    for zone in missed.zones.values():
        assert zone is not None
        assert np.isnan(zone.mtf50_cpp)
        assert zone.own_cpp == pytest.approx(true_mtf50(8.0, 1.5), rel=0.1)
    row = to_row(FrameRecord("missed.jpg", sharpness=missed))
    assert row["centre_mtf50_cpp"] is None
    told = row_to_object(row)["sharpness"]
    assert told["centre"] is None
    assert told["in_focus"] is False


def scenes() -> Iterator[tuple[np.ndarray, int]]:
    """Photographs in linear light, and how many of their samples make a pixel."""
    found = [folder / name for folder in BUNDLED for name in NAMES if (folder / name).is_file()]
    for path in [*sorted(DATA.glob("*.jpg")), *found]:
        try:
            opened = Image.open(path)
        except UnidentifiedImageError:
            continue
        with opened as picture:
            fine = 3 if picture.width * picture.height > 2.8e6 else 2
            if path.parent == DATA and picture.width * picture.height < 3e5 * fine**2:
                continue
            code = np.asarray(picture.convert("L"), np.float32) / 255
        yield linear(code), fine


@pytest.mark.long
@pytest.mark.parametrize("blur_px", [0.0, 0.6])
def test_photographs_show_how_the_system_changes_with_the_aperture(blur_px: float) -> None:
    """MTF50 at each stop over that at f/8, through a perfect lens and through one softer by 0.6 px."""
    if not DATA.is_dir():
        pytest.skip("the shared photographs are not here")
    middle = APERTURES.index(8.0)
    truth = np.array([true_mtf50(n, blur_px) for n in APERTURES])
    values, errors = [], []
    for number, (scene, fine) in enumerate(scenes()):
        for f_number in APERTURES:
            light = see(scene, f_number, blur_px, blur_px, fine=fine)
            zones = measured(light, true_mtf50(f_number, 0.0), number).zones.values()
            values.append([np.nan if z is None else z.mtf50_cpp for z in zones])
            errors.append([np.nan if z is None else z.stderr_cpp for z in zones])
    value = np.array(values).reshape(-1, len(APERTURES), 3)
    assert len(value) > 40
    assert np.isfinite(value).any(2).mean(0).min() >= 0.9
    known = np.isfinite(value)
    off = np.abs(value - truth[:, None])[known]
    assert np.mean(off < 2 * np.array(errors).reshape(value.shape)[known]) >= 0.9
    ratio = (truth / truth[middle])[:, None]
    each = np.delete(np.abs(value / value[:, middle, None] / ratio - 1), middle, 1)
    best = np.nanmax(np.where(np.isfinite(value), value, 0), 2)
    best = best[best[:, middle] > 0]
    sharpest = np.delete(np.abs(best / best[:, middle, None] / ratio[:, 0] - 1), middle, 1)
    # Measured in every zone: 3.8 and 13.2% sharp, 4.8 and 13.9% blurred; in the sharpest 12.3 and 15.9%.
    for error in (each, each[:, :, 0], sharpest):
        assert np.nanmedian(error) <= 0.06
        assert np.nanquantile(error, 0.9) <= (0.15 if blur_px == 0 else 0.17)
