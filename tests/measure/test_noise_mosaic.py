"""Photon transfer on mosaics against rendered sensors (EMVA 1288: gain, read noise)."""

from __future__ import annotations

import dataclasses

import noise_pictures as draw
import numpy as np
import pytest

from auditor.measure.noise import measure_noise, measure_photon_transfer
from auditor.measure.picture import Mosaic, Picture

SPAN = draw.WHITE - draw.BLACK


@pytest.mark.parametrize("full_well", [60_000, 15_000, 4_000, 1_000])
@pytest.mark.parametrize("darkest", [-7.0, -10.0])
def test_gain_and_read_noise(full_well: float, darkest: float) -> None:
    picture = draw.raw(draw.land(seed=11, darkest=darkest), full_well)
    found = measure_photon_transfer(picture)
    assert found is not None
    assert found.gain_e_per_dn == pytest.approx(full_well / SPAN, rel=0.05)
    # Where no dark flat area shows it, it is left open; never at high gain.
    assert found.read_noise_e is not None or full_well > 10_000
    if found.read_noise_e is not None:
        assert found.read_noise_e == pytest.approx(3.0, abs=1.5)


def test_tones_of_a_mosaic() -> None:
    noise = measure_noise(draw.raw(draw.land(seed=12), 4000))
    assert noise.sigma_code8 is not None
    assert len(noise.tones) >= 3
    for tone in noise.tones:
        assert tone.signal / tone.sigma == pytest.approx(draw.snr(tone.signal, 4000), rel=0.05)


def test_texture_alone_gives_no_gain() -> None:
    for scene in (draw.grass(800, 1200, 2), draw.gravel(800, 1200, 2)):
        assert measure_photon_transfer(draw.raw(scene, 15_000)) is None


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
