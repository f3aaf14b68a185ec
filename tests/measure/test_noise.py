"""Noise of developed frames against rendered photons."""

from __future__ import annotations

import itertools

import cv2
import noise_pictures as draw
import numpy as np
import pytest
from skimage import data

from auditor.measure.noise import measure_noise
from auditor.measure.picture import Picture
from auditor.record import OUTPUT_MEGAPIXELS, SIGNAL_BIN_EDGES, TONE_SIGNALS


def test_white_noise_on_a_grey_card_is_read_as_drawn() -> None:
    rng = np.random.default_rng(1)
    for sigma in (1.0, 3.0, 8.0):
        card = np.clip(np.rint(118 + sigma * rng.standard_normal((640, 960))), 0, 255)
        noise = measure_noise(Picture(card.astype(np.uint8)))
        assert noise.sigma_code8 is not None
        assert abs(noise.sigma_code8 / sigma - 1) < 0.02


def test_coarse_noise_counts_as_much_as_fine() -> None:
    """Noise smoothed by a Gaussian of 0.6 px and brought back to the same deviation."""
    rng = np.random.default_rng(2)
    coarse = cv2.GaussianBlur(rng.standard_normal((800, 1200)), (0, 0), 0.6)
    card = np.rint(118 + 4 * coarse / coarse.std()).astype(np.uint8)
    noise = measure_noise(Picture(card))
    assert noise.sigma_code8 == pytest.approx(4.0, rel=0.04)


def test_snr_of_rendered_photons_at_quality_97() -> None:
    errors = []
    for seed, scene in enumerate(draw.land(seed=s) for s in (0, 1)):
        for full_well in (60_000, 20_000, 8_000, 3_000, 1_000):
            noise = measure_noise(draw.jpeg(draw.exposed(scene, full_well, seed), 97))
            for tone in noise.tones:
                if 0.1 <= tone.signal <= 0.5:
                    found = tone.signal / tone.sigma
                    errors.append(abs(found / draw.snr(tone.signal, full_well) - 1))
                assert tone.signal in TONE_SIGNALS
                assert tone.pixels >= 1000
    assert len(errors) >= 10
    assert np.median(errors) < 0.07


def test_a_stop_of_iso_changes_snr_by_root_two() -> None:
    """Of noise of two code values and more: coding has a hand in fainter noise."""
    scene = draw.land(seed=5)
    ladder = [
        measure_noise(draw.jpeg(draw.exposed(scene, w), 97)) for w in (4e3, 2e3, 1e3, 500, 250)
    ]
    sigmas = [n.sigma_code8 for n in ladder]
    assert all(s is not None for s in sigmas)
    assert sigmas == sorted(sigmas, key=lambda s: s or 0)
    by_signal = [{t.signal: t.signal / t.sigma for t in n.tones} for n in ladder]
    ratios = [
        a[s] / b[s]
        for a, b in itertools.pairwise(by_signal)
        for s in (0.18, 0.36)
        if s in a and s in b
    ]
    assert len(ratios) >= 4
    assert np.all(np.abs(np.array(ratios) / np.sqrt(2) - 1) < 0.06)


@pytest.mark.parametrize("quality", [97, 85, 60])
@pytest.mark.parametrize("full_well", [100_000, 45_000, 25_000])
def test_noise_fainter_than_a_code_value_is_bounded(full_well: float, quality: int) -> None:
    """Coding leaves much, little or nothing of it."""
    wedge = np.broadcast_to(np.linspace(0.135, 0.24, 768, dtype=np.float32), (512, 768)).copy()
    noise = measure_noise(draw.jpeg(draw.exposed(wedge, full_well), quality))
    assert not noise.tones
    (bound,) = noise.at_most
    true = 0.18 / draw.snr(0.18, full_well)
    assert true < bound.sigma < 15 * true
    assert noise.sigma_code8 is None or noise.sigma_code8 < 1


@pytest.mark.parametrize("full_well", [500, 2000, 8000])
@pytest.mark.parametrize("quality", [50, 40, 30])
def test_what_coarse_coding_hides_is_bounded_by_its_step(full_well: float, quality: int) -> None:
    wedge = np.broadcast_to(np.linspace(0.135, 0.24, 768, dtype=np.float32), (512, 768)).copy()
    noise = measure_noise(draw.jpeg(draw.exposed(wedge, full_well), quality))
    assert all(bound.sigma > 0.18 / draw.snr(0.18, full_well) for bound in noise.at_most)
    assert noise.tones or noise.at_most or (noise.note and "posterised" in noise.note)


def test_texture_bounds_the_noise_it_hides() -> None:
    scene = cv2.GaussianBlur(draw.gravel(500, 750, 1), (0, 0), 0.9)
    noise = measure_noise(draw.jpeg(draw.exposed(scene, 20_000), 97))
    assert not noise.tones
    for bound in noise.at_most:
        assert bound.sigma > bound.signal / draw.snr(bound.signal, 20_000)


def test_tones_reach_from_deep_shadow_to_highlight() -> None:
    """A wedge of grey patches shows every level at which noise is reported."""
    patches = np.repeat(np.geomspace(0.008, 0.9, 24), 50).astype(np.float32)
    wedge = np.broadcast_to(patches[None], (800, 1200)).copy()
    noise = measure_noise(Picture(draw.exposed(wedge, 4000)))
    assert [t.signal for t in noise.tones] == list(TONE_SIGNALS)
    for tone in noise.tones:
        assert tone.signal / tone.sigma == pytest.approx(draw.snr(tone.signal, 4000), rel=0.06)


@pytest.mark.parametrize("blur", [0.5, 0.9, 1.5])
@pytest.mark.parametrize("texture", ["grass", "gravel", "fine gravel"])
def test_texture_does_not_pass_for_noise(texture: str, blur: float) -> None:
    scene = {
        "grass": lambda: draw.grass(500, 750, 1),
        "gravel": lambda: draw.gravel(500, 750, 1),
        "fine gravel": lambda: np.tile(draw.gravel(250, 375, 1, largest=4), (2, 2)),
    }[texture]()
    code = draw.develop(cv2.GaussianBlur(scene, (0, 0), blur))
    for quality in (97, 85):
        noise = measure_noise(draw.jpeg(code, quality))
        assert noise.sigma_code8 is None or noise.sigma_code8 < 0.6
        assert noise.sigma_code8 is not None or noise.note


@pytest.mark.parametrize("name", ["grass", "gravel", "brick"])
def test_photographed_textures_do_not_pass_for_noise(name: str) -> None:
    """scikit-image's pictures as the scene, two samples a pixel, behind lenses soft and sharp."""
    photo = Picture(getattr(data, name)())
    scene = np.tile(photo.linear(photo.code), (4, 5))  # type: ignore[arg-type]
    for blur in (0.8, 2.0):
        seen = cv2.GaussianBlur(scene, (0, 0), blur)[::2, ::2]
        noise = measure_noise(draw.jpeg(draw.develop(seen), 97))
        assert noise.sigma_code8 is None or noise.sigma_code8 < 0.6
        assert noise.sigma_code8 is not None or noise.note


@pytest.mark.parametrize("strength", [0.15, 0.3, 0.5])
def test_texture_as_white_as_noise_gives_no_tones(strength: float) -> None:
    """A bright, low-ISO exposure (full well 20,000 e-) of ground too fine for its pixels."""
    clean = draw.exposed(draw.chips(480, 640, strength, seed=3), full_well=20_000)
    noise = measure_noise(draw.jpeg(clean, 95))
    assert noise.sigma_code8 is None
    assert noise.note is not None
    assert "texture" in noise.note
    assert not noise.tones


@pytest.mark.parametrize("full_well", [1_500, 6_000])
def test_noise_of_the_only_plain_strip_is_told(full_well: int) -> None:
    scene = cv2.GaussianBlur(draw.gravel(500, 750, 1), (0, 0), 0.8)
    scene[:192] = np.linspace(0.16, 0.2, 750)
    noise = measure_noise(draw.jpeg(draw.exposed(scene, full_well), 97))
    assert noise.sigma_code8 is not None
    (tone,) = noise.tones
    assert tone.signal / tone.sigma == pytest.approx(draw.snr(tone.signal, full_well), rel=0.07)


@pytest.mark.parametrize("full_well", [100, 400])
@pytest.mark.parametrize("quality", [90, 97])
def test_loud_noise_keeps_its_tones(full_well: float, quality: int) -> None:
    """Below 10:1 in the mid-tones, over a landscape that is textured itself."""
    tones = measure_noise(draw.jpeg(draw.exposed(draw.land(seed=21), full_well), quality)).tones
    middle = [tone.signal / tone.sigma for tone in tones if tone.signal == 0.18]
    assert len(middle) == 1
    assert middle[0] == pytest.approx(draw.snr(0.18, full_well), rel=0.12)


@pytest.mark.parametrize("quality", [97, 90, 80])
def test_textures_as_loud_as_no_smoothed_noise_is(quality: int) -> None:
    """Resized so harshly that their power reaches the highest frequencies."""
    for name in ("grass", "gravel", "brick"):
        picture = getattr(data, name)()
        for small in (picture[::2, ::2], cv2.resize(picture, None, fx=0.4, fy=0.4)):
            noise = measure_noise(draw.jpeg(np.tile(small, (3, 4)), quality))
            assert noise.sigma_code8 is None


@pytest.mark.parametrize("full_well", [1000, 300, 100])
def test_white_noise_may_be_loud(full_well: float) -> None:
    noise = measure_noise(draw.jpeg(draw.exposed(draw.land(seed=10), full_well), 97))
    assert noise.sigma_code8 is not None
    errors = [
        t.signal / t.sigma / draw.snr(t.signal, full_well) - 1
        for t in noise.tones
        if 0.1 < t.signal < 0.5
    ]
    assert errors
    assert np.abs(errors).max() < 0.07


def test_a_clean_landscape_is_clean() -> None:
    noise = measure_noise(draw.jpeg(draw.develop(draw.land(seed=3)), 97))
    assert noise.sigma_code8 is None or noise.sigma_code8 < 0.6


def test_bands_and_hot_pixels_do_not_pass_for_grain() -> None:
    rng = np.random.default_rng(4)
    code = draw.exposed(draw.land(seed=6), 4000)
    plain = measure_noise(Picture(code))
    assert plain.sigma_code8 is not None
    assert plain.hot_pixels == 0
    for axis in ((800, 1), (1, 1200)):
        banded = np.clip(np.rint(code + 2 * rng.standard_normal(axis)), 0, 255).astype(np.uint8)
        noise = measure_noise(Picture(banded))
        assert noise.sigma_code8 == pytest.approx(plain.sigma_code8, rel=0.05)
    hot = code.copy()
    hot[rng.integers(0, 800, 2000), rng.integers(0, 1200, 2000)] = 250
    noise = measure_noise(Picture(hot))
    assert noise.hot_pixels is not None
    assert 1000 < noise.hot_pixels < 3000
    assert noise.sigma_code8 == pytest.approx(plain.sigma_code8, rel=0.05)


@pytest.mark.parametrize("share", [0.0005, 0.005])
def test_many_hot_pixels_change_neither_the_noise_nor_its_tones(share: float) -> None:
    rng = np.random.default_rng(5)
    code = draw.exposed(draw.land(seed=6), 4000)
    plain = measure_noise(draw.jpeg(code, 97))
    assert plain.sigma_code8 is not None
    count = round(share * code.size)
    code[rng.integers(0, 800, count), rng.integers(0, 1200, count)] = rng.integers(150, 250, count)
    hot = measure_noise(draw.jpeg(code, 97))
    assert hot.sigma_code8 == pytest.approx(plain.sigma_code8, rel=0.03)
    before = {t.signal: t.sigma for t in plain.tones}
    changes = [t.sigma / before[t.signal] - 1 for t in hot.tones if t.signal in before]
    assert len(changes) >= 2
    assert np.abs(changes).max() < 0.12
    assert np.median(np.abs(changes)) < 0.05


def test_output_size_follows_area_averaging() -> None:
    """White noise averaged over k x k pixels falls by k; checked by averaging the frame itself."""
    rng = np.random.default_rng(7)
    card = np.clip(118 + 6 * rng.standard_normal((3200, 4800), dtype=np.float32), 0, 255)
    card = np.rint(card).astype(np.uint8)
    noise = measure_noise(Picture(card))
    k = np.sqrt(card.size / (OUTPUT_MEGAPIXELS * 1e6))
    size = (round(4800 / k), round(3200 / k))
    averaged = cv2.resize(card.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    assert noise.sigma_code8 is not None
    assert noise.tone_output_scale is not None
    told = noise.sigma_code8 * noise.tone_output_scale
    assert told == pytest.approx(float(averaged.std()), rel=0.06)
    small = measure_noise(Picture(card[:1000, :1500].copy()))
    assert small.tone_output_scale == 1


def test_signal_shares_count_the_frame() -> None:
    half = np.zeros((400, 600), np.uint8)
    half[:, 300:] = 118  # 0.18 in linear light
    noise = measure_noise(Picture(half))
    assert noise.signal_shares is not None
    assert len(noise.signal_shares) == len(SIGNAL_BIN_EDGES) - 1
    assert sum(noise.signal_shares) == pytest.approx(1)
    assert noise.signal_shares[0] == pytest.approx(0.5, abs=0.01)
    at = int(np.searchsorted(SIGNAL_BIN_EDGES, np.log2(0.18))) - 1
    assert noise.signal_shares[at] == pytest.approx(0.5, abs=0.01)


def test_a_frame_four_times_the_size_reads_the_same() -> None:
    scene = draw.land(seed=8)
    one = measure_noise(Picture(draw.exposed(scene, 4000)))
    four = measure_noise(Picture(draw.exposed(np.tile(scene, (2, 2)), 4000)))
    assert one.sigma_code8 is not None
    assert four.sigma_code8 == pytest.approx(one.sigma_code8, rel=0.03)
