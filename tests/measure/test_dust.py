"""Shadows of dust drawn by geometry: found where the sky is smooth, as deep as they are."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from auditor.artificial.camera import Sensor, add_photon_noise, develop
from auditor.artificial.dust import Grain, cloudy_frame, with_dust
from auditor.measure.decode import decode
from auditor.measure.dust import measure_dust
from auditor.measure.picture import Picture
from auditor.record import DustSpot, dust_limits, dust_spots
from auditor.record.dust import pack_limits, pack_spots

GRAINS = (Grain(0.3, 0.2, 0.02), Grain(0.7, 0.3, 0.03))


def drawn(f_number: float, grains=GRAINS, seed: int = 3) -> Picture:
    linear = with_dust(cloudy_frame(1200, 1800, seed, 0.03), grains, f_number, 6.0)
    noisy = add_photon_noise(linear, Sensor(), 100, np.random.default_rng(seed))
    code = develop(noisy)
    data = cv2.imencode(".jpg", code, [cv2.IMWRITE_JPEG_QUALITY, 95])[1].tobytes()
    return decode(data, "frame.jpg")


def test_depth_and_place_of_shadows_at_f16():
    found = measure_dust(drawn(16.0), 16.0)
    assert found is not None
    for grain in GRAINS:
        near = [s for s in found.spots if np.hypot(s.x - grain.x, s.y - grain.y) < 0.004]
        assert len(near) == 1
        assert near[0].depth == pytest.approx(grain.depth, rel=0.35)


def test_nothing_is_said_at_wide_apertures():
    assert measure_dust(drawn(16.0), 4.0) is None
    assert measure_dust(drawn(16.0), None) is None


def test_rough_ground_shows_no_dust_and_says_so():
    found = measure_dust(drawn(16.0), 16.0)
    assert found is not None
    limits = np.array(found.limits).reshape(8, 12)
    assert limits[0].max() < 0.02
    assert limits[-1].min() > 0.05
    assert all(s.y < 0.8 for s in found.spots)


def test_what_is_stored_comes_back():
    spots = (DustSpot(0.25, 0.5, 0.004, 0.012), DustSpot(0.9, 0.1, 0.01, 0.3))
    back = dust_spots(pack_spots(spots))
    assert np.allclose(back, [[s.x, s.y, s.diameter, s.depth] for s in spots], atol=1e-5)
    limits = dust_limits(pack_limits([0.001, 0.01, 0.2, 5.0]), 4)
    assert (limits >= [0.001, 0.01, 0.2, 1.0]).all()
    assert (limits[:3] <= [0.0025, 0.0145, 0.29]).all()
    assert len(dust_spots("not hex")) == 0
    assert (dust_limits("zz", 2) == 1).all()
