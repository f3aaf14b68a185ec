"""Photon transfer on mosaics against rendered sensors (EMVA 1288: gain, read noise)."""

from __future__ import annotations

import dataclasses

import cv2
import noise_pictures as draw
import numpy as np
import pytest

from auditor.measure.noise import measure_noise, measure_photon_transfer
from auditor.measure.picture import Mosaic, Picture

SPAN = draw.WHITE - draw.BLACK


@pytest.mark.parametrize("full_well", [60_000, 30_000, 15_000, 7_500, 4_000, 1_000])
@pytest.mark.parametrize("darkest", [-7.0, -10.0])
def test_gain_and_read_noise(full_well: float, darkest: float) -> None:
    picture = draw.raw(draw.land(seed=11, darkest=darkest), full_well)
    found = measure_photon_transfer(picture)
    assert found is not None
    assert found.gain_e_per_dn == pytest.approx(full_well / SPAN, rel=0.03)
    # Where no dark area shows it, it is left open.
    assert found.read_noise_e is not None or full_well > 15_000
    if found.read_noise_e is not None:
        assert found.read_noise_e == pytest.approx(3.0, abs=1.5)


def test_read_noise_is_left_open_where_even_full_knowledge_of_the_scene_would_not_tell_it() -> None:
    """Cramer-Rao: var = a x + b of n Gaussian values, x known, has the information sum (dv/v)^2 / 2."""
    scene = np.maximum(draw.land(seed=16, darkest=-4.5), 0.04).astype(np.float32)
    scene[:, :] = np.clip(scene, 0.04, None)
    for full_well in (60_000, 30_000, 4_000):
        electrons = scene.ravel().astype(float) * full_well * 0.8
        variance = electrons + 9
        ways = np.stack([electrons, np.ones(electrons.size)]) / variance
        bound = np.sqrt(np.linalg.inv(ways @ ways.T / 2)[1, 1]) / (2 * 3)
        found = measure_photon_transfer(draw.raw(scene, full_well))
        assert found is not None
        assert found.gain_e_per_dn == pytest.approx(full_well / SPAN, rel=0.03)
        assert found.read_noise_e is None or bound < 1
        assert found.read_noise_e is not None or full_well > 4_000


@pytest.mark.parametrize("full_well", [60_000, 15_000, 4_000])
def test_frames_with_truly_dark_areas_tell_their_read_noise(full_well: float) -> None:
    """Little but darkness: few places weigh much, and what they scatter by chance rules nothing out."""
    for seed in range(21, 25):
        scene = np.clip(draw.land(seed=seed, darkest=-10.0) ** 3, 0, 1)
        found = measure_photon_transfer(draw.raw(scene, full_well, seed))
        assert found is not None
        assert found.gain_e_per_dn == pytest.approx(full_well / SPAN, rel=0.03)
        assert found.read_noise_e == pytest.approx(3.0, abs=0.8)


@pytest.mark.parametrize("full_well", [60_000, 7_500])
def test_unequal_response_of_pixels_does_not_pass_for_photons(full_well: float) -> None:
    """EMVA 1288's photo response non-uniformity, 0.6%: at white as much as the noise of 28,000 e-."""
    scene = draw.land(seed=17)
    uneven = 1 + 0.006 * np.random.default_rng(3).standard_normal(scene.shape)
    found = measure_photon_transfer(draw.raw((scene * uneven).astype(np.float32), full_well))
    assert found is not None
    assert found.gain_e_per_dn == pytest.approx(full_well / SPAN, rel=0.05)


def test_tones_of_a_mosaic() -> None:
    noise = measure_noise(draw.raw(draw.land(seed=12), 4000))
    assert noise.sigma_code8 is not None
    assert len(noise.tones) >= 3
    for tone in noise.tones:
        assert tone.signal / tone.sigma == pytest.approx(draw.snr(tone.signal, 4000), rel=0.05)


@pytest.mark.parametrize("texture", ["grass", "gravel"])
@pytest.mark.parametrize("blur", [0.3, 0.4, 0.8])
@pytest.mark.parametrize(("full_well", "seed"), [(15_000, 1), (15_000, 2), (5_000, 2)])
def test_texture_everywhere_gives_no_gain_or_the_right_one(
    texture: str, blur: float, full_well: float, seed: int
) -> None:
    scene = {"grass": draw.grass, "gravel": draw.gravel}[texture](600, 900, seed)
    found = measure_photon_transfer(draw.raw(cv2.GaussianBlur(scene, (0, 0), blur), full_well))
    assert found is None or found.gain_e_per_dn == pytest.approx(full_well / SPAN, rel=0.05)


def test_data_that_were_smoothed_give_no_gain() -> None:
    picture = draw.raw(draw.land(seed=18), 4000)
    assert picture.mosaic is not None
    smooth = picture.mosaic.raw.astype(np.float32)
    for y in (0, 1):
        for x in (0, 1):
            smooth[y::2, x::2] = cv2.GaussianBlur(smooth[y::2, x::2], (0, 0), 0.6)
    assert measure_photon_transfer(_with(picture, raw=np.rint(smooth).astype(np.uint16))) is None


def _with(picture: Picture, **changes: object) -> Picture:
    assert picture.mosaic is not None
    return dataclasses.replace(picture, mosaic=dataclasses.replace(picture.mosaic, **changes))


def test_clipping_below_the_stated_white_does_not_bend_the_line() -> None:
    picture = draw.raw(draw.land(seed=13), 4000)
    assert picture.mosaic is not None
    cut = _with(picture, raw=np.minimum(picture.mosaic.raw, 4000))
    found = measure_photon_transfer(cut)
    assert found is not None
    assert found.gain_e_per_dn == pytest.approx(4000 / SPAN, rel=0.05)


def test_values_cut_off_at_zero_do_not_bend_the_line() -> None:
    picture = draw.raw(draw.land(seed=13, darkest=-11), 1000)
    assert picture.mosaic is not None
    below = np.clip(picture.mosaic.raw.astype(int) - draw.BLACK, 0, None).astype(np.uint16)
    found = measure_photon_transfer(
        _with(picture, raw=below, black=np.zeros((2, 2)), white=float(SPAN))
    )
    assert found is not None
    assert found.gain_e_per_dn == pytest.approx(1000 / SPAN, rel=0.05)


def test_wrong_levels_give_null_and_a_reason() -> None:
    picture = draw.raw(draw.land(seed=14), 4000)
    for white in (100.0, float("nan"), 3000.0):
        noise = measure_noise(_with(picture, white=white))
        assert noise.sigma_code8 is None
        assert noise.note
    high_black = measure_photon_transfer(_with(picture, black=np.full((2, 2), 2000.0)))
    assert high_black is not None
    assert high_black.read_noise_e is None


def test_odd_mosaics_never_raise() -> None:
    good = draw.raw(draw.land(400, 600, seed=15), 4000).mosaic
    assert good is not None
    holes = good.raw.astype(np.float32)
    holes[:100] = np.nan
    for array in (
        good.raw * 0,
        good.raw * 0 + draw.WHITE,
        good.raw[:20, :20],
        holes,
        good.raw[:333, :501],
    ):
        picture = Picture(None, "linear", Mosaic(array, good.colours, good.black, good.white))
        noise = measure_noise(picture)
        assert noise.sigma_code8 is not None or noise.note
        measure_photon_transfer(picture)
    assert measure_photon_transfer(Picture(np.zeros((300, 300), np.uint8))) is None


@pytest.mark.parametrize("seed", [6, 7, 14, 19])
def test_one_tone_tells_its_noise_within_what_colours_leave_open(seed: int) -> None:
    """Over one tone no slope is seen: noise is at least as at the grey sites, and at most the photons' alone."""
    noise = measure_noise(draw.raw(np.full((320, 480), 0.2, np.float32), 30_000, seed))
    assert len(noise.tones) == 1
    true = 0.18 / draw.snr(0.18, 30_000)
    assert 0.8 * true < noise.tones[0].sigma < 1.1 * true
    assert noise.sigma_code8 is not None
    assert noise.sigma_code8 > 0


def test_what_is_no_number_costs_its_own_place_alone() -> None:
    picture = draw.raw(draw.land(400, 600, seed=12), 4000)
    assert picture.mosaic is not None
    floats = picture.mosaic.raw.astype(np.float32)
    floats[3, 3] = np.nan
    assert measure_noise(_with(picture, raw=floats)).sigma_code8 is not None
