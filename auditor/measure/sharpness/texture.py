"""Texture: windows full of detail and flat ones, their power spectra, and whether a frame was enlarged."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor.measure.reduce import block_starts, centred_maxima, centred_means
from auditor.measure.sharpness.edge_detection import radius_of, zone_of
from auditor.measure.sharpness.light import Light
from auditor.record import ZONES

__all__ = ["WINDOW_PX", "Windows", "choose_windows", "is_upsampled", "tapered_power"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

WINDOW_PX: Final = 64
"""Side of a window."""
_PER_ZONE: Final = 24
"""Windows of each zone at most, the most detailed; with 40 and 16 sharp and blurred photographs were told apart less well."""
_FLATTEST: Final = 24
"""Windows of the frame at most, the flattest, of which a third shows its noise."""
_DARKEST: Final = 1e-4
"""Mean light of a window, 1 = white, below which it counts as having this much."""
_MIDDLE_CPP: Final = (0.15, 0.24)
"""Band of frequency that holds detail of any frame and noise of most."""
_HIGH_CPP: Final = (0.37, 0.5)
"""Band that enlarging leaves empty."""
_HOLE_FLAT: Final = 0.05
"""Power of flat windows in the high band over that in the middle one below which noise ends between them."""
_HOLE_BUSY: Final = 0.01
"""The same of windows full of detail, below which detail does."""
_LEAST_CHANGE: Final = 1e-3
"""Change between neighbours, white = 1, that is not capped in any frame."""
_BLACK: Final = 0.02
"""Share of white up to which a place may be clipped in the dark."""
_DARK: Final = 0.08
"""Mean of a window, white = 1, below which such a place makes it one of clipped shadows."""
_CLIPPED: Final = 0.97
"""Share of white beyond which a place may be clipped."""


@dataclass(frozen=True)
class Windows:
    """Upper left pixels of a frame's windows, `WINDOW_PX` wide, none of them clipped.

    Attributes
    ----------
    detailed : (2, n) ndarray of int
        Rows and columns of those with most detail in each zone.
    flattest : (2, m) ndarray of int
        Those of the flattest of the frame.
    """

    detailed: NDArray[np.int_]
    flattest: NDArray[np.int_]


@cache
def _taper() -> Singles:
    """(64, 64) Hann taper whose squares sum to 1."""
    hann = np.hanning(WINDOW_PX + 1)[:WINDOW_PX]
    taper = np.outer(hann, hann)
    return (taper / np.sqrt((taper**2).sum())).astype(np.float32)


def tapered_power(windows: Singles) -> Singles:
    """Power spectra of windows, with a Hann taper.

    Parameters
    ----------
    windows : (n, 64, 64) ndarray of float32
        Windows of mean 0.

    Returns
    -------
    (n, 64, 33) ndarray of float32
        Power in the layout of `numpy.fft.rfft2`.
    """
    half = WINDOW_PX // 2
    waves = np.empty(windows.shape, np.float32)
    for window, out in zip(windows * _taper(), waves, strict=True):
        # scipy.fft takes a third of a second to load, numpy's twice as long; OpenCV's packed output, which
        # leaves out what symmetry tells, half as long as its complex one.
        out[:] = cv2.dft(window)
    waves *= waves
    power = np.empty((len(windows), WINDOW_PX, half + 1), np.float32)
    # Real and imaginary parts lie side by side, those of the first and last frequency one above the other.
    np.add(waves[:, :, 1:-1:2], waves[:, :, 2::2], out=power[:, :, 1:half])
    for column, packed in ((0, waves[:, :, 0]), (half, waves[:, :, -1])):
        of = power[:, :, column]
        of[:, 0], of[:, half] = packed[:, 0], packed[:, -1]
        np.add(packed[:, 1:-1:2], packed[:, 2::2], out=of[:, 1:half])
        of[:, half + 1 :] = of[:, half - 1 : 0 : -1]
    return power


def choose_windows(light: Light, small: Singles, factor: int) -> Windows:
    """Choose the most detailed windows of each zone and the flattest of the frame.

    Parameters
    ----------
    light : Light
        The frame.
    small : (rows, columns) ndarray of float32
        The frame reduced by `factor`, from which windows are chosen.
    factor : int
        Full-size pixels per pixel of `small`.

    Returns
    -------
    Windows
        Empty where the frame has no room for one.
    """
    h, w = light.shape
    rows, columns = light.blocks(factor)
    cell = max(WINDOW_PX // factor, 1)
    top, left = (block_starts(n, cell) for n in small.shape)
    if len(top) == 0 or len(left) == 0 or min(h, w) < WINDOW_PX:
        return Windows(np.zeros((2, 0), int), np.zeros((2, 0), int))

    def means(a: NDArray[np.float32]) -> Singles:
        return np.asarray(centred_means(a, cell), np.float32)

    mean = means(small)
    local = np.zeros_like(small)
    cv2.absdiff(small[:, 1:], small[:, :-1], dst=local[:, 1:])
    local[1:] += cv2.absdiff(small[1:], small[:-1])
    # Changes are capped: an edge alone does not make a texture.
    cap = 4 * np.float32(np.median(local[::4, ::4])) + _LEAST_CHANGE
    spread = means(np.minimum(local, cap))
    low, high = (centred_maxima(place, cell) for place in (small < _BLACK, small > _CLIPPED))
    usable = (~high & ~(low & (mean < _DARK))).ravel()
    y, x = (a.ravel() for a in np.meshgrid(rows[top], columns[left], indexing="ij"))
    # Where the factor is no part of 64 a window goes beyond its cell, to both sides alike.
    over = (WINDOW_PX - cell * factor) // 2
    y, x = np.clip(y - over, 0, h - WINDOW_PX), np.clip(x - over, 0, w - WINDOW_PX)
    centre = (WINDOW_PX - 1) / 2
    zone = zone_of(radius_of(y.astype(float) + centre, x.astype(float) + centre, light.shape))
    chosen = [(np.flatnonzero((zone == i) & usable)) for i in range(len(ZONES))]
    flat = spread.ravel()
    chosen = [c[np.argsort(-flat[c], kind="stable")][:_PER_ZONE] for c in chosen]
    all_usable = np.flatnonzero(usable)
    flattest = all_usable[np.argsort(flat[all_usable], kind="stable")][:_FLATTEST]
    places = np.stack([y, x])
    return Windows(places[:, np.concatenate(chosen)], places[:, flattest])


@cache
def _bands() -> Singles:
    """(rfft cells, 2) averaging matrix of the middle and the high band."""
    fy, fx = np.fft.fftfreq(WINDOW_PX)[:, None], np.fft.rfftfreq(WINDOW_PX)[None, :]
    radius = np.hypot(fx, fy).ravel()
    # Cells of a half plane: those off its edges stand for two.
    twice = np.where((fx > 0) & (fx < 0.5), 2.0, 1.0).repeat(WINDOW_PX, 0).ravel()
    bands = [twice * ((radius >= low) & (radius < high)) for low, high in (_MIDDLE_CPP, _HIGH_CPP)]
    return np.stack([band / band.sum() for band in bands], axis=1).astype(np.float32)


def is_upsampled(light: Light, windows: Windows) -> bool:
    """Whether detail and noise alike end well below the pixel grid's limit.

    A lens may end the detail there (diffraction), but never the sensor's noise. Shot noise grows with the light:
    power is taken per unit of light.

    Parameters
    ----------
    light : Light
        The frame.
    windows : Windows
        Of the frame.

    Returns
    -------
    bool
        False where nothing shows it, and for a mosaic, whose pixels are the sensor's.
    """
    if light.green is not None or not windows.flattest.size:
        return False
    flat = _power(light, windows.flattest)
    quietest = flat[np.argsort(flat.sum(1))][: max(len(flat) // 3, 1)]
    middle, high = quietest.mean(0)
    if high >= _HOLE_FLAT * middle:
        return False
    middle, high = np.median(_power(light, windows.detailed), axis=0)
    return bool(high < _HOLE_BUSY * middle)


def _power(light: Light, places: NDArray[np.int_]) -> Floats:
    """(n, 2) power of windows in the two bands, per unit of light."""
    y, x = places
    patch, _ = light.linear_patches(y, x, WINDOW_PX)
    mean = patch.mean((1, 2))
    power = tapered_power(patch - mean[:, None, None]).reshape(len(patch), -1) @ _bands()
    return np.asarray(power / np.maximum(mean, _DARKEST)[:, None], float)
