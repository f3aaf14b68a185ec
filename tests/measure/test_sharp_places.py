"""What alone is sharp in a frame is found, however faint and small, among strong soft outlines."""

from functools import cache

import cv2
import numpy as np
import pytest
from photographs import jpeg

from auditor.measure.decode import decode
from auditor.measure.picture import Picture
from auditor.measure.sharpness import sharpness_and_edges
from auditor.measure.sharpness.light import light_of
from auditor.measure.sharpness.sharp_places import sharp_places
from auditor.measure.sharpness.zones import directional_mtf50
from auditor.record import DIRECTIONS

FINE = 4
HEIGHT, WIDTH = 800, 1200
SUBJECT = (slice(310, 540), slice(430, 760))
"""A twelfth of the frame."""
SOFT_PX = 3.0


def mtf50(sigma_px: float) -> float:
    """MTF50 (c/px) of a Gaussian blur before square pixels, by search: exp(-2 (pi s f)^2) sinc(f) = 1/2."""
    f = np.linspace(0, 1, 20_001)
    return float(f[np.argmax(np.exp(-2 * (np.pi * sigma_px * f) ** 2) * np.sinc(f) < 0.5)])


def octagons(low: float, high: float, radius: float, spacing: int, sigma_px: float) -> np.ndarray:
    """Light of figures with edges of every direction, as square pixels see them behind a Gaussian blur."""
    rng = np.random.default_rng(spacing)
    plane = np.full((HEIGHT * FINE, WIDTH * FINE), low, np.float32)
    for y in range(spacing // 2, HEIGHT, spacing):
        for x in range(spacing // 2, WIDTH, spacing):
            turned = np.arange(8) * np.pi / 4 + rng.uniform(0, np.pi)
            corners = np.stack([x + radius * np.cos(turned), y + radius * np.sin(turned)], 1)
            cv2.fillPoly(plane, [np.round(corners * FINE).astype(np.int32)], high)
    plane = cv2.GaussianBlur(plane, (0, 0), sigma_px * FINE)
    return cv2.resize(plane, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)


@cache
def picture(subject_px: float) -> Picture:
    """Strong figures blurred by `SOFT_PX`; among them faint ones (1.5:1), blurred by `subject_px`."""
    soft, faint = octagons(0.05, 0.6, 45, 130, SOFT_PX), octagons(0.2, 0.3, 15, 40, subject_px)
    share = np.zeros((HEIGHT, WIDTH), np.float32)
    share[SUBJECT] = 1
    share = cv2.GaussianBlur(share, (0, 0), 8.0)  # no edge of its own
    light = soft + share * (faint - soft)
    return decode(jpeg(light + np.random.default_rng(1).normal(0, 0.002, light.shape)), "a.jpg")


def test_a_small_faint_sharp_subject_makes_a_frame_sharp() -> None:
    seen = picture(0.6)
    sharpness, strong = sharpness_and_edges(seen)
    assert strong is not None
    outlines = directional_mtf50(strong)
    for name in DIRECTIONS:
        found = getattr(sharpness, f"{name}_cpp")
        assert found == pytest.approx(mtf50(0.6), rel=0.2)
        # The outlines alone would have told of their own blur.
        assert (outlines[name] or 0) < 0.5 * found


def test_a_frame_that_is_soft_everywhere_stays_so() -> None:
    sharpness, _ = sharpness_and_edges(picture(SOFT_PX))
    for name in DIRECTIONS:
        assert getattr(sharpness, f"{name}_cpp") < 1.3 * mtf50(SOFT_PX)


def test_the_places_lie_in_what_is_sharp() -> None:
    light = light_of(picture(0.6))
    places = sharp_places(light)
    rows, columns = SUBJECT
    inside = (places.y >= rows.start - 8) & (places.y < rows.stop + 8)
    inside &= (places.x >= columns.start - 8) & (places.x < columns.stop + 8)
    assert len(places.y) > 60
    assert inside[:60].mean() > 0.9


@pytest.mark.parametrize("shape", [(80, 1000), (300, 301)])
def test_a_plain_or_small_frame_has_no_places(shape: tuple[int, int]) -> None:
    noisy = np.random.default_rng(2).normal(0.2, 0.003, shape)
    assert len(sharp_places(light_of(decode(jpeg(noisy), "a.jpg"))).y) == 0
