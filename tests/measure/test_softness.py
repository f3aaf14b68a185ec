"""A zone's figure is what its edges show; what soft objects leave open of the lens is in its error."""

from __future__ import annotations

import numpy as np
import pytest

from auditor import optics
from auditor.measure.sharpness.softness import Softness

PITCH_UM = 4.0


def _limit(f_number: float) -> float:
    return float(np.log(optics.mtf50(f_number, PITCH_UM)))


def _seen(limit: float, lack: float) -> float:
    """ln MTF50 that lacks so much (px^2) to a perfect lens: blurs add by their squares."""
    return -0.5 * float(np.log(np.exp(-2 * limit) + lack))


@pytest.mark.parametrize("f_number", [2.8, 8.0, 22.0])
@pytest.mark.parametrize("lack", [3.0, 15.0, 60.0])
def test_two_errors_reach_from_what_is_seen_to_what_the_lens_may_be(
    f_number: float, lack: float
) -> None:
    """The lens may be perfect, or softer by whatever exceeds the 20 px^2 that objects lack at most."""
    limit = _limit(f_number)
    seen = _seen(limit, lack)
    best = _seen(limit, max(lack - 20.0, 0.0))
    assert seen + 2 * Softness(1.0, limit).error(seen) == pytest.approx(best, abs=1e-9)
    # Where nothing is in focus all of it may be the objects'.
    unfocused = Softness(1.0, limit, focused=False).error(seen)
    assert seen + 2 * unfocused == pytest.approx(limit, abs=1e-9)


def test_steps_and_figures_beyond_optics_leave_nothing_open() -> None:
    limit = _limit(8.0)
    assert Softness(0.0, limit).error(_seen(limit, 30.0)) == 0
    assert Softness(1.0, limit).error(limit + 0.2) == 0


def test_without_known_optics_the_pixel_is_the_end() -> None:
    """A bare square pixel has an MTF50 of 0.603 c/px (sinc f = 1/2)."""
    seen = np.log(0.5)
    assert seen + 2 * Softness(1.0).error(seen) == pytest.approx(np.log(0.603), abs=0.002)


def test_the_surer_objects_are_soft_the_larger_the_error() -> None:
    limit = _limit(5.6)
    errors = [Softness(share, limit).error(_seen(limit, 12.0)) for share in (0.0, 0.2, 0.6, 1.0)]
    assert errors == sorted(errors)
    assert errors[0] == 0
    assert errors[-1] > 0.1
