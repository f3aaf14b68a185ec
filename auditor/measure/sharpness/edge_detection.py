"""Candidate places for edges: those with one clear direction of change, found on a reduced picture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from auditor.measure.reduce import block_starts, centred_maxima
from auditor.measure.sharpness.light import Light
from auditor.record import ZONE_RADII

__all__ = ["SCHARR", "EdgeMap", "Places", "edge_map", "radius_of", "zone_of"]

SCHARR: Final = 1 / 32
"""What turns the sums of Scharr's filter into slopes: the sum of its weights, two pixels apart."""
_REDUCED_PIXELS: Final = 6e5
"""Pixels that the reduced picture has, about."""
_FACTORS: Final = np.array([1, 2, 4, 6, 8, 16])
"""Reductions that are quick: halvings, and a third after one."""
_FAINT: Final = 0.05
"""Share of the score of the frame's strong places (of 100 the third) below which a place is noise."""
_TENSOR_PX: Final = 12
"""Side of the squares (full-size pixels) over which the structure tensor is averaged."""
_MARGIN_PX: Final = 16
"""Pixels along the frame's border in which no place is looked for: patches reach about as far."""
_FEW: Final = 3
"""Side of a square up to which OpenCV sums quicker by weights than by running sums."""
_BAND: Final = 96
"""Rows worked on at a time: what lies between stays in the processor's cache."""


def radius_of(
    y: NDArray[np.float64], x: NDArray[np.float64], shape: tuple[int, int]
) -> NDArray[np.float64]:
    """Distance from the frame's centre as a share of the half-diagonal.

    Parameters
    ----------
    y, x : ndarray of float64
        Row and column in pixels; they broadcast against each other.
    shape : tuple of int
        Height and width of the frame in pixels.

    Returns
    -------
    ndarray of float64
        0 in the middle, 1 in the corners.
    """
    # Roots and comparisons of whole arrays: np.hypot and np.digitize take several times as long on large ones.
    h, w = shape
    down, along = y - (h - 1) / 2, x - (w - 1) / 2
    return np.asarray(np.sqrt((down * down + along * along) / ((h * h + w * w) / 4)))


def zone_of(radius: NDArray[np.float64]) -> NDArray[np.int_]:
    """Zone of some distances from the centre.

    Parameters
    ----------
    radius : ndarray of float64
        From `radius_of`.

    Returns
    -------
    ndarray of int
        Index into `record.ZONES`.
    """
    return np.sum([radius >= limit for limit in ZONE_RADII], axis=0)


@dataclass(frozen=True)
class EdgeMap:
    """How edge-like each pixel of a reduced picture is.

    Attributes
    ----------
    score : (rows, columns) ndarray of float32
        Gradient times squared coherence; 0 where no patch fits.
    small : (rows, columns) ndarray of float32
        The reduced picture itself, 0..1.
    factor : int
        Full-size pixels per pixel of `score`.
    rows, columns : (rows,) and (columns,) ndarray of int
        First full-size row and column of the pixels of `score`.
    shape : tuple of int
        Height and width of the frame.
    """

    score: NDArray[np.float32]
    small: NDArray[np.float32]
    factor: int
    rows: NDArray[np.int_]
    columns: NDArray[np.int_]
    shape: tuple[int, int]
    _cells_cache: dict[int, tuple[NDArray[np.float32], NDArray[np.int_]]] = field(
        default_factory=dict, init=False, repr=False
    )

    def places(
        self, cell_px: int, per_zone: Sequence[int], exclude: Places | None = None
    ) -> Places:
        """Candidate places: the best of every cell, at most so many of each zone.

        Parameters
        ----------
        cell_px : int
            Side of a cell in full-size pixels.
        per_zone : sequence of int
            Places of each of `record.ZONES` at most.
        exclude : Places or None
            Places whose cells are left out.

        Returns
        -------
        Places
            Zone after zone, the highest scores first.
        """
        cell = max(2, round(cell_px / self.factor))
        top, left = (block_starts(n, cell) for n in self.score.shape)
        empty = np.zeros(0, int)
        if len(top) == 0 or len(left) == 0:
            return Places(empty, empty)
        value, zone = self._cells(cell)
        value, y, x = value.copy(), self.rows[top], self.columns[left]
        if exclude is not None and len(exclude.y):
            used_y = np.maximum(np.searchsorted(y, exclude.y, "right") - 1, 0)
            used_x = np.maximum(np.searchsorted(x, exclude.x, "right") - 1, 0)
            value[used_y * len(left) + used_x] = 0
        chosen = []
        for index, limit in enumerate(per_zone):
            candidates = np.flatnonzero((zone == index) & (value > 0)) if limit else empty
            if limit < len(candidates):
                candidates = candidates[
                    value[candidates] >= np.partition(value[candidates], -limit)[-limit]
                ]
            chosen.append(candidates[np.argsort(-value[candidates], kind="stable")][:limit])
        cells = np.concatenate(chosen)
        return self._best_of(top[cells // len(left)], left[cells % len(left)], cell)

    def _cells(self, cell: int) -> tuple[NDArray[np.float32], NDArray[np.int_]]:
        """The highest score in every cell, 0 where it is faint, and the cell's zone; row after row."""
        if cell not in self._cells_cache:
            value = centred_maxima(self.score, cell).ravel()
            # Where a frame is plain, the best place of a cell is nothing but noise.
            value[value < _FAINT * np.quantile(value, 0.98)] = 0
            centre = (cell * self.factor - 1) / 2
            top, left = (block_starts(n, cell) for n in self.score.shape)
            y = (self.rows[top, None] + centre).astype(float)
            x = (self.columns[left] + centre).astype(float)
            self._cells_cache[cell] = value, zone_of(radius_of(y, x, self.shape)).ravel()
        return self._cells_cache[cell]

    def _best_of(self, row: NDArray[np.int_], column: NDArray[np.int_], cell: int) -> Places:
        """The best place of each of the cells that begin at these rows and columns of `score`."""
        inside = sliding_window_view(self.score, (cell, cell))[row, column]
        best = inside.reshape(len(row), cell * cell).argmax(1)
        return Places(
            self._middle(self.rows[row + best // cell], self.shape[0]),
            self._middle(self.columns[column + best % cell], self.shape[1]),
        )

    def _middle(self, start: NDArray[np.int_], length: int) -> NDArray[np.int_]:
        """Middle pixel of blocks; of two, the one nearer to the middle of the frame."""
        return start + (self.factor - (start >= length / 2)) // 2


@dataclass(frozen=True)
class Places:
    """Places in full-size pixels, best first within each zone.

    Attributes
    ----------
    y, x : (n,) ndarray of int
        Row and column.
    """

    y: NDArray[np.int_]
    x: NDArray[np.int_]

    def joined_with(self, other: Places) -> Places:
        """Both sets of places.

        Parameters
        ----------
        other : Places
            Comes second.

        Returns
        -------
        Places
            All of them.
        """
        return Places(np.concatenate([self.y, other.y]), np.concatenate([self.x, other.x]))


def edge_map(light: Light) -> EdgeMap:
    """Score every pixel of a reduced picture by its gradient times the square of the structure tensor's coherence.

    Strong and of one direction. Gradients on the reduced picture tell little of blur at the pixel, so
    choosing by them does not choose the sharper edges.

    Parameters
    ----------
    light : Light
        The frame.

    Returns
    -------
    EdgeMap
        Scores, and where their pixels lie.

    References
    ----------
    Foerstner & Guelch, 1987 (structure tensor).
    """
    h, w = light.shape
    ideal = np.sqrt(h * w / _REDUCED_PIXELS)
    factor = int(_FACTORS[np.abs(np.log(_FACTORS / ideal)).argmin()])
    if light.green is not None:
        factor = max(2, factor)
    small = light.reduced(factor)
    if factor == 1:
        small = np.asarray(cv2.GaussianBlur(small, (0, 0), 1.0), np.float32)
    k = max(3, round(_TENSOR_PX / factor) | 1)
    score = np.empty_like(small)
    for first in range(0, len(small), _BAND):
        last, above = first + _BAND, max(first - k, 0)
        score[first:last] = _score(small[above : last + k], k)[first - above :][:_BAND]
    margin = max(1, int(np.ceil(_MARGIN_PX / factor)))
    score[:margin], score[-margin:], score[:, :margin], score[:, -margin:] = 0, 0, 0, 0
    rows, columns = light.blocks(factor)
    return EdgeMap(score, small, factor, rows, columns, light.shape)


def _score(small: NDArray[np.float32], k: int) -> NDArray[np.float32]:
    """Gradient times squared coherence over `k` x `k` pixels; less than `k` rows see an end of it."""
    gx = cv2.Scharr(small, cv2.CV_32F, 1, 0)
    gy = cv2.Scharr(small, cv2.CV_32F, 0, 1)
    xy = cv2.multiply(gx, gy)
    xx, yy = cv2.multiply(gx, gx, dst=gx), cv2.multiply(gy, gy, dst=gy)
    jxx, jyy, jxy = (_mean(a, k) for a in (xx, yy, xy))
    power = _mean(cv2.add(xx, yy, dst=xx), 3)
    energy = cv2.add(jxx, jyy, dst=yy)
    difference = cv2.subtract(jxx, jyy, dst=jxx)
    # Coherence is the length of (apart, 2 jxy) over the energy; both are wanted squared.
    length2 = cv2.multiply(difference, difference, dst=difference)
    length2 = cv2.add(length2, cv2.multiply(jxy, jxy, dst=jxy, scale=4), dst=length2)
    energy2 = cv2.multiply(energy, energy, dst=energy)
    coherence2 = np.divide(length2, np.maximum(energy2, 1e-20, out=energy2), out=length2)
    strength = np.sqrt(np.maximum(power, 0, out=power), out=power)
    return np.asarray(np.multiply(coherence2, strength, out=coherence2), np.float32)


def _mean(plane: NDArray[Any], k: int) -> NDArray[Any]:
    """Mean of `k` x `k` pixels about each one."""
    if k > _FEW:
        return cv2.blur(plane, (k, k))
    part = np.full(k, 1 / k, np.float32)
    return cv2.sepFilter2D(plane, -1, part, part)
