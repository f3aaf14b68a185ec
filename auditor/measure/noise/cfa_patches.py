"""Places of a mosaic: what their sites hold by colour, and their power by frequency.

A mosaic is made grey by scaling the sites of each colour to one mean in every place. Its spectrum then
holds the scene's brightness around zero frequency and differences of colour around the three
frequencies at which the mosaic repeats (Alleysson, Susstrunk, Herault, IEEE TIP 14(4), 2005; Dubois,
IEEE SPL 12(12), 2005). Between them, beyond what optics passes, lies noise alone, in textured places
as well.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.cosine import EIGHT, SIXTEEN
from auditor.measure.noise.spectrum import BLOCK
from auditor.measure.picture import Mosaic

__all__ = [
    "COUNTS",
    "FAULTY",
    "SIDE",
    "Sites",
    "saturation",
    "site_patches",
]

SIDE: Final = BLOCK // 2
"""Sites along a place, for each of the four in the mosaic's tile."""

FAULTY: Final = 1e-3
"""Share of sites up to which dead and hot ones explain what lies at nothing, below black or above white (common
practice, no source)."""

_TILE: Final = ((0, 0), (0, 1), (1, 0), (1, 1))
"""Rows and columns of the sites of a mosaic's tile."""
_MOST: Final = 6_500
"""Places that are read, about at most: of larger frames evenly spaced rows of them."""

_EDGES: Final = (0.075, 0.3, 0.43, 1.0)
"""Where the bands of frequency end (c/px): what lies below the first are smooth changes, and above the second
optics passes little of a scene."""
_DETAIL: Final = EIGHT.frequency >= 2 * _EDGES[0]
"""The same of sites of one kind, which are two pixels apart."""

_NO_CARRIER: Final = 0.14
"""Distance in c/px from the frequencies of colour differences from which on they no longer show."""


def _masks() -> list[NDArray[np.bool_]]:
    along = np.arange(BLOCK) / (2 * BLOCK)
    y, x = along[:, None], along[None]
    radius = np.hypot(y, x)
    carrier = np.minimum(
        np.minimum(np.hypot(y - 0.5, x - 0.5), np.hypot(y - 0.5, x)), np.hypot(y, x - 0.5)
    )
    clear = carrier >= _NO_CARRIER
    return [(radius >= low) & (radius < high) & clear for low, high in itertools.pairwise(_EDGES)]


def _kept_power(masks: list[NDArray[np.bool_]]) -> NDArray[np.float64]:
    """Share of white noise left in each band when each site's own plane is taken off."""
    line = np.broadcast_to(np.linspace(-1, 1, SIDE), (SIDE, SIDE))
    removed = np.zeros((BLOCK, BLOCK))
    for y, x in _TILE:
        for plane in (np.ones((SIDE, SIDE)), line, line.T):
            whole = np.zeros((BLOCK, BLOCK))
            whole[y::2, x::2] = plane / np.linalg.norm(plane)
            removed += (SIXTEEN.matrix @ whole @ SIXTEEN.matrix.T) ** 2
    return np.array([float((1 - removed)[m].mean()) for m in masks])


_MASKS: Final = _masks()
COUNTS: Final = np.array([int(m.sum()) for m in _MASKS], np.float64)
"""(3,) coefficients in each band."""

_AVERAGE: Final = np.stack(
    [m.ravel() / (m.sum() * kept) for m, kept in zip(_MASKS, _kept_power(_MASKS), strict=True)],
    axis=1,
).astype(np.float32)
"""(BLOCK * BLOCK, 3) what turns squared coefficients into the mean power of white noise in each."""


@dataclass(frozen=True)
class Sites:
    """Patches of BLOCK x BLOCK pixels of one mosaic, described by the four sites of its tile.

    Signals are in DN after the black level.

    Attributes
    ----------
    colour : (4,) ndarray of int
        Colour of each site of the tile: 0 red, 1 green, 2 blue.
    signal : (n, 4) ndarray of float64
        Mean of the sites of each kind.
    variance : (n, 4) ndarray of float64
        Their variance, smooth changes left out, DN squared.
    scale : (n, 4) ndarray of float64
        Factor that brought them to one mean.
    power : (n, 3) ndarray of float64
        Mean squared cosine coefficient of the grey patch in each band, DN squared.
    clipping_distance : (n, 4) ndarray of float64
        DN from the mean to where values are cut off, above or below, whichever is nearer.
    """

    colour: NDArray[np.int_]
    signal: NDArray[np.float64]
    variance: NDArray[np.float64]
    scale: NDArray[np.float64]
    power: NDArray[np.float64]
    clipping_distance: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.signal)

    def take(self, keep: NDArray[np.bool_] | NDArray[np.intp] | slice) -> Sites:
        """Some of the patches.

        Parameters
        ----------
        keep : ndarray of bool or intp, or slice
            Mask or indices.

        Returns
        -------
        Sites
            The patches chosen.
        """
        names = ("signal", "variance", "scale", "power", "clipping_distance")
        return Sites(self.colour, *(getattr(self, name)[keep] for name in names))


def saturation(mosaic: Mosaic) -> float:
    """Level at which the sensor may saturate: the stated white, or the highest value where that is less.

    Parameters
    ----------
    mosaic : Mosaic
        Raw data.

    Returns
    -------
    float
        DN, black level included.
    """
    # The highest of those that are numbers.
    return float(min(np.fmax.reduce(mosaic.raw, axis=None), mosaic.white))


def site_patches(mosaic: Mosaic) -> Sites:
    """Describe patches evenly over the frame, without clipped sites.

    The sites of each colour are scaled to one mean in every patch; the power spectrum of the grey patch that
    results, away from the carriers of colour, holds luminance and noise alone.

    Parameters
    ----------
    mosaic : Mosaic
        Raw data.

    Returns
    -------
    Sites
        The patches; none where all hold clipped values.

    References
    ----------
    Alleysson, Susstrunk, Herault, IEEE TIP 14(4), 2005; Dubois, IEEE SPL 12(12), 2005.
    """
    height, width = mosaic.raw.shape
    rows, columns = height // BLOCK, width // BLOCK
    step = max(1, -(-rows * columns // _MOST))
    parts = [
        mosaic.raw[row * BLOCK : (row + 1) * BLOCK, : columns * BLOCK]
        .reshape(BLOCK, columns, BLOCK)
        .swapaxes(0, 1)
        for row in range(0, rows, step)
    ]
    values = np.concatenate(parts).astype(np.float32)
    flat = values.reshape(len(values), -1)
    lowest, highest = flat.min(1), flat.max(1)
    # Values that are no numbers compare as false. Zero is where whole numbers end: what noise would
    # lie below is cut off.
    floor = 0.0 if mosaic.raw.dtype.kind == "u" or not (lowest < 0).any() else -np.inf
    top = saturation(mosaic)
    unclipped = np.flatnonzero((highest < top) & (lowest > floor))
    return _describe(mosaic, values[unclipped], floor, top)


def _describe(mosaic: Mosaic, values: NDArray[np.float32], floor: float, top: float) -> Sites:
    n = len(values)
    signal, variance = np.empty((n, 4)), np.empty((n, 4))
    clipping_distance = np.empty((n, 4))
    line = np.linspace(-1, 1, SIDE, dtype=np.float32)
    slope = line / (line @ line) / SIDE
    for i, (y, x) in enumerate(_TILE):
        kind = values[:, y::2, x::2]
        mean = kind.mean((1, 2))
        residual = kind - mean[:, None, None]
        residual -= (residual.sum(2) @ slope)[:, None, None] * line[:, None]
        residual -= (residual.sum(1) @ slope)[:, None, None] * line
        variance[:, i] = (EIGHT.transform(residual)[:, _DETAIL] ** 2).mean(1)
        signal[:, i] = mean - mosaic.black[y, x]
        clipping_distance[:, i] = np.minimum(top - mean, mean - floor)
        values[:, y::2, x::2] = residual
    # In the dark the scene is less than the noise, and its colour cannot be told.
    dark_noise = float(np.sqrt(variance.min())) if n else 0.0
    brightness = np.maximum(signal, 0.0) + max(dark_noise, 1.0)
    scale = brightness.mean(1, keepdims=True) / brightness
    for i, (y, x) in enumerate(_TILE):
        values[:, y::2, x::2] *= scale[:, i].astype(np.float32)[:, None, None]
    power = SIXTEEN.transform(values).reshape(n, BLOCK**2) ** 2 @ _AVERAGE
    colour = np.array([mosaic.colours[y, x] for y, x in _TILE])
    return Sites(colour, signal, variance, scale, power.astype(np.float64), clipping_distance)
