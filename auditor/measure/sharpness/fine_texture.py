"""How fine a frame's texture is: where it is finest, and whether one direction is missing all over the frame
(`streaks`).

In each window full of detail the energy of gradients is summed over its power spectrum for two blurs, along four
directions; their ratio tells how fine the detail is that way, whatever its contrast. Of fur, leaves and stone in
focus it tells where no clean edge does.
"""

from __future__ import annotations

from functools import cache
from typing import Final, NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from auditor.measure.sharpness.light import Light, fill_green
from auditor.measure.sharpness.streaks import streaks
from auditor.measure.sharpness.texture import WINDOW_PX, window_power

__all__ = ["FineTexture", "fine_texture"]

Singles = NDArray[np.float32]

_FINE_PX: Final = 0.8
"""Blur (standard deviation) after which noise is gone and all detail still there; of none less was told."""
_COARSE_PX: Final = 1.4
"""Blur after which what a movement of two to six pixels takes is gone; of 2 less was told."""
_MIDDLE: Final = 10 / 16
"""Weight of the middle in the smoothing across a derivative by Scharr's filter (OpenCV's Scharr)."""
_BESIDE: Final = 3 / 16
"""That of either neighbour."""
_WAYS: Final = 4
"""Directions along which energies are read, 45 degrees apart."""
_LEAST_ENERGY: Final = 6.0
"""Energy of gradients ((8-bit code value / px)^2, after the greater blur) that a window holds in its weakest
direction: of less most is coding. Of 2 to 25 photographs told the same."""
_CLIPPED: Final = 0.2
"""Share of clipped pixels from which a window's gradients are their outlines."""
_ENOUGH: Final = 16
"""Windows that speak for the frame: of fewer single ones decide."""
_FINEST: Final = 0.9
"""Quantile of the windows that stands for the finest: only a part of a picture is in focus. 0.95 told the same."""
_FAINTEST: Final = 0.01
"""Energy that even a window without fine detail is taken to hold, so that its logarithm is one."""
_CODES: Final = np.float32(255)
"""White of 8 bits."""


class FineTexture(NamedTuple):
    """What the windows of a frame say; None where too few are textured.

    Attributes
    ----------
    streaks : float or None
        How plainly the finest detail is missing along one direction (`streaks`).
    fineness : float or None
        ln of the energy of gradients at `_FINE_PX` over that at `_COARSE_PX`, in the direction that has least
        of it, where windows are finest (`_FINEST`).
    """

    streaks: float | None = None
    fineness: float | None = None


def fine_texture(light: Light, y: NDArray[np.int_], x: NDArray[np.int_]) -> FineTexture:
    """What the fine texture of a frame tells.

    Parameters
    ----------
    light : Light
        The frame.
    y, x : ndarray, (n,)
        Upper left pixels of its windows full of detail, `WINDOW_PX` wide.
    """
    if len(y) < _ENOUGH:
        return FineTexture()
    codes, clipped = _codes(light, y, x)
    codes = codes[clipped < _CLIPPED]
    if len(codes) < _ENOUGH:
        return FineTexture()
    power = window_power(codes)
    return FineTexture(streaks(power), _fineness(power))


def _fineness(power: Singles) -> float | None:
    """`FineTexture.fineness` from power spectra (n, WINDOW_PX, WINDOW_PX // 2 + 1)."""
    energy = power.reshape(len(power), -1) @ _gradients()
    fine, coarse = energy.reshape(len(power), 2, _WAYS).transpose(1, 0, 2).astype(float)
    told = coarse.min(1) > _LEAST_ENERGY
    if np.count_nonzero(told) < _ENOUGH:
        return None
    ratio = np.log(np.maximum(fine[told], _FAINTEST) / coarse[told])
    return float(np.quantile(ratio.min(1), _FINEST))


@cache
def _gradients() -> Singles:
    """(cells, 2 * _WAYS) what turns a power spectrum into energies of gradients along 0, 45, 90 and 135 degrees
    at the two blurs.

    Energy is the sum over the spectrum (Parseval). Scharr's filter passes i sin(2 pi f) along it and
    (10 + 6 cos(2 pi f)) / 16 across; energies along a direction come from the structure tensor (Foerstner &
    Guelch, 1987).
    """
    f = np.fft.fftfreq(WINDOW_PX)[:, None], np.fft.rfftfreq(WINDOW_PX)[None, :]
    (dy, cy), (dx, cx) = (
        (np.sin(2 * np.pi * g), _MIDDLE + 2 * _BESIDE * np.cos(2 * np.pi * g)) for g in f
    )
    gx, gy = dx * cy, dy * cx
    ways = (gx, (gx + gy) / np.sqrt(2), gy, (gx - gy) / np.sqrt(2))
    # Cells of a half plane: those off its edges stand for two.
    cells = np.where((f[1] > 0) & (f[1] < 0.5), 2, 1) / WINDOW_PX**2
    blurs = (
        np.exp(-((2 * np.pi * s) ** 2) * (f[0] ** 2 + f[1] ** 2)) for s in (_FINE_PX, _COARSE_PX)
    )
    each = [(cells * blur * way**2).ravel() for blur in blurs for way in ways]
    return np.stack(each, axis=1).astype(np.float32)


def _codes(
    light: Light, y: NDArray[np.int_], x: NDArray[np.int_]
) -> tuple[Singles, NDArray[np.float64]]:
    """(n, WINDOW_PX, WINDOW_PX) windows, 0..255, and the clipped share of each.

    Code values of a picture, square roots of light of a mosaic: both even out noise.
    """
    if light.green is None:
        values = sliding_window_view(light.plane, (WINDOW_PX, WINDOW_PX))[y, x]
        clipped = light.clipped(values)
        scale = _CODES / np.float32(light.picture.peak)
        codes = values.astype(np.float32) * scale
    else:
        patch, clipped, valid = light.patches(y, x, WINDOW_PX)
        codes = np.sqrt(np.clip(fill_green(patch, valid), 0, 1)).astype(np.float32) * _CODES
    return codes, clipped.mean((1, 2))
