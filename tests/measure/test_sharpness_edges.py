"""MTF50 of straight and slanted edges against closed forms."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy.optimize import brentq
from validate_sharpness import jpeg, polygon_spectrum

from auditor import optics
from auditor.artificial.lightpath import SceneSpectrum
from auditor.measure.picture import Picture
from auditor.measure.sharpness import measure_sharpness
from auditor.measure.sharpness.lines import Lines


def _slanted_edge(mtf, angle_deg: float = 5.0, size: int = 300) -> np.ndarray:
    """A step of contrast 4:1 seen through `mtf(freq_cpp)`, straight from the Fourier integral.

    The profile across an edge is 1/2 + 1/pi integral MTF sin(2 pi f u) / f; no sampling of a scene
    is involved. ISO 12233:2017 uses a slant of 5 degrees.
    """
    freq = np.arange(0.0025, 6, 0.005)
    u = np.linspace(-400, 400, 40001)
    near = np.abs(u) < 60
    profile = np.where(u > 0, 1.0, 0.0)
    profile[near] = 0.5 + 2 * 0.005 * np.sin(2 * np.pi * np.outer(u[near], freq)) @ (
        mtf(freq) / (2 * np.pi * freq)
    )
    a = np.radians(angle_deg)
    y, x = np.mgrid[:size, :size] - size / 2
    d = x * np.cos(a) + y * np.sin(a)
    return 0.15 + 0.45 * np.interp(d, u, profile)


def _picture(light: np.ndarray) -> Picture:
    return Picture(np.clip(light, 0, 1).astype(np.float32), transfer="linear")


@pytest.mark.parametrize("f_number", [2.8, 8, 22])
def test_iso_12233_edge_at_5_degrees_within_2_percent(f_number: float) -> None:
    """A rendered ISO 12233 slanted edge with a diffraction-limited lens and a square pixel."""

    def mtf(f):
        return optics.diffraction_mtf(f, f_number, 4.0) * np.sinc(f)

    centre = measure_sharpness(_picture(_slanted_edge(mtf))).zones["centre"]
    assert centre is not None
    assert centre.mtf50_cpp == pytest.approx(float(optics.mtf50(f_number, 4.0)), rel=0.02)


@pytest.mark.parametrize("sigma", [0.8, 1.5, 2.5])
def test_gaussian_blur_reads_0187_over_sigma(sigma: float) -> None:
    """MTF50 of a Gaussian is sqrt(ln 2 / 2) / (pi s) = 0.1874 / s (textbook)."""

    def mtf(f):
        return np.exp(-2 * (np.pi * sigma * f) ** 2)

    centre = measure_sharpness(_picture(_slanted_edge(mtf))).zones["centre"]
    assert centre is not None
    assert centre.mtf50_cpp == pytest.approx(0.1874 / sigma, rel=0.02)


@pytest.mark.parametrize("f_number", [4, 8])
@pytest.mark.parametrize(("amount", "blur_px"), [(0.4, 1.0), (0.8, 0.8)])
def test_a_sharpened_edge_reads_its_own_mtf50_within_2_percent(
    amount: float, blur_px: float, f_number: float
) -> None:
    """An unsharp mask multiplies the MTF by 1 + amount (1 - G), G its Gaussian blur's (textbook); behind a
    diffraction-limited lens, a Gaussian of 0.3 px and a square pixel. The amount of 0.8 is no member of the family."""

    def mtf(f):
        optical = optics.diffraction_mtf(f, f_number, 4.0) * np.exp(-2 * (np.pi * 0.3 * f) ** 2)
        return optical * np.sinc(f) * (1 + amount * (1 - np.exp(-2 * (np.pi * blur_px * f) ** 2)))

    truth = brentq(lambda f: float(mtf(np.array(f))) - 0.5, 0.05, 0.9)
    found = measure_sharpness(_picture(_slanted_edge(mtf)), float(optics.mtf50(f_number, 4.0)))
    centre = found.zones["centre"]
    assert centre is not None
    assert centre.mtf50_cpp == pytest.approx(truth, rel=0.02)


@cache
def _polygons() -> SceneSpectrum:
    return polygon_spectrum(77, 600, 900)


@pytest.mark.parametrize("f_number", [2.8, 5.6, 11])
@pytest.mark.parametrize("sigma", [2.0, 2.5, 3.0])
def test_heavy_blur_beside_diffraction_within_3_percent(sigma: float, f_number: float) -> None:
    """A frame of many edges through diffraction (Goodman), pixel and a wide Gaussian; 4 um pitch."""
    truth = float(optics.mtf50(f_number, 4.0, sigma))
    picture = jpeg(_polygons(), f_number, sigma, 20_000)
    zones = [z for z in measure_sharpness(picture).zones.values() if z is not None]
    assert len(zones) == 3
    off = [np.log(z.mtf50_cpp / truth) for z in zones]
    assert abs(np.median(off)) < 0.03
    for error, zone in zip(off, zones, strict=True):
        assert abs(error) < 2 * zone.stderr_cpp / zone.mtf50_cpp


def test_lines_are_carried_along_as_their_patches_move() -> None:
    """The distance of one pixel of the frame from a line is the same, whichever patch it is seen from."""
    lines = Lines(np.array([0.3, 2.0]), np.array([1.5, -2.0]), np.zeros(2), np.ones(2))
    down, along = np.array([2, -3]), np.array([1, 4])
    u, _ = lines.distances()
    moved_u, _ = lines.shifted(down, along).distances()
    for i, (dy, dx) in enumerate(zip(down, along, strict=True)):
        here, there = u[i, 5 + dy : 20 + dy, 5 + dx : 20 + dx], moved_u[i, 5:20, 5:20]
        np.testing.assert_allclose(here, there, atol=1e-4)
    assert not np.allclose(u, moved_u)
