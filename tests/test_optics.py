"""Closed-form optics against textbooks and an independent library."""

import numpy as np
import pytest
from drawn_truth import defocus_disc_px

from auditor import optics


def test_diffraction_agrees_with_prysm() -> None:
    """prysm's diffraction-limited MTF takes um and cycles per mm."""
    from prysm.otf import diffraction_limited_mtf

    freq_cpp = np.linspace(0.01, 0.49, 25)
    for f_number in (2.8, 8, 22):
        theirs = diffraction_limited_mtf(f_number, 0.55, frequencies=freq_cpp / 4.0 * 1000)
        np.testing.assert_allclose(
            optics.diffraction_mtf(freq_cpp, f_number, 4.0), theirs, atol=1e-6
        )


def test_diffraction_at_half_the_cutoff() -> None:
    """Goodman: at half the cut-off frequency the MTF is 2/pi (pi/3 - sqrt(3)/4) = 0.391."""
    cutoff = 4.0 / (0.55 * 8)
    assert optics.diffraction_mtf(cutoff / 2, 8, 4.0) == pytest.approx(0.391, abs=5e-4)


def test_diffraction_limited_mtf50_is_0404_of_the_cutoff() -> None:
    """Root of the same formula at one half, 0.4040 (worked out with scipy)."""
    from scipy.optimize import brentq

    root = brentq(lambda x: 2 / np.pi * (np.arccos(x) - x * np.sqrt(1 - x * x)) - 0.5, 0.1, 0.9)
    assert root == pytest.approx(0.404, abs=5e-4)
    # A pitch so fine that the pixel plays no part.
    assert optics.mtf50(64, 0.5) / (0.5 / (0.55 * 64)) == pytest.approx(root, rel=2e-3)


def test_gaussian_mtf50() -> None:
    """exp(-2 (pi s f)^2) = 1/2 at f = sqrt(ln 2 / 2) / (pi s) = 0.1874 / s."""
    assert optics.gaussian_mtf(0.18739 / 1.7, 1.7) == pytest.approx(0.5, abs=1e-4)
    assert optics.blur_sigma_for_mtf50(0.25) == pytest.approx(0.18739 / 0.25, rel=1e-4)


@pytest.mark.parametrize(("f_number", "expected"), [(2.8, 0.49), (8, 0.30), (22, 0.13)])
def test_system_mtf50_by_root_finding(f_number: float, expected: float) -> None:
    """Bisection against scipy's root of the same product; the round figures at 4 um are known."""
    from scipy.optimize import brentq

    root = brentq(lambda f: float(optics.system_mtf(f, f_number, 4.0)) - 0.5, 0.01, 0.99)
    assert optics.mtf50(f_number, 4.0) == pytest.approx(root, abs=1e-9)
    assert root == pytest.approx(expected, abs=0.006)


def test_an_ideal_lens_at_38_um_keeps_what_closed_form_says() -> None:
    """With 0.5 px of blur at 3.8 um: shares of the f/9 MTF50 at f/16, f/18, f/20, f/22."""
    best = optics.mtf50(9, 3.8, 0.5)
    shares = [float(optics.mtf50(n, 3.8, 0.5) / best) for n in (16, 18, 20, 22)]
    np.testing.assert_allclose(shares, [0.71, 0.65, 0.60, 0.56], atol=0.01)


def test_hyperfocal_worked_example() -> None:
    """50 mm at f/8 with a 0.03 mm circle: 10.467 m (encyclopaedic example of the formula)."""
    assert optics.hyperfocal_m(50, 8, 30) == pytest.approx(10.467, abs=5e-4)


def test_blur_at_infinity_is_the_circle_when_focused_at_the_hyperfocal_distance() -> None:
    h = optics.hyperfocal_m(35, 8, 12)
    assert defocus_disc_px(35, 8, 4.0, h) == pytest.approx(3.0, rel=1e-9)
