"""Movement of the camera, in whatever direction, shows as blur along one direction."""

import pytest

from auditor.artificial.camera import Sensor, expose
from auditor.artificial.files import jpeg_bytes
from auditor.artificial.lightpath import Optics, spectrum_of
from auditor.artificial.scenes import landscape
from auditor.measure.decode import decode
from auditor.measure.sharpness.whole import measure_sharpness


@pytest.fixture(scope="module")
def place():
    return spectrum_of(landscape("crag", 700, 1050, seed=4).radiance, 2)


def look(place, **more):
    # Corners much softer than the centre, as wide open: that is no movement.
    optics = Optics(4.0, 4.0, 0.5, 1.2, growth=0, **more)
    picture = expose(place, optics, Sensor(30_000, 3.0), 200, seed=1, levels=3)
    return measure_sharpness(decode(jpeg_bytes(picture), "a.jpg"))


def test_a_still_frame_is_alike_in_all_directions(place):
    assert look(place).direction_ratio > 0.85


def test_missed_focus_is_alike_in_all_directions(place):
    assert look(place, defocus_px=4.0).direction_ratio > 0.8


@pytest.mark.parametrize("degrees", [0.0, 45.0, 110.0])
def test_movement_is_found_with_its_direction(place, degrees):
    found = look(place, motion_px=5.0, motion_deg=degrees)
    assert found.direction_ratio < 0.7
    away = abs((found.direction_deg - degrees + 90) % 180 - 90)
    assert away <= 30
