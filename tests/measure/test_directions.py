"""Movement of the camera, in whatever direction, shows as blur along one direction."""

from functools import cache

import pytest

from auditor.artificial.camera import Sensor, expose
from auditor.artificial.files import jpeg_bytes
from auditor.artificial.lightpath import Optics, spectrum_of
from auditor.artificial.scenes import landscape
from auditor.measure.decode import decode
from auditor.measure.sharpness.frame_sharpness import measure_sharpness
from auditor.record import DIRECTIONS


@cache
def place():
    return spectrum_of(landscape("crag", 560, 840, seed=4).radiance, 2)


@cache
def look(**more):
    """The four directions' MTF50, c/px, by their angle in degrees."""
    # Corners much softer than the centre, as wide open: that is no movement.
    optics = Optics(4.0, 4.0, 0.5, 1.2, **more)
    picture = expose(place(), optics, Sensor(30_000, 3.0), 200, seed=1, levels=3)
    sharpness = measure_sharpness(decode(jpeg_bytes(picture), "a.jpg"))
    found = {angle: getattr(sharpness, f"{name}_cpp") for name, angle in DIRECTIONS.items()}
    assert None not in found.values()
    return found


def away(degrees, movement):
    """Degrees between a direction and a movement; neither has a sign."""
    return abs((degrees - movement + 90) % 180 - 90)


def test_a_still_frame_is_alike_in_all_directions():
    found = look().values()
    assert min(found) > 0.8 * max(found)


def test_missed_focus_is_alike_in_all_directions():
    still, found = look(), look(defocus_px=4.0)
    assert min(found.values()) > 0.8 * max(found.values())
    assert max(found.values()) < 0.8 * max(still.values())


@pytest.mark.parametrize("degrees", [0.0, pytest.param(45.0, marks=pytest.mark.long), 110.0])
def test_movement_softens_the_direction_it_goes_in(degrees):
    """What faces the movement is softest by far; what it runs along stays as sharp as it was."""
    still, found = look(), look(motion_px=5.0, motion_deg=degrees)
    softest = min(found, key=found.get)
    assert softest == min(found, key=lambda d: away(d, degrees))
    across = max(found, key=lambda d: away(d, degrees))
    assert found[softest] < 0.7 * found[across]
    if away(across, degrees) == 90:
        assert found[across] > 0.85 * still[across]
