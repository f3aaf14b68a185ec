"""The variance law of a body's noise where frames say little."""

from __future__ import annotations

import numpy as np

from auditor.infer.bodies.cells import RANDOM_LEAST, fit_physics


def test_one_frame_whose_noise_follows_its_texture_makes_no_noiseless_body() -> None:
    signal = np.array([0.18, 0.36, 0.72])
    seen = np.log(0.02 * signal)
    law = fit_physics(np.full(3, 100.0), signal, seen, np.full(3, 0.1))
    assert law.proportional > 0
    own = law.log_sigma(100, signal, texture=False)
    assert np.all(own < seen)
    assert np.all(own > seen + 0.5 * np.log(RANDOM_LEAST) - 0.1)


def test_photons_beside_a_texture_keep_their_own_figure() -> None:
    # Variance law by hand: 50,000 electrons at white, one per cent of texture.
    signal = np.geomspace(0.01, 0.72, 7)
    iso = np.repeat([100.0, 200, 400, 800, 1600], 7)
    signal = np.tile(signal, 5)
    photons = iso / 100 * signal / 50_000
    seen = 0.5 * np.log(photons + (0.01 * signal) ** 2)
    law = fit_physics(iso, signal, seen, np.full(len(iso), 0.02))
    np.testing.assert_allclose(
        law.log_sigma(iso, signal, texture=False), 0.5 * np.log(photons), atol=0.03
    )
