"""Artificial places hold what a measurement needs, everywhere in the frame."""

import cv2
import numpy as np
import pytest

from auditor.artificial.canvas import fractal_tile
from auditor.artificial.scenes import PLACES, landscape


@pytest.fixture(scope="module", params=PLACES)
def scene(request):
    return landscape(request.param, 600, 900, seed=5)


def test_shape_and_range(scene):
    assert scene.radiance.shape == (1200, 1800, 3)
    assert scene.radiance.dtype == np.float32
    assert scene.radiance.min() > 0
    assert scene.radiance.max() < 1


@pytest.mark.parametrize("place", PLACES)
def test_same_seed_same_place(place):
    one, again = (landscape(place, 150, 225, 5).radiance for _ in range(2))
    assert np.array_equal(one, again)


def test_another_seed_is_another_place():
    one, other = (landscape("hamlet", 150, 225, seed).radiance for seed in (5, 6))
    assert np.abs(one - other).mean() > 0.01


def step_directions(luminance):
    """Strong steps counted in four directions of their normal."""
    smooth = cv2.GaussianBlur(luminance, (0, 0), 2)
    gx, gy = cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    strong = np.hypot(gx, gy) > 0.1 * smooth.mean()
    angle = np.degrees(np.arctan2(gy, gx))[strong] % 180
    return np.histogram(angle, bins=4, range=(0, 180))[0]


def test_steps_in_many_directions_in_every_corner_and_the_centre(scene):
    luminance = scene.radiance @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    rows, cols = luminance.shape
    h, w = rows // 4, cols // 4
    places = {
        "centre": luminance[rows // 2 - h : rows // 2 + h, cols // 2 - w : cols // 2 + w],
        "left top": luminance[:h, :w],
        "right top": luminance[:h, -w:],
        "left bottom": luminance[-h:, :w],
        "right bottom": luminance[-h:, -w:],
    }
    for name, part in places.items():
        counts = step_directions(part)
        assert counts.sum() > 300, name
        assert (counts > 20).sum() >= 2, name


def test_plain_areas_for_noise(scene):
    """Blocks of 16 px with less than 1.5% of change."""
    luminance = scene.radiance @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    blocks = luminance[:1184, :1792].reshape(37, 32, 56, 32).swapaxes(1, 2).reshape(-1, 1024)
    plain = blocks.std(axis=1) < 0.015 * blocks.mean(axis=1)
    assert plain.mean() > 0.01


def test_distance_falls_towards_the_foreground(scene):
    far = scene.distance[: scene.distance.shape[0] // 3]
    near = scene.distance[-scene.distance.shape[0] // 6 :]
    assert np.median(near) < np.median(far)
    assert np.isfinite(near).all()


def test_texture_has_a_natural_spectrum():
    """Amplitude falls as 1 / f (Field 1987)."""
    power = np.abs(np.fft.rfft2(fractal_tile(1))) ** 2
    f = np.hypot(np.fft.fftfreq(1024)[:, None], np.fft.rfftfreq(1024)[None, :])
    low, high = (f > 0.03) & (f < 0.04), (f > 0.3) & (f < 0.4)
    slope = np.log(power[high].mean() / power[low].mean()) / np.log(10)
    assert slope == pytest.approx(-2.0, abs=0.1)


def test_unknown_places_are_refused():
    with pytest.raises(ValueError, match="alp"):
        landscape("chart", 60, 90, 1)
