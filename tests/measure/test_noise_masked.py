"""Read noise from masked pixels: where the file keeps them, however bright the scene (EMVA 1288)."""

from __future__ import annotations

import dataclasses
import io
from typing import Any

import noise_pictures as draw
import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray

from auditor.measure.decode import decode
from auditor.measure.noise import measure_photon_transfer
from auditor.measure.picture import Picture

SPAN = draw.WHITE - draw.BLACK


def _bright() -> NDArray[np.float32]:
    """A scene without dark areas, in which the read noise does not show among photons."""
    return np.clip(draw.land(seed=16, darkest=-4.5), 0.05, None).astype(np.float32)


def _dark(shape: tuple[int, int], full_well: float, seed: int) -> NDArray[np.uint16]:
    noise = 3 * SPAN / full_well * np.random.default_rng(seed).standard_normal(shape)
    return np.rint(draw.BLACK + noise).astype(np.uint16)


def _with(picture: Picture, *strips: NDArray[Any]) -> Picture:
    assert picture.mosaic is not None
    return dataclasses.replace(
        picture, mosaic=dataclasses.replace(picture.mosaic, masked=tuple(strips))
    )


@pytest.mark.parametrize("full_well", [60_000, 30_000])
def test_masked_pixels_tell_what_a_bright_scene_cannot(full_well: float) -> None:
    picture = draw.raw(_bright(), full_well)
    alone = measure_photon_transfer(picture)
    assert alone is not None
    assert alone.read_noise_e is None
    strips = _dark((24, 1200), full_well, 1), _dark((800, 32), full_well, 2)
    found = measure_photon_transfer(_with(picture, *strips))
    assert found is not None
    assert found.read_noise_e == pytest.approx(3.0, rel=0.03)
    assert found.gain_e_per_dn == alone.gain_e_per_dn


def test_a_blanked_strip_takes_nothing_from_a_good_one() -> None:
    picture = draw.raw(_bright(), 30_000)
    good, blank = _dark((24, 1200), 30_000, 1), np.full((24, 1200), draw.BLACK, np.uint16)
    found = measure_photon_transfer(_with(picture, good, blank))
    assert found is not None
    assert found.read_noise_e == pytest.approx(3.0, rel=0.03)


def test_strips_that_hold_no_darkness_are_not_used() -> None:
    full_well = 30_000.0
    picture = draw.raw(_bright(), full_well)
    dark = _dark((24, 1200), full_well, 1)
    ramp = np.linspace(0, 40, 1200)[None].astype(np.uint16)
    fading = draw.BLACK + (dark.astype(float) - draw.BLACK) * np.linspace(0.5, 1.5, 1200)
    for strip in (
        np.full((24, 1200), draw.BLACK, np.uint16),  # blanked
        np.zeros((24, 1200), np.uint16),
        dark + np.uint16(300),  # lit
        dark + 10 * ramp,
        np.maximum(dark, draw.BLACK) - np.uint16(draw.BLACK),  # cut off at nothing
        np.rint(fading).astype(np.uint16),  # not the same noise all along
        np.rint(draw.BLACK + 40.0 * (dark.astype(float) - draw.BLACK)).astype(np.uint16),
        dark[:, :20],  # too few
    ):
        found = measure_photon_transfer(_with(picture, strip))
        assert found is not None
        assert found.read_noise_e is None


def test_hot_pixels_under_the_mask_do_not_count() -> None:
    full_well = 30_000.0
    strip = _dark((24, 1200), full_well, 3)
    strip[::7, ::90] = 9_000
    found = measure_photon_transfer(_with(draw.raw(_bright(), full_well), strip))
    assert found is not None
    assert found.read_noise_e == pytest.approx(3.0, rel=0.04)


def test_masked_strips_of_a_dng_are_read() -> None:
    """Active area of the DNG specification, tag 50829: top, left, bottom, right."""
    full_well, top, left = 30_000.0, 24, 32
    scene = np.zeros((800 + top, 1200 + left), np.float32)
    scene[top:, left:] = _bright()
    mosaic = draw.raw(scene, full_well).mosaic
    assert mosaic is not None
    tags: list[tuple[int, int, int, Any, bool]] = [
        (271, 2, 0, "Fernhill", True),
        (272, 2, 0, "Kestrel One", True),
        (33421, 3, 2, (2, 2), True),
        (33422, 1, 4, bytes([0, 1, 1, 2]), True),
        (50706, 1, 4, bytes([1, 4, 0, 0]), True),
        (50708, 2, 0, "Kestrel One", True),
        (50714, 4, 1, draw.BLACK, True),
        (50717, 4, 1, draw.WHITE, True),
        (50721, 10, 9, (1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1), True),
        (50778, 3, 1, 21, True),
        (50829, 4, 4, (top, left, 800 + top, 1200 + left), True),
    ]
    stream = io.BytesIO()
    tifffile.imwrite(stream, mosaic.raw, photometric=32803, extratags=tags, metadata=None)
    picture = decode(stream.getvalue(), "a.dng")
    assert picture.mosaic is not None
    assert picture.mosaic.raw.shape == (800, 1200)
    assert [strip.shape for strip in picture.mosaic.masked] == [(top, 1200 + left), (800, left)]
    found = measure_photon_transfer(picture)
    assert found is not None
    assert found.read_noise_e == pytest.approx(3.0, rel=0.04)
    assert found.gain_e_per_dn == pytest.approx(full_well / SPAN, rel=0.05)
