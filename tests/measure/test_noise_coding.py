"""What coding does to block means, against rounding done by hand and files of known tables."""

from __future__ import annotations

import io

import noise_pictures as draw
import numpy as np
import pytest
from PIL import Image

from auditor.measure.noise import coding


@pytest.mark.parametrize("deviation", [0.3, 1.0, 3.0, 20.0])
def test_rounding_adds_to_noise_what_a_simulation_finds(deviation: float) -> None:
    rng = np.random.default_rng(1)
    step = 8.0
    levels = np.linspace(0, step, 64, endpoint=False)
    noise = deviation * rng.standard_normal(40_000)
    rounded = [step * np.rint((level + noise) / step) for level in levels]
    found = float(np.mean([np.var(r) for r in rounded]) - np.var(noise))
    assert coding.rounding_of_mean(deviation**2, step) == pytest.approx(found, abs=0.1)


def test_wide_noise_gains_a_twelfth_of_the_step_squared() -> None:
    """Sheppard's correction."""
    assert coding.rounding_of_mean(1e4, 6.0) == pytest.approx(36 / 12, rel=0.01)
    assert coding.rounding_of_mean(0.0, 6.0) == 0
    assert coding.rounding_of_mean(1.0, 0.0) == 0


@pytest.mark.parametrize("quality", [50, 75, 85, 97])
def test_the_step_of_means_is_the_one_in_the_file(quality: int) -> None:
    picture = draw.jpeg(draw.exposed(draw.land(seed=4), 4000), quality)
    stream = io.BytesIO()
    Image.fromarray(np.zeros((16, 16, 3), np.uint8)).save(stream, "jpeg", quality=quality)
    written = Image.open(stream).quantization[0][0]
    cells = picture.luma.astype(np.float32)[:800, :1200]
    cells = cells.reshape(100, 8, 150, 8).swapaxes(1, 2).reshape(-1, 8, 8)[::12]
    inner = cells[(cells.min((1, 2)) > 2) & (cells.max((1, 2)) < 253)]
    steps = coding.rounding_steps(coding.EIGHT.transform(inner))
    assert coding.mean_step(inner, steps) == (written if written > 1 else 0)


def test_means_without_contrast_show_no_step() -> None:
    card = np.full((600, 8, 8), 96, np.float32)
    steps = np.full((8, 8), 6.0)
    assert coding.mean_step(card, steps) == 0
    assert coding.mean_step(card, np.zeros((8, 8))) == 0
