"""What coding adds to noise, against files of known tables and Sheppard's correction."""

from __future__ import annotations

import io

import cv2
import numpy as np
import pytest
from PIL import Image

from auditor.measure.noise import spectrum


def _coded(noise: np.ndarray, quality: int) -> tuple[np.ndarray, np.ndarray]:
    """Grey noise after JPEG, and the steps in the file."""
    stream = io.BytesIO()
    Image.fromarray(noise).save(stream, "jpeg", quality=quality)
    with Image.open(stream) as found:
        steps = np.array(found.quantization[0], float).reshape(8, 8)
        return np.asarray(found), steps


@pytest.mark.parametrize("deviation", [4.0, 8.0])
@pytest.mark.parametrize("quality", [93, 95, 97, 100])
def test_what_coding_adds_to_white_noise_is_what_it_added(deviation: float, quality: int) -> None:
    rng = np.random.default_rng(1)
    noise = np.rint(128 + deviation * rng.standard_normal((960, 960))).astype(np.uint8)
    after, steps = _coded(noise, quality)
    assert spectrum.lowest_step(steps) <= spectrum.FINE_STEP
    blocks = after.reshape(60, 16, 60, 16).swapaxes(1, 2).reshape(-1, 16, 16).astype(np.float32)
    added = spectrum.added_variance(blocks, steps)
    assert added == pytest.approx(float(after.var()) - float(noise.var()), abs=0.04 * deviation**2)


def test_luma_of_whole_code_values_is_rounded_as_sheppard_says() -> None:
    rng = np.random.default_rng(2)
    colour = rng.uniform(60, 180, (400, 400, 3))
    exact = cv2.cvtColor((colour / 255).astype(np.float32), cv2.COLOR_BGR2GRAY) * 255
    whole = cv2.cvtColor(np.rint(colour).astype(np.uint8), cv2.COLOR_BGR2GRAY)
    assert spectrum.input_rounding(True) == pytest.approx(float((whole - exact).var()), rel=0.05)
    assert spectrum.input_rounding(False) == 1 / 12
