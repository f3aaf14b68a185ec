"""What the eye sees: formulas against published worked examples and closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from auditor.optics import mtf50, system_mtf
from auditor.viewing import (
    Viewing,
    contrast_sensitivity,
    curve_mtf,
    noise_threshold,
    quality,
    screen,
    square_root_integral,
)


@pytest.mark.parametrize(
    ("luminance", "size_deg", "published"), [(340 / np.pi, 60.0, 143.412), (10.0, 14.0, 111.019)]
)
def test_square_root_integral_of_a_perfect_picture_is_the_published_one(
    luminance, size_deg, published
):
    """B. Wandell (Stanford University), 'Barten's SQRI metrics', 2016: a worked example of Barten
    1989 with a perfect display, 5000 frequencies from 10^-1.5 to 10^1.6 cpd, summed with steps
    u(i) - u(i-1). (Its second figure is printed with the luminance of the first.)"""
    u = np.logspace(-1.5, 1.6, 5000)
    seen = np.sqrt(contrast_sensitivity(u, luminance, size_deg))
    summed = float((seen[1:] * np.diff(u) / u[1:]).sum() / np.log(2))
    assert summed == pytest.approx(published, abs=0.06)
    own = float(square_root_integral(u, np.ones_like(u), 1 / seen**2))
    assert own == pytest.approx(published, rel=1e-3)


def test_contrast_sensitivity_peaks_where_eyes_do():
    """A fine screen grating is seen best at 3 to 6 cycles per degree and hardly at 50 (Campbell &
    Robson, J. Physiol. 197, 1968)."""
    u = np.geomspace(0.3, 60, 400)
    s = contrast_sensitivity(u, 100.0, 10.0)
    assert 2 < u[s.argmax()] < 6
    assert 100 < s.max() < 1000
    assert contrast_sensitivity(50.0, 100.0, 10.0) < 5


def test_a_curve_from_its_mtf50_is_that_of_the_optics():
    freq = np.linspace(0.01, 0.5, 50)
    for n, blur in ((2.8, 0.6), (8.0, 0.3), (16.0, 0.0)):
        true = system_mtf(freq, n, 4.0, blur)
        assert np.allclose(curve_mtf(freq, mtf50(n, 4.0, blur), n, 4.0), true, atol=1e-6)


def test_a_sharpened_curve_goes_through_its_half():
    for half in (0.2, 0.35, 0.48):
        assert curve_mtf(np.array([half]), half, 16.0, 4.0)[0] == pytest.approx(0.5, abs=1e-3)


def test_larger_prints_and_sharper_pictures_show_more():
    figures = np.array([0.15, 0.2, 0.25, 0.3])
    losses = []
    for width in (20.0, 40.0, 80.0):
        q = quality(figures, 8.0, 4.0, 6000, Viewing.of_print(width, 50.0))
        assert (np.diff(q) > 0).all()
        losses.append(float(q[-1] - q[0]))
    assert losses[0] < losses[1] < losses[2]
    assert float(np.ptp(quality(figures, 8.0, 4.0, 6000, screen()))) > losses[0]


def test_viewing_from_twice_as_far_is_a_print_of_half_the_size():
    near, far = Viewing.of_print(30.0, 50.0), Viewing.of_print(60.0, 100.0)
    assert near.pixels_per_degree(6000) == pytest.approx(far.pixels_per_degree(6000))
    assert near.size_deg == pytest.approx(far.size_deg)


def test_noise_threshold_grows_with_the_root_of_power():
    u = np.array([1.0, 4.0, 16.0])
    one, four = noise_threshold(u, np.array(1e-6), 20.0), noise_threshold(u, np.array(4e-6), 20.0)
    assert np.allclose(four, 2 * one)
    clean = quality(0.3, 5.6, 4.0, 6000, screen())
    noisy = quality(0.3, 5.6, 4.0, 6000, screen(), noise=np.array([0.01, 0.1]))
    assert clean > noisy[0] > noisy[1]
