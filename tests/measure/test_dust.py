"""Shadows of dust drawn by geometry: found where the sky is smooth, as deep as they are."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from faulty_gear import Grain, cloudy_frame, with_dust

from auditor.artificial.camera import Sensor, add_photon_noise, develop
from auditor.measure.decode import decode
from auditor.measure.dust_shadows import measure_dust
from auditor.measure.picture import Picture
from auditor.record import DUST_GRID, Dust, pack_dust, unpack_dust

GRAINS = (Grain(0.3, 0.2, 0.02), Grain(0.7, 0.3, 0.03))


def drawn(f_number: float, grains=GRAINS, seed: int = 3) -> Picture:
    linear = with_dust(cloudy_frame(1200, 1800, seed, 0.03), grains, f_number, 6.0)
    noisy = add_photon_noise(linear, Sensor(), 100, np.random.default_rng(seed))
    code = develop(noisy)
    data = cv2.imencode(".jpg", code, [cv2.IMWRITE_JPEG_QUALITY, 95])[1].tobytes()
    return decode(data, "frame.jpg")


def at(found: Dust, x: float, y: float) -> tuple[float, float]:
    """Depth and how sure, where it is most so within a place of (x, y)."""
    height, width = found.significance.shape
    row, col = int(y * height), int(x * width)
    significance = float(np.nanmax(found.significance[row - 1 : row + 2, col - 1 : col + 2]))
    return significance * float(
        found.local_sd[int(y * DUST_GRID[1]), int(x * DUST_GRID[0])]
    ), significance


def test_depth_and_place_of_shadows_at_f16():
    found = measure_dust(drawn(16.0), 16.0, 6.0)
    assert found is not None
    for grain in GRAINS:
        depth, significance = at(found, grain.x, grain.y)
        assert depth == pytest.approx(grain.depth, rel=0.35)
        assert significance > 4
    # Nothing else of the sky stands out as much.
    sky = found.significance[: int(0.4 * found.significance.shape[0])]
    assert (np.nan_to_num(sky) > 5).sum() < 40


def test_shadows_at_f11_are_wider_and_fainter():
    """Twice as wide in area, half as deep: the share of light that a grain takes is the same."""
    found = measure_dust(drawn(11.3), 11.3, 6.0)
    assert found is not None
    depth, _ = at(found, GRAINS[1].x, GRAINS[1].y)
    assert depth == pytest.approx(GRAINS[1].depth / 2, rel=0.4)


def test_nothing_is_said_at_wide_apertures():
    assert measure_dust(drawn(16.0), 4.0) is None
    assert measure_dust(drawn(16.0), None) is None


def test_rough_ground_shows_no_dust_and_says_so():
    found = measure_dust(drawn(16.0), 16.0, 6.0)
    assert found is not None
    rows = len(found.significance)
    assert np.isfinite(found.significance[rows // 10 : rows // 4]).mean() > 0.7
    assert np.isnan(found.significance[-rows // 10 :]).all()
    assert found.local_sd[1].max() < found.local_sd[-1].min()


def test_what_is_stored_comes_back():
    rng = np.random.default_rng(1)
    significance = rng.normal(0, 1.2, (51, 77)).astype(np.float32)
    significance[:9], significance[20, 30] = np.nan, 17.0
    found = Dust(significance, rng.uniform(1e-4, 0.01, DUST_GRID[::-1]).astype(np.float32))
    back = unpack_dust(pack_dust(found))
    assert back is not None
    assert (np.isnan(back.significance) == np.isnan(significance)).all()
    inner = np.abs(significance) < 1.3
    assert np.abs(back.significance - significance)[inner].max() <= 0.451
    assert back.significance[20, 30] == pytest.approx(17, rel=0.2)
    assert np.allclose(back.local_sd, found.local_sd, rtol=1e-3)


def test_damaged_maps_are_no_maps():
    whole = pack_dust(Dust(np.zeros((9, 9), np.float32), np.ones(DUST_GRID[::-1], np.float32)))
    for damaged in (
        None,
        b"",
        b"x",
        whole[:-9],
        whole[:4] + b"?" + whole[5:],
        b"\xff" * 4 + whole[4:],
    ):
        assert unpack_dust(damaged) is None
