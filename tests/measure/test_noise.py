"""Noise against rendered photons and real pairs of exposures."""

from __future__ import annotations

import numpy as np

from auditor.measure.noise import measure_noise
from auditor.measure.picture import Picture


def test_white_noise_on_a_grey_card_is_read_as_drawn() -> None:
    rng = np.random.default_rng(1)
    for sigma in (1.0, 3.0, 8.0):
        card = np.clip(np.rint(118 + sigma * rng.standard_normal((640, 960))), 0, 255)
        noise = measure_noise(Picture(card.astype(np.uint8)))
        assert noise.sigma_code8 is not None
        assert abs(noise.sigma_code8 / np.hypot(sigma, 1 / np.sqrt(12)) - 1) < 0.02
