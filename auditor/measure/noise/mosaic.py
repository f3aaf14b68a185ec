"""Noise of a frame from its mosaic, in the terms used for developed frames.

The green sites carry most of luminance, so signal and noise are theirs, per site, without white
balance. `sigma_code8` is what that noise would be in 8-bit code values on the sRGB curve.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor import srgb
from auditor.measure.noise import scaling, signal
from auditor.measure.noise.blocks import BLOCK
from auditor.measure.noise.cfa_patches import FAULTY, SIDE
from auditor.measure.noise.flats import FEWEST
from auditor.measure.noise.transfer import fit_mosaic, is_plausible, rounding_variance
from auditor.measure.picture import Mosaic
from auditor.record import TONE_SIGNALS, Noise, Tone

__all__ = ["measure_mosaic_noise"]

_ABOVE_WHITE: Final = 1.02
"""Times the stated white level: where more sites than faulty ones hold more, white was stated too low."""


def measure_mosaic_noise(mosaic: Mosaic) -> Noise:
    """Noise of the green sites (of all sites of a sensor without colours).

    Signal and noise are per site, without white balance, from the law fitted by `noise_law.fit_noise`.

    Parameters
    ----------
    mosaic : Mosaic
        Raw data.

    Returns
    -------
    Noise
        `sigma_code8` on the sRGB curve, `tones` in linear light; None with a `note` where noise can't be
        told from the scene.
    """
    if not is_plausible(mosaic):
        return Noise(None, note="the raw data's size, black or white level make no sense")
    shares, clipped = signal.mosaic_shares(mosaic)
    if (mosaic.raw[::2, ::2] > _ABOVE_WHITE * mosaic.white).mean() > FAULTY:
        note = "the stated white level lies below the data: signals cannot be told"
        return Noise(None, signal_shares=shares, note=note)
    sites, fit = fit_mosaic(mosaic)
    if fit is None:
        note = "no area in which noise can be told from the scene"
        return Noise(None, signal_shares=shares, clipped_share=clipped, note=note)
    span = float(mosaic.white - mosaic.black.mean())
    is_green = sites.colour == 1 if (sites.colour == 1).any() else np.ones(4, bool)
    signals = sites.take(fit.flat).signal[:, is_green].ravel()
    light = signals / span

    def variance(signal: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.maximum(fit.variance(signal) - rounding_variance(mosaic), 0) / span**2

    sigma = float(np.sqrt((variance(signals) * (255 * srgb.slope(light)) ** 2).mean()))
    out = []
    for target in TONE_SIGNALS:
        count = int(((light > target / np.sqrt(2)) & (light < target * np.sqrt(2))).sum())
        square = float(variance(np.array(target * span)))
        if count >= FEWEST and square > 0:
            out.append(Tone(target, float(np.sqrt(square)), count * SIDE**2))
    white = np.ones((BLOCK, BLOCK))
    factor = scaling.averaging_factor(white, scaling.output_ratio(*mosaic.raw.shape))
    return Noise(
        sigma_code8=sigma,
        tones=tuple(out),
        grain_px=1.0,
        sigma_output_code8=sigma * factor,
        tone_output_scale=factor,
        signal_shares=shares,
        clipped_share=clipped,
    )
