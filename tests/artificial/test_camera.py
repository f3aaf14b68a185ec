"""The drawing camera against closed-form optics and photon statistics."""

import numpy as np
import pytest
import scipy
from drawn_truth import blur_at

from auditor import optics, srgb
from auditor.artificial.camera import (
    Sensor,
    add_photon_noise,
    develop,
    expose,
    mosaic,
)
from auditor.artificial.lightpath import Optics, radius_map, spectrum_of, through_optics


def slanted_edge(size, oversample, degrees=5.0, low=0.2, high=0.6):
    """An area-sampled straight edge through the middle of a square frame, ISO 12233 fashion."""
    n = size * oversample
    fine = 4
    axis = ((np.arange(n * fine) + 0.5) / fine - n / 2) / oversample
    angle = np.radians(degrees)
    y, x = axis[:, None], axis[None, :]
    step = (x * np.cos(angle) + y * np.sin(angle) > 0).astype(np.float32)
    step = step.reshape(n, fine, n, fine).mean(axis=(1, 3))
    return low + (high - low) * step


def measured_mtf50(image, degrees=5.0, half=56.0, step=0.4):
    """Plain ISO 12233 reduction for a known edge: project, bin at 1/4 px, differentiate, transform."""
    size = image.shape[0]
    axis = np.arange(size) - (size - 1) / 2
    angle = np.radians(degrees)
    distance = axis[None, :] * np.cos(angle) + axis[:, None] * np.sin(angle)
    keep = np.abs(distance) < half
    keep &= np.abs(-axis[None, :] * np.sin(angle) + axis[:, None] * np.cos(angle)) < size * 0.35
    index = np.floor((distance[keep] + half) * 4).astype(int)
    sums = np.bincount(index, image[keep])
    esf = sums / np.bincount(index)
    # The wings of diffraction reach past any window, so the known step sets the level, not the sum.
    lsf = np.diff(esf) * scipy.signal.windows.tukey(len(esf) - 1, 0.3)
    spectrum = np.abs(scipy.fft.rfft(lsf, 4096))
    freq = scipy.fft.rfftfreq(4096, 0.25)
    mtf = spectrum / step / np.sinc(freq / 4) ** 2
    return float(np.interp(-0.5, -mtf[freq < 1.2], freq[freq < 1.2]))


@pytest.mark.parametrize("f_number", [2.8, 8.0, 22.0])
@pytest.mark.parametrize("blur", [0.0, 0.6])
@pytest.mark.parametrize("oversample", [2, 3, 4])
def test_slanted_edge_has_the_closed_form_mtf50(f_number, blur, oversample):
    """ISO 12233 edge at 5 degrees; diffraction, pixel and Gaussian after Goodman."""
    look = Optics(f_number, 4.0, blur)
    image = through_optics(slanted_edge(192, oversample), look, oversample)
    truth = float(optics.mtf50(f_number, 4.0, blur))
    assert measured_mtf50(image) == pytest.approx(truth, rel=0.02)


def test_blur_grows_towards_the_corner_as_stated():
    look = Optics(5.6, 4.0, 0.4, 1.5)
    scene = np.zeros((600, 900), np.float32)
    scene[150:450:60, 150:750:60] = 1.0
    scene[20, 20] = 1.0
    scene[300, 450] = 1.0
    image = through_optics(scene, look, 1, levels=9)
    centre = second_moment(image[290:311, 440:461])
    corner = second_moment(image[10:31, 10:31])
    radius = radius_map(600, 900)[20, 20]
    expected = blur_at(look, radius) ** 2 - blur_at(look, 0.0) ** 2
    # Pixel and diffraction add the same to both, so the difference is the Gaussian remainder's.
    assert corner - centre == pytest.approx(expected, rel=0.08)


def second_moment(patch):
    """Variance along x of a point's image, the wings of diffraction cut at 6 px."""
    line = patch.sum(axis=0)
    x = np.arange(len(line)) - len(line) // 2
    line = np.where(np.abs(x) <= 6, line, 0)
    return float((line * x * x).sum() / line.sum())


def test_motion_blurs_only_along_its_direction():
    scene = np.zeros((128, 128), np.float32)
    scene[64, 64] = 1.0
    still = through_optics(scene, Optics(4.0, 4.0, 0.5), 1)
    moved = through_optics(scene, Optics(4.0, 4.0, 0.5, motion_px=6, motion_deg=90), 1)
    assert second_moment(moved[54:75, 54:75]) == pytest.approx(
        second_moment(still[54:75, 54:75]), abs=0.05
    )
    gained = second_moment(moved[54:75, 54:75].T) - second_moment(still[54:75, 54:75].T)
    assert gained == pytest.approx(36 / 12, rel=0.1)  # variance of a uniform of length 6


def test_lateral_colour_moves_red_outwards():
    rng = np.random.default_rng(1)
    grey = rng.random((400, 600)).astype(np.float32)
    scene = np.dstack([grey] * 3)
    look = Optics(4.0, 4.0, 0.5, lateral_red_px=1.0, lateral_blue_px=-0.5)
    image = through_optics(scene, look, 2)
    assert shift_x(image[90:110, 270:298, 0], image[90:110, 270:298, 1]) > 0.4
    assert shift_x(image[90:110, 2:30, 0], image[90:110, 2:30, 1]) < -0.4
    assert shift_x(image[90:110, 270:298, 2], image[90:110, 270:298, 1]) < -0.2


def shift_x(moved, fixed):
    """Displacement along x by least squares on the gradient (small shifts)."""
    gradient = np.gradient(fixed, axis=1)
    return float(-((moved - fixed) * gradient).sum() / (gradient**2).sum())


def test_one_spectrum_serves_many_lenses():
    rng = np.random.default_rng(2)
    scene = rng.random((120, 180)).astype(np.float32)
    kept = spectrum_of(scene, 2)
    for f_number in (2.8, 11.0):
        look = Optics(f_number, 4.0, 0.3)
        assert np.allclose(through_optics(kept, look), through_optics(scene, look, 2), atol=1e-6)


def test_mean_radiance_is_kept():
    scene = np.full((120, 180), 0.37, np.float32)
    image = through_optics(scene, Optics(11.0, 4.0, 0.5, defocus_px=9, motion_px=5), 2)
    assert np.allclose(image, 0.37, atol=1e-4)


@pytest.mark.parametrize("iso", [100, 1600, 12_800])
@pytest.mark.parametrize("signal", [0.02, 0.18, 0.5])
def test_noise_is_photons_and_read_noise(iso, signal):
    """SNR = s w / sqrt(s w + r^2) (EMVA 1288 photon transfer)."""
    sensor = Sensor(60_000, 3.0)
    flat = np.full((300, 300), signal, np.float32)
    noisy = add_photon_noise(flat, sensor, iso, np.random.default_rng(3))
    assert noisy.mean() == pytest.approx(signal, rel=0.01)
    assert signal / noisy.std() == pytest.approx(sensor.snr(signal, iso), rel=0.015)


def test_luminance_noise_of_colour_frames():
    sensor = Sensor(20_000, 3.0)
    flat = np.full((300, 300, 3), 0.3, np.float32)
    noisy = add_photon_noise(flat, sensor, 800, np.random.default_rng(4))
    luminance = noisy @ np.array([0.2126, 0.7152, 0.0722])
    assert 0.3 / luminance.std() == pytest.approx(sensor.snr(0.3, 800, colour=True), rel=0.015)


def test_mosaic_holds_gain_and_black_level():
    sensor = Sensor(40_000, 4.0)
    flat = np.full((400, 400), 0.3, np.float32)
    raw = mosaic(flat, Optics(5.6), sensor, iso=400, seed=5, oversample=1)
    green = raw.data[0::2, 1::2].astype(float) - raw.black
    electrons = green.mean() * raw.gain_e_per_dn
    assert electrons == pytest.approx(0.3 * 10_000, rel=0.01)
    noise_e = green.std() * raw.gain_e_per_dn
    assert noise_e == pytest.approx(np.sqrt(electrons + 16), rel=0.02)
    red = raw.data[0::2, 0::2].astype(float) - raw.black
    assert red.mean() / green.mean() == pytest.approx(raw.neutral[0], rel=0.01)


def test_transfer_curve_is_srgb():
    """IEC 61966-2-1: 18% grey is code 118 of 255."""
    assert develop(np.array([[0.18]], np.float32))[0, 0] == 118
    x = np.linspace(0, 1, 1001, dtype=np.float32)
    assert np.abs(srgb.encoded(x) * 255 - develop(x)).max() <= 0.51


def test_exposure_is_deterministic_and_shaped():
    scene = np.random.default_rng(6).random((80, 120, 3)).astype(np.float32)
    one = expose(scene, Optics(8.0), Sensor(), 400, seed=9)
    two = expose(scene, Optics(8.0), Sensor(), 400, seed=9)
    assert one.dtype == np.uint8
    assert one.shape == (40, 60, 3)
    assert np.array_equal(one, two)
