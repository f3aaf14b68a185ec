"""What the eye sees: formulas against published worked examples and closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from auditor.optics import mtf50, system_mtf
from auditor.viewing import (
    REMAINDER,
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
        found = curve_mtf(freq, mtf50(n, 4.0, blur), n, 4.0, power=2.0)
        assert np.allclose(found, true, atol=1e-6)


def test_a_sharpened_curve_is_that_of_the_unsharp_mask():
    """1 + amount (1 - G), G the transfer function of the Gaussian that is taken away (Gonzalez & Woods,
    Digital Image Processing); told, or needed for the half to lie so high."""
    freq = np.linspace(0.0, 0.6, 1201)
    true = system_mtf(freq, 8.0, 4.0, 0.0) * (1 + 0.5 * (1 - np.exp(-2 * (np.pi * freq) ** 2)))
    half = _half_of(freq, true)
    for told in (0.0, 0.5):
        assert np.allclose(curve_mtf(freq, half, 8.0, 4.0, told), true, atol=1e-3)


def test_a_sharpened_curve_goes_through_its_half():
    """A half beyond where f/16 has any contrast at all (0.45 c/px at 4 um) is not believed."""
    for half in (0.15, 0.2, 0.28):
        assert curve_mtf(np.array([half]), half, 16.0, 4.0)[0] == pytest.approx(0.5, abs=1e-3)
    assert curve_mtf(np.array([0.48]), 0.48, 16.0, 4.0)[0] < 1e-6


def _half_of(freq: np.ndarray, mtf: np.ndarray) -> float:
    at = int(np.argmax(mtf < 0.5))
    share = (mtf[at - 1] - 0.5) / (mtf[at - 1] - mtf[at])
    return float(freq[at - 1] + share * (freq[1] - freq[0]))


def _pupil_mtf(freq: np.ndarray, f_number: float, waves: np.ndarray) -> np.ndarray:
    """Mean of the MTF across and along, pitch 4 um, of a pupil with so many waves of defocus, spherical
    aberration, coma and astigmatism: its autocorrelation (Goodman, Introduction to Fourier Optics)."""
    n, fill = 256, 64
    y, x = np.mgrid[-n // 2 : n // 2, -n // 2 : n // 2] / (fill / 2)
    r2 = x * x + y * y
    shapes = np.stack([2 * r2 - 1, 6 * r2**2 - 6 * r2 + 1, (3 * r2 - 2) * x, x * x - y * y])
    pupil = (r2 <= 1) * np.exp(2j * np.pi * np.tensordot(waves, shapes, 1))
    otf = np.fft.fft2(np.abs(np.fft.fft2(pupil)) ** 2)
    line = (np.abs(otf[0, : fill + 1]) + np.abs(otf[: fill + 1, 0])) / (2 * np.abs(otf[0, 0]))
    cutoff = 4.0 / (0.55 * f_number)
    return np.interp(freq, np.arange(fill + 1) / fill * cutoff, line, right=0.0) * np.sinc(freq)


def test_the_remainder_errs_least_where_it_errs_most():
    """What a curve from its MTF50 makes of an aperture's loss in a print of 60 cm from 50 cm, for lenses
    with mixed aberrations and for Gaussian blur: of the indices the one in use has the least worst case."""
    rng = np.random.default_rng(0)
    freq, view = np.linspace(0.0, 0.6, 241), Viewing.of_print(60.0, 50.0)
    cpd = np.geomspace(0.1, 60.0, 400)
    per_degree = view.pixels_per_degree(6000)
    cpd = cpd[cpd < 0.5 * per_degree]
    eye = 1 / contrast_sensitivity(cpd, size_deg=view.size_deg)

    def off(mtf: np.ndarray, f_number: float, power: float) -> float:
        seen = np.interp(cpd / per_degree, freq, mtf)
        true = float(square_root_integral(cpd, seen, eye))
        half = _half_of(freq, mtf)
        return float(quality(half, f_number, 4.0, 6000, view, power=power)) - true

    worst = {}
    lenses = [rng.normal(size=4) * (0.25, 0.25, 0.35, 0.35) for _ in range(20)]
    for power in (1.4, REMAINDER, 2.0):
        pupils = [off(_pupil_mtf(freq, 2.8, waves), 2.8, power) for waves in lenses]
        blurs = [off(system_mtf(freq, 2.8, 4.0, b), 2.8, power) for b in np.linspace(0.4, 1.4, 8)]
        worst[power] = max(float(np.sqrt(np.mean(np.square(e)))) for e in (pupils, blurs))
    assert min(worst, key=lambda p: worst[p]) == REMAINDER, worst


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
