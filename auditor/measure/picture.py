"""One decoded frame, as the measurements see it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor import srgb
from auditor.measure.reduce import area_means

__all__ = ["SPARSE", "Mosaic", "Picture", "Transfer"]

SPARSE: Final = 16
"""Every so many rows and columns tell what holds for all of a picture: its median, whether it is grey or holds more
than what decoders fill up with."""

Transfer = Literal["srgb", "linear"] | float | tuple[float, ...]
"""The curve between code values and light: IEC 61966-2-1, none, a plain power (e.g. 2.2), or light at even
steps of code, 1 = white."""


def _linearise(share: NDArray[np.float32], transfer: Transfer) -> NDArray[np.float32]:
    if transfer == "linear":
        return share
    if transfer == "srgb":
        # As `srgb.linear`, in single precision.
        above = np.maximum((share + srgb.OFFSET) / (1 + srgb.OFFSET), 0)
        curve = np.power(above, srgb.POWER, dtype=np.float32)
        return np.where(share <= srgb.CODE_FROM, share / np.float32(srgb.LINE), curve)
    if isinstance(transfer, tuple):
        steps = np.linspace(0, 1, len(transfer))
        return np.interp(share, steps, transfer).astype(np.float32)
    return np.power(np.maximum(share, 0), np.float32(transfer), dtype=np.float32)


@dataclass(frozen=True)
class Mosaic:
    """Undemosaiced sensor data of the visible area.

    Attributes
    ----------
    raw : (H, W) ndarray of uint16 or float32
        Data numbers (DN) as stored, black level not yet taken off.
    colours : (2, 2) ndarray of int
        Colour at (y % 2, x % 2): 0 red, 1 green, 2 blue.
    black : (2, 2) ndarray of float64
        Black level in DN at (y % 2, x % 2).
    white : float
        Saturation level in DN, black level included.
    """

    raw: NDArray[Any]
    colours: NDArray[np.int_]
    black: NDArray[np.float64]
    white: float


@dataclass(frozen=True)
class Picture:
    """Code values of a frame in the sensor's own orientation (no rotation by EXIF applied).

    Attributes
    ----------
    code : (H, W, 3) or (H, W) ndarray, or None
        In B, G, R order, or monochrome; uint8, uint16, or float32 in 0..1. None when only a mosaic was read.
    transfer : Transfer
        Curve between code and light.
    mosaic : Mosaic or None
        Sensor data, for raw files that could be read.
    lossy : bool
        Whether coding in blocks with losses (JPEG, WebP, HEVC, AV1) lies behind the values.
    luma_steps : (8, 8) ndarray of float64 or None
        Code values to which JPEG rounded the luma's cosine coefficients, by frequency down and across; None
        for other files.
    note : str or None
        Plain words on how it was decoded, when that matters.
    orientation : int or None
        How a viewer is to turn the frame, as an Exif value, where the container says so (HEIF, AVIF); it
        takes precedence over Exif's. None where Exif alone tells.
    """

    code: NDArray[Any] | None
    transfer: Transfer = "srgb"
    mosaic: Mosaic | None = None
    lossy: bool = False
    luma_steps: NDArray[np.float64] | None = None
    note: str | None = None
    orientation: int | None = None

    @property
    def shape(self) -> tuple[int, int]:
        """(height, width) in pixels."""
        array = self.code if self.code is not None else self.mosaic.raw  # type: ignore[union-attr]
        return int(array.shape[0]), int(array.shape[1])

    @property
    def monochrome(self) -> bool:
        """Whether there is one channel of code values."""
        return self.code is not None and self.code.ndim == 2

    @property
    def peak(self) -> float:
        """Code value of white: 255, 65535, or 1."""
        assert self.code is not None, "a mosaic has no code values"
        return float(np.iinfo(self.code.dtype).max) if self.code.dtype.kind == "u" else 1.0

    @cached_property
    def luma(self) -> NDArray[Any]:
        """(H, W) luma (BT.601 weights on code values), same type as `code`.

        For JPEG files this is the coded Y plane to within rounding: the subsampled chroma planes
        cancel out in these weights, except where a colour was clipped.
        """
        assert self.code is not None, "a mosaic has no luma"
        if self.code.ndim == 2:
            return self.code
        return cv2.cvtColor(self.code, cv2.COLOR_BGR2GRAY)

    @cached_property
    def half_luma(self) -> NDArray[Any]:
        """(H // 2, W // 2) means of 2 x 2 pixels of `luma`, same type."""
        return area_means(self.luma, 2)

    @cached_property
    def _table(self) -> NDArray[np.float32]:
        n = int(self.peak) + 1
        return _linearise(np.arange(n, dtype=np.float32) / np.float32(n - 1), self.transfer)

    def linear(self, code: NDArray[Any]) -> NDArray[np.float32]:
        """Linear light of code values of this picture.

        Parameters
        ----------
        code : ndarray
            Code values of any shape, in the type of `code`.

        Returns
        -------
        ndarray of float32
            Light, 1 = white, of the same shape.
        """
        if code.dtype == np.uint8 and code.size:
            # The same values as by indexing, seven times as quick.
            flat = np.ascontiguousarray(code).reshape(1, -1)
            return np.asarray(cv2.LUT(flat, self._table), np.float32).reshape(code.shape)
        if code.dtype.kind == "u":
            return self._table[code]
        return _linearise(code.astype(np.float32), self.transfer)
