"""Shadows of dust as geometry makes them, for frames with known truth.

A round grain lies on the sensor's cover, a gap above the pixels. Every point of it is seen from the
exit pupil as a disc of gap / f-number, so its shadow is the grain's disc smeared over that disc: flat
within, with a rim as wide as the grain, and as deep as the share of the disc that the grain covers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Grain", "cloudy_frame", "with_dust"]


@dataclass(frozen=True, slots=True)
class Grain:
    """A grain at a place of the frame (shares of width and height).

    `depth` is that of its shadow at f/16; `gap_um` the distance of the cover from the pixels.
    """

    x: float
    y: float
    depth: float = 0.01
    gap_um: float = 1500.0


def with_dust(
    linear: NDArray[np.floating], grains: Sequence[Grain], f_number: float, pitch_um: float
) -> NDArray[np.float32]:
    """Shadows of grains on the sensor's cover.

    Parameters
    ----------
    linear : ndarray of float, shape (h, w[, 3])
        Linear light.
    grains : sequence of Grain
        What lies on the cover.
    f_number : float
        Aperture.
    pitch_um : float
        Pixel pitch in micrometres.

    Returns
    -------
    ndarray of float32
        A copy of the same shape.
    """
    out = np.array(linear, np.float32)
    height, width = out.shape[:2]
    for grain in grains:
        disc = grain.gap_um / f_number / pitch_um
        # The grain covers the share `depth` of the disc at f/16; its own width follows.
        grain_px = grain.gap_um / 16 / pitch_um * np.sqrt(grain.depth)
        depth = min((grain_px / disc) ** 2, 1.0)
        half_px = int(disc / 2 + grain_px + 2)
        cx, cy = grain.x * width, grain.y * height
        x0, x1 = max(int(cx) - half_px, 0), min(int(cx) + half_px + 1, width)
        y0, y1 = max(int(cy) - half_px, 0), min(int(cy) + half_px + 1, height)
        yy, xx = np.mgrid[y0:y1, x0:x1] + 0.5
        radius = np.hypot(xx - cx, yy - cy)
        cover = np.clip((disc / 2 + grain_px / 2 - radius) / max(grain_px, 1.0), 0, 1)
        shade = (1 - depth * cover).astype(np.float32)
        out[y0:y1, x0:x1] *= shade if out.ndim == 2 else shade[..., None]
    return out


def cloudy_frame(height: int, width: int, seed: int, contrast: float = 0.1) -> NDArray[np.float32]:
    """A grey frame of sky over rough ground, the horizon anywhere in the lower half.

    Clouds are soft: their amplitude falls with the square of frequency, so that little of them remains at the
    size of a shadow. Broken clouds (amplitude f ** -4/3) hide shadows of a percent.

    Parameters
    ----------
    height, width : int
        Size in px.
    seed : int
        Decides clouds, ground and horizon.
    contrast : float
        Standard deviation of the clouds over the sky's light.

    Returns
    -------
    ndarray of float32, shape (height, width)
        Linear light.
    """
    rng = np.random.default_rng(seed)
    fy, fx = np.fft.fftfreq(height)[:, None], np.fft.rfftfreq(width)[None, :]
    radius = np.maximum(np.hypot(fy, fx), 1 / max(height, width))
    shape = (height, width // 2 + 1)
    phase = rng.normal(size=shape) + 1j * rng.normal(size=shape)
    clouds, ground = (
        np.fft.irfft2(phase * radius**-power, s=(height, width)) for power in (2.0, 1.0)
    )
    clouds, ground = clouds / clouds.std(), np.roll(ground / ground.std(), height // 2, 0)
    ramp = np.linspace(0.25, 0.5, height)[:, None]
    sky = ramp * (1 + contrast * clouds)
    horizon = (
        rng.uniform(0.5, 0.75) * height
        + 0.06 * height * np.cumsum(rng.normal(size=width)) / width**0.5
    )
    below = np.arange(height)[:, None] > horizon[None, :]
    return np.where(below, 0.12 * np.exp(0.4 * ground), np.clip(sky, 0.02, 0.9)).astype(np.float32)
