"""How fine a frame's texture is: where it is finest, and whether one direction is missing all over the frame
(`streaks`).

In each window full of detail the energy of gradients is read at two blurs, along four directions; their ratio
tells how fine the detail is that way, whatever its contrast. Of fur, leaves and stone in focus it tells where no
clean edge does.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from auditor.measure.sharpness.edge_detection import SCHARR
from auditor.measure.sharpness.light import CODES, Light, fill_green
from auditor.measure.sharpness.streaks import ENOUGH, streaks
from auditor.measure.sharpness.texture import WINDOW_PX

__all__ = ["FineTexture", "fine_texture"]

Singles = NDArray[np.float32]

_FINE_PX: Final = 0.8
"""Blur (standard deviation) after which noise is gone and all detail still there; without blur fewer frames were judged right."""
_COARSE_PX: Final = 1.4
"""Blur after which what a movement of two to six pixels takes is gone; with 2 fewer frames were judged right."""
_SIDE: Final = 11
"""Side (px) of the squares in which blurs are made: three standard deviations and a half to either side."""
_RIM_PX: Final = 8
"""Pixels of a window that its neighbour's blur and gradient reach."""
_LEAST_ENERGY: Final = 6.0
"""Energy of gradients ((8-bit code value / px)^2, after the greater blur) that a window holds in its weakest
direction: of less most is coding. Values from 2 to 25 gave the same judgements of photographs."""
_CLIPPED: Final = 0.2
"""Share of clipped pixels from which a window's gradients are their outlines."""
_FINEST: Final = 0.9
"""Quantile of the windows that stands for the finest: only a part of a picture is in focus. 0.95 gave the same judgements."""


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
    """Fineness of a frame's texture, and whether detail is missing along one direction.

    Parameters
    ----------
    light : Light
        The frame.
    y, x : (n,) ndarray of int
        Upper left pixels of its windows full of detail, `WINDOW_PX` wide.

    Returns
    -------
    FineTexture
        Both None where too few windows are textured.
    """
    if len(y) < ENOUGH:
        return FineTexture()
    codes, clipped = _codes(light, y, x)
    codes = codes[clipped < _CLIPPED]
    return FineTexture(streaks(codes), _fineness(codes))


def _fineness(codes: Singles) -> float | None:
    """Ratio of gradient energies at two blurs, where windows are finest.

    Energies along a direction come from the structure tensor (Foerstner & Guelch, 1987).
    """
    if len(codes) < ENOUGH:
        return None
    tall = codes.reshape(-1, WINDOW_PX)
    fine, coarse = _energies(tall, _FINE_PX), _energies(tall, _COARSE_PX)
    valid = coarse.min(0) > _LEAST_ENERGY
    if np.count_nonzero(valid) < ENOUGH:
        return None
    ratio = np.log(fine[:, valid] / coarse[:, valid])
    return float(np.quantile(ratio.min(0), _FINEST))


def _codes(
    light: Light, y: NDArray[np.int_], x: NDArray[np.int_]
) -> tuple[Singles, NDArray[np.float64]]:
    """(n, WINDOW_PX, WINDOW_PX) windows, 0..255, and the clipped share of each.

    Code values of a picture, square roots of light of a mosaic: both even out noise.
    """
    if light.green is None:
        values = sliding_window_view(light.plane, (WINDOW_PX, WINDOW_PX))[y, x]
        clipped = light.clipped(values)
        scale = CODES / np.float32(light.picture.peak)
        codes = values.astype(np.float32) * scale
    else:
        patch, clipped, valid = light.patches(y, x, WINDOW_PX)
        codes = np.sqrt(np.clip(fill_green(patch, valid), 0, 1)).astype(np.float32) * CODES
    return codes, clipped.mean((1, 2))


def _energies(tall: Singles, blur_px: float) -> NDArray[np.float64]:
    """(4, windows) mean squared gradient along 0, 45, 90 and 135 degrees after a blur of windows one above
    the other."""
    blurred = cv2.GaussianBlur(tall, (_SIDE, _SIDE), blur_px)
    gx = cv2.Scharr(blurred, cv2.CV_32F, 1, 0, scale=SCHARR)
    gy = cv2.Scharr(blurred, cv2.CV_32F, 0, 1, scale=SCHARR)
    inner = slice(_RIM_PX, WINDOW_PX - _RIM_PX)
    gx, gy = (a.reshape(-1, WINDOW_PX, WINDOW_PX)[:, inner, inner] for a in (gx, gy))
    pixels = (WINDOW_PX - 2 * _RIM_PX) ** 2
    xx, yy, xy = (
        np.einsum("nij,nij->n", a, b).astype(float) / pixels
        for a, b in ((gx, gx), (gy, gy), (gx, gy))
    )
    return np.stack([xx, (xx + yy) / 2 + xy, yy, (xx + yy) / 2 - xy])
