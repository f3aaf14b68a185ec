"""sRGB's tone curve against scikit-image's, and its slope against differences."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.color import rgb2xyz

from auditor import srgb

CODES = np.linspace(0.0, 1.0, 256)


def test_linear_light_is_that_of_scikit_image() -> None:
    grey = np.repeat(CODES[:, None, None], 3, axis=2)
    assert srgb.linear(CODES) == pytest.approx(rgb2xyz(grey)[:, 0, 1], abs=1e-6)


def test_there_and_back() -> None:
    assert srgb.encoded(srgb.linear(CODES)) == pytest.approx(CODES, abs=1e-6)


def test_slope_is_that_of_the_curve() -> None:
    light = np.concatenate([np.linspace(1e-4, 0.003, 20), np.geomspace(0.0032, 0.99, 50)])
    step = 1e-6
    found = (srgb.encoded(light + step) - srgb.encoded(light - step)) / (2 * step)
    assert srgb.slope(light) == pytest.approx(found, rel=1e-4)
