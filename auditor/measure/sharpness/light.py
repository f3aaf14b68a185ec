"""Where light is read from: the luma plane of a picture, or the green sites of a mosaic.

Both hand out small square patches in linear light with a mark on the pixels that were measured, so
that the rest of the package need not know which of them it works on.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from auditor.measure.picture import Picture
from auditor.measure.reduce import block_starts, centred_means

__all__ = ["CODES", "Light", "fill_green", "light_of"]

Ints = NDArray[np.int_]
Singles = NDArray[np.float32]

CODES: Final = np.float32(255)
"""White of 8 bits."""
_DARKEST: Final = 0.004
"""Share of white's code value up to which a pixel counts as clipped: one of 255."""
_BRIGHTEST: Final = 0.99
"""Share of it from which on one does."""
_BRIGHTEST_SITE: Final = 0.97
"""The same of a mosaic's light: sites do not all saturate at one value."""


@dataclass(frozen=True)
class Light:
    """A plane of code values with its way to linear light.

    Attributes
    ----------
    plane : (H, W) ndarray
        Luma code values, or the mosaic's data numbers.
    picture : Picture
        Owner of the transfer curve.
    green : (2, 2) ndarray of bool or None
        For a mosaic, whether the site at (y % 2, x % 2) is green.
    low, high : float
        Code values at and below which, and from which on, a pixel counts as clipped.
    """

    plane: NDArray[Any]
    picture: Picture
    green: NDArray[np.bool_] | None
    low: float
    high: float

    @property
    def shape(self) -> tuple[int, int]:
        """(height, width) of the frame in pixels."""
        return int(self.plane.shape[0]), int(self.plane.shape[1])

    def patches(
        self, y: Ints, x: Ints, size: int
    ) -> tuple[Singles, NDArray[np.bool_], NDArray[np.bool_] | None]:
        """Square patches in linear light.

        Parameters
        ----------
        y, x : (n,) ndarray of int
            Upper left pixels.
        size : int
            Side of a patch.

        Returns
        -------
        light : (n, size, size) ndarray of float32
            1 = white.
        clipped : (n, size, size) ndarray of bool
            Clipped pixels.
        valid : (n, size, size) ndarray of bool or None
            Pixels that hold a measurement; None for all of them.
        """
        codes = self._codes(y, x, size)
        clipped = self.clipped(codes)
        light, valid = self._linear(codes, y, x)
        return light, clipped if valid is None else clipped & valid, valid

    def linear_patches(
        self, y: Ints, x: Ints, size: int
    ) -> tuple[Singles, NDArray[np.bool_] | None]:
        """As `patches`, without clipping.

        Parameters
        ----------
        y, x : (n,) ndarray of int
            Upper left pixels.
        size : int
            Side of a patch.

        Returns
        -------
        light, valid
            As in `patches`.
        """
        return self._linear(self._codes(y, x, size), y, x)

    def sqrt_patches(self, y: Ints, x: Ints, size: int) -> Singles:
        """Square roots of light in patches: near to code values, with noise alike in dark and bright.

        Parameters
        ----------
        y, x : (n,) ndarray of int
            Upper left pixels.
        size : int
            Side of a patch.

        Returns
        -------
        (n, size, size) ndarray of float32
            0..1; sites between green ones are the mean of their neighbours.
        """
        codes = self._codes(y, x, size)
        if codes.dtype == np.uint8 and codes.size:
            light = self.picture.linear(np.arange(256, dtype=np.uint8))
            table = np.sqrt(np.clip(light, 0, 1))  # each of the 256 turned once
            return np.asarray(cv2.LUT(codes.reshape(1, -1), table), np.float32).reshape(codes.shape)
        patch, valid = self._linear(codes, y, x)
        return np.sqrt(np.clip(fill_green(patch, valid), 0, 1)).astype(np.float32)

    def _codes(self, y: Ints, x: Ints, size: int) -> NDArray[Any]:
        return sliding_window_view(self.plane, (size, size))[y, x]

    def clipped(self, codes: NDArray[Any]) -> NDArray[np.bool_]:
        """Which of some values of `plane` are clipped."""
        if codes.dtype == np.uint8:  # whole numbers are compared quickly
            return (codes <= np.uint8(self.low)) | (codes >= np.uint8(np.ceil(self.high)))
        return (codes <= self.low) | (codes >= self.high)

    def _linear(
        self, codes: NDArray[Any], y: Ints, x: Ints
    ) -> tuple[Singles, NDArray[np.bool_] | None]:
        if self.green is None:
            return self.picture.linear(codes), None
        mosaic = self.picture.mosaic
        assert mosaic is not None
        size = codes.shape[1]
        rows = (y[:, None] + np.arange(size)) % 2
        columns = (x[:, None] + np.arange(size)) % 2
        valid = self.green[rows[:, :, None], columns[:, None, :]]
        black = float(mosaic.black[self.green].mean())
        light = (codes.astype(np.float32) - np.float32(black)) / np.float32(mosaic.white - black)
        return light, valid

    def blocks(self, factor: int) -> tuple[Ints, Ints]:
        """Where the pixels of `reduced` lie.

        Parameters
        ----------
        factor : int
            As in `reduced`.

        Returns
        -------
        rows, columns : ndarray of int
            First full-size row and column of each.
        """
        whole = 1 if self.green is None else 2
        starts = [whole * block_starts(n // whole, factor // whole) for n in self.shape]
        return starts[0], starts[1]

    def _means(self, factor: int) -> NDArray[Any]:
        """`centred_means` of a picture's plane, from its halves where their blocks are the same."""
        whole = self.plane is self.picture.luma and not any(n % 4 for n in self.shape)
        if whole and factor % 2 == 0:
            half = self.picture.half_luma
            return half if factor == 2 else centred_means(half, factor // 2)
        return centred_means(self.plane, factor)

    def halved(self) -> NDArray[np.uint8]:
        """As `reduced` by 2, as whole numbers 0..255."""
        if self.green is None and self.plane.dtype == np.uint8:
            return self._means(2)
        return np.rint(np.clip(self.reduced(2), 0, 1) * np.float32(255)).astype(np.uint8)

    def reduced(self, factor: int) -> Singles:
        """Area means of `factor` x `factor` pixels (green sites only), at `blocks`.

        Square roots of light for a mosaic and code values for a picture: both even out noise.

        Parameters
        ----------
        factor : int
            Side of the areas in pixels; even for a mosaic.

        Returns
        -------
        (rows, columns) ndarray of float32
            0..1.
        """
        h, w = self.shape
        if self.green is None:
            small = self._means(factor)
            return np.asarray(small.astype(np.float32) / np.float32(self.picture.peak))
        mosaic = self.picture.mosaic
        assert mosaic is not None
        half: Singles | None = None
        for row, column in zip(*np.nonzero(self.green), strict=True):
            sites = self.plane[row : h - h % 2 : 2, column : w - w % 2 : 2]
            part = centred_means(np.ascontiguousarray(sites), factor // 2)
            light = (part.astype(np.float32) - np.float32(mosaic.black[row, column])) / np.float32(
                mosaic.white - mosaic.black[row, column]
            )
            half = light if half is None else half + light
        assert half is not None
        return np.asarray(np.sqrt(np.clip(half / np.float32(self.green.sum()), 0, 1)))


def fill_green(patch: Singles, valid: NDArray[np.bool_] | None) -> Singles:
    """Patches with the sites between green ones set to the mean of their neighbours.

    Parameters
    ----------
    patch : (n, size, size) ndarray of float32
        Light.
    valid : (n, size, size) ndarray of bool or None
        Sites that hold a measurement; None leaves the patches as they are.

    Returns
    -------
    (n, size, size) ndarray of float32
        Light.
    """
    if valid is None:
        return patch
    known = np.pad(np.where(valid, patch, 0), ((0, 0), (1, 1), (1, 1)))
    count = np.pad(valid.astype(np.float32), ((0, 0), (1, 1), (1, 1)))

    def around(a: Singles) -> Singles:
        return a[:, :-2, 1:-1] + a[:, 2:, 1:-1] + a[:, 1:-1, :-2] + a[:, 1:-1, 2:]

    mean = around(known) / np.maximum(around(count), 1)
    return np.where(valid, patch, mean).astype(np.float32)


def light_of(picture: Picture) -> Light:
    """The plane on which a picture's sharpness is measured: the mosaic when there is one.

    Parameters
    ----------
    picture : Picture
        Code values or a mosaic.

    Returns
    -------
    Light
        With its limits of clipping.
    """
    mosaic = picture.mosaic
    if mosaic is not None:
        black = float(mosaic.black.mean())
        span = mosaic.white - black
        plane = _finite(mosaic.raw)
        return Light(plane, picture, mosaic.colours == 1, -np.inf, black + _BRIGHTEST_SITE * span)
    peak = picture.peak
    return Light(_finite(picture.luma), picture, None, _DARKEST * peak, _BRIGHTEST * peak)


def _finite(plane: NDArray[Any]) -> NDArray[Any]:
    """The plane itself, or for floats a copy in which what is no number counts as black."""
    if plane.dtype.kind != "f":
        return plane
    return np.nan_to_num(plane, nan=0.0, posinf=1e6, neginf=0.0)
