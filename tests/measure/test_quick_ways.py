"""Quicker ways of doing what numpy, scipy and OpenCV do plainly: the same figures."""

import cv2
import numpy as np
import pytest
import scipy
from numpy.lib.stride_tricks import sliding_window_view
from scipy.special import erf

from auditor.measure.noise.flats import flattest
from auditor.measure.picture import Picture
from auditor.measure.reduce import area_means, block_starts, centred_maxima
from auditor.measure.sharpness.edge_profiles import _STRIDE
from auditor.measure.sharpness.edges import _MIN_MONOTONICITY
from auditor.measure.sharpness.family import BIN_PX, HALF_PX, OFFSETS, SHAPES, edge_family
from auditor.measure.sharpness.lines import PATCH_PX, Pixels, binned, first_lines, near_line
from auditor.measure.sharpness.profile_equations import (
    _SHIFT_SD,
    _SLOPE_SD,
    design_of,
    residuals_of,
)
from auditor.measure.sharpness.sharp_places import _median_code
from auditor.measure.sharpness.texture import WINDOW_PX, tapered_power

RNG = np.random.default_rng(1)


def test_pixels_are_binned_as_scipy_bins_them() -> None:
    shape = (5, PATCH_PX, PATCH_PX)
    patch = RNG.random(shape).astype(np.float32)
    u = RNG.uniform(-15, 15, shape).astype(np.float32)
    keep = (RNG.random(shape) < 0.4) & near_line(u, HALF_PX)
    keep[3] = False
    mean, squares, count = binned(patch, u, keep)
    edges = np.append(OFFSETS - BIN_PX / 2, HALF_PX)
    for i in (0, 1, 2, 4):
        inside = keep[i]
        for got, what in ((count[i], "count"), (mean[i], "mean")):
            told = scipy.stats.binned_statistic(u[i][inside], patch[i][inside], what, edges)[0]
            assert got == pytest.approx(np.nan_to_num(told), abs=1e-7)
        spread = scipy.stats.binned_statistic(u[i][inside], patch[i][inside], "std", edges)[0]
        assert squares[i] == pytest.approx(np.nan_to_num(spread**2 * count[i]), abs=1e-6)
    assert count[3].sum() == 0


def test_sums_over_the_pixels_of_each_patch() -> None:
    mask = RNG.random((6, PATCH_PX, PATCH_PX)) < 0.3
    mask[2] = False
    values = RNG.random(mask.shape).astype(np.float32)
    pixels = Pixels.of(mask)
    assert pixels.count == pytest.approx(mask.sum((1, 2)))
    plain = np.where(mask, values, 0).sum((1, 2))
    assert pixels.sums(values.take(pixels.at)) == pytest.approx(plain, rel=1e-5)
    assert Pixels.of(np.zeros_like(mask)).sums(np.zeros(0, np.float32)) == pytest.approx(0)


@pytest.mark.parametrize("shape", [(64, 96), (67, 101), (60, 99)])
def test_largest_of_blocks(shape: tuple[int, int]) -> None:
    plane = RNG.random(shape).astype(np.float32)
    top, left = (block_starts(n, 5) for n in shape)
    plain = sliding_window_view(plane, (5, 5))[np.ix_(top, left)].max((2, 3))
    assert np.array_equal(centred_maxima(plane, 5), plain)


def test_light_of_bytes_is_that_of_numbers() -> None:
    codes = RNG.integers(0, 256, (3, 4, 5), dtype=np.uint8)
    picture = Picture(np.zeros((4, 4, 3), np.uint8))
    as_numbers = picture.linear(codes / np.float32(255))
    assert picture.linear(codes) == pytest.approx(as_numbers, abs=1e-6)
    assert picture.linear(codes[:0]).shape == (0, 4, 5)


def test_medians_andflattest() -> None:
    for n in (1, 2, 7, 500):
        codes = RNG.integers(0, 256, n, dtype=np.uint8)
        assert _median_code(codes) == np.median(codes)
    values = RNG.integers(0, 9, 200).astype(np.float32)
    for count in (1, 50, 199, 200):
        first = np.argsort(values, kind="stable")[:count]
        assert np.array_equal(flattest(values, count), np.sort(first))


def test_halves_are_means_of_four() -> None:
    code = RNG.integers(0, 256, (40, 60, 3), dtype=np.uint8)
    picture = Picture(code)
    plain = cv2.resize(picture.luma, (30, 20), interpolation=cv2.INTER_AREA)
    assert np.array_equal(picture.half_luma, plain)


@pytest.mark.parametrize("shape", [(90, 120), (91, 121), (92, 122), (3, 5)])
def test_thirds_are_means_of_nine(shape: tuple[int, int]) -> None:
    plane = RNG.integers(0, 256, shape).astype(np.uint8)
    h, w = (n // 3 for n in shape)
    mean = plane[: 3 * h, : 3 * w].reshape(h, 3, w, 3).mean((1, 3))
    np.testing.assert_array_equal(area_means(plane, 3), np.rint(mean))


def test_profiles_are_fitted_as_numpy_solves_least_squares() -> None:
    """Base, edge, shift, and a slope on either side with a prior each; at single members of the family."""
    family = edge_family()
    shapes = len(SHAPES)
    edge, line = (
        a.reshape(-1, len(OFFSETS))[:: _STRIDE * shapes] for a in (family.edge, family.line)
    )
    n = 6
    profile = 0.2 + 0.5 * edge[10 : 10 + n] + RNG.normal(0, 0.01, (n, len(OFFSETS)))
    weight = RNG.uniform(0.5, 2.0, profile.shape) * 1e4 * (np.abs(OFFSETS) < 9)
    scale = np.full(n, 0.5)
    got = residuals_of(profile, weight, scale, design_of(edge, line))
    for member in (5, 12, 20):
        base, slope, step, shift, bent = got.factors.solution(np.full(n, member))
        for i in range(n):
            e, d = edge[member], OFFSETS
            terms = np.stack([np.ones_like(d), e, -line[member], d * (1 - e), d * e], axis=1)
            prior = np.diag([0, 0, 1 / _SHIFT_SD, 1 / _SLOPE_SD, 1 / _SLOPE_SD]) / scale[i]
            root = np.sqrt(weight[i])
            right = np.r_[root * profile[i], np.zeros(5)]
            a, left, *_ = np.linalg.lstsq(np.r_[root[:, None] * terms, prior], right)
            told = [base[i] * scale[i] + got.mean[i], *(scale[i] * x[i] for x in (step, shift))]
            np.testing.assert_allclose(told, a[:3], atol=1e-4)
            both = scale[i] * np.array([slope[i], slope[i] + bent[i]])
            np.testing.assert_allclose(both, a[3:], atol=1e-4)
            assert got.residual_ss[member, i] == pytest.approx(left[0], rel=1e-3, abs=0.2)


def test_lines_through_no_patch_or_a_plain_one() -> None:
    """Patches of a batch may all lie right as they are, and one may hold nothing at all."""
    assert len(first_lines(np.zeros((0, 19, 19), np.float32)).angle) == 0
    plain = first_lines(np.zeros((2, 19, 19), np.float32))
    assert np.isfinite(plain.angle).all()
    assert plain.offset == pytest.approx(0)


@pytest.mark.parametrize("degrees", [0, 37, 90, 200, 305])
def test_first_lines_lie_on_steps(degrees: float) -> None:
    """A Gaussian step 2.5 px from the middle, drawn by the closed form."""
    a = np.radians(degrees)
    y, x = np.mgrid[-9:10, -9:10]
    u = x * np.cos(a) + y * np.sin(a) - 2.5
    step = (0.5 + 0.5 * erf(u / 1.5)).astype(np.float32)
    line = first_lines(step[None])
    assert np.exp(1j * line.angle[0]) == pytest.approx(np.exp(1j * a), abs=0.01)
    assert line.offset[0] == pytest.approx(2.5, abs=0.1)
    across, along = line.distances()
    middle = PATCH_PX // 2
    assert across[0, middle, middle] == pytest.approx(-line.offset[0], abs=1e-5)
    assert along[0, middle, middle] == pytest.approx(0, abs=1e-5)
    dx, dy = 7, -4
    at = 0, middle + dy, middle + dx
    c, s = np.cos(line.angle[0]), np.sin(line.angle[0])
    assert across[at] == pytest.approx(dx * c + dy * s - line.offset[0], abs=1e-5)
    assert along[at] == pytest.approx(dy * c - dx * s, abs=1e-5)


def test_light_steps_one_way_across_an_edge_and_comes_back_across_a_line() -> None:
    """Net change over total variation: by definition 1 of a step and 0 of what falls as much as it rises;
    a line has a little, for the window lies about its rising side."""
    y, x = np.indices((19, 19)) - 9
    u = x * np.cos(0.3) + y * np.sin(0.3)
    step, line = 0.5 + 0.5 * erf(u / 2), np.exp(-(u**2) / 4)
    grating = np.sin(2 * np.pi * u / 5)
    monotonicity = first_lines(np.stack([step, line, grating]).astype(np.float32)).monotonicity
    assert monotonicity[0] == pytest.approx(1, abs=0.01)
    assert monotonicity[1] < _MIN_MONOTONICITY
    assert monotonicity[2] == pytest.approx(0, abs=0.01)


def test_power_of_windows_is_that_of_numpy() -> None:
    codes = RNG.normal(0, 10, (7, WINDOW_PX, WINDOW_PX))
    hann = np.hanning(WINDOW_PX + 1)[:WINDOW_PX]
    taper = np.outer(hann, hann)
    taper /= np.sqrt((taper**2).sum())
    power = np.abs(np.fft.rfft2(codes * taper)) ** 2
    for windows in (codes, codes.astype(np.float32)):
        np.testing.assert_allclose(tapered_power(windows), power, atol=1e-5 * power.max())
