"""Log power spectra of scenes seen through known optics, for measurement-level archives."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from auditor.optics import system_mtf
from auditor.record import SPECTRUM_CPP

__all__ = ["scene_log_spectra"]

Floats = NDArray[np.float64]


def scene_log_spectra(
    f_number: Floats,
    pitch_um: float,
    blur_px: Floats,
    scene: NDArray[np.int64],
    rng: np.random.Generator,
    noise: float = 0.06,
    floor: float = -16.0,
) -> Floats:
    """Natural log power at `SPECTRUM_CPP` of each frame, frames x bins.

    A scene's own spectrum falls as a power of frequency near -2 with its own ripple; the optics
    add twice the log MTF; bins under the noise `floor` (natural log) are NaN.
    """
    freq = np.array(SPECTRUM_CPP)
    scenes = int(scene.max()) + 1
    slope = rng.normal(-2.2, 0.4, scenes)[:, None]
    own = slope * np.log(freq / freq[0]) + rng.normal(0, 0.4, (scenes, 1))
    own = own + rng.normal(0, 0.25, (scenes, len(freq)))
    mtf = system_mtf(freq[None, :], f_number[:, None], pitch_um, blur_px[:, None])
    log_power = own[scene] - 6.0 + 2 * np.log(np.maximum(mtf, 1e-9))
    log_power = log_power + rng.normal(0, noise, log_power.shape)
    return np.where(log_power > floor, log_power, np.nan)
