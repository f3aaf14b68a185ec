"""What may be dust on the sensor: small round dark places in the smooth parts of a frame.

A grain on the cover of the sensor casts a blurred shadow as wide as the gap over the f-number, the
darker the smaller the aperture. In one frame it is fainter than chance makes places, or can't be told
from a bird or a hole in a cloud; what lies at one place through frames of different scenes can only be
on the sensor. So a frame gives a map of how far every place is darker than its surroundings, and the
local standard deviation of these; inference lays the maps of many frames over each other.
"""

from __future__ import annotations

from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor import srgb
from auditor.measure.picture import Picture
from auditor.measure.reduce import area_means
from auditor.record import DUST_F_NUMBER, DUST_GRID, Dust

__all__ = ["DUST_F_NUMBER", "measure_dust"]

Plane = NDArray[Any]

_GAP_UM: Final = 1500.0
"""Distance of the cover's surface from the pixels: a millimetre or two of glass and filters (common
practice, no source). The filter still holds nine tenths of its contrast at 1.4 times more or less."""
_SENSOR_UM: Final = 29_000.0
"""Long side of the sensor where the pixel pitch is unknown: between the two commonest, 24 and 36 mm."""
_DISC_PX: Final = 5.2
"""Width of a shadow on the plane that is looked at: with 3.75 (and smaller files) a sixth of the faint
spots was lost between the map's places."""
_LONG_PX: Final = 1600
"""Longest side in pixels of that plane."""
_OVERSIZE: Final = 1.5
"""How many times `_LONG_PX` a frame's longer side may be after halving; the rest is taken off in one step."""
_LEAST_PX: Final = 400
"""Short side in pixels below which a frame is too small for a map, and to which a plane is reduced at most: covers
of small sensors lie nearer, and a local standard deviation wants room (a judgement, no source)."""
_FINER: Final = 128
"""Steps into which a code value of 8 bits is divided."""
_BAND: Final = 128
"""Rows worked on at a time, a multiple of any reduction: what lies between stays in the processor's cache."""
_LINEAR_FROM: Final = 0.6
"""Share of its size to which a plane may be reduced by straight lines between its pixels."""
_KERNEL_PX: Final = (9, 9)
"""Pixels across and down over which the two Gaussians below are summed: some three standard deviations to
either side."""
_SCALE: Final = 1.4
"""Standard deviation (px) of the narrower of two Gaussians. With one twice as wide it tells a shadow
from photon noise, JPEG coding and soft clouds as well as any linear filter of 19 x 19 places does (a
signal of 2.53 standard deviations against 2.54, in drawn skies)."""
_WIDER: Final = np.sqrt(3) * _SCALE / 2
"""What turns it into the wider one, in places of the map, which is half as large as the plane."""
_PEAK: Final = 0.386
"""Response to a disc of depth 1 and `_DISC_PX`, the mean over the ways in which it may lie on the map's
places (0.33 to 0.43)."""
_ROUGH: Final = 0.015
"""Local standard deviation (share of light) from which a place is too rough to show dust."""
_LEAST_SD: Final = 1e-4
"""Local standard deviation (share of light) of every place at least: painted or clipped ones have none."""
_LEAST_LIGHT: Final = 1e-6
"""Light, 1 = white, from which on a tone curve has a slope; sampled curves may begin with zeros."""
_MEAN_ROOT: Final = 0.8222
"""Mean root of the size of a standard normal value: 2^(1/4) Gamma(3/4) / sqrt(pi)."""
_BORDER: Final = 3
"""Places along the edge of the map in which nothing is looked for."""
_AROUND: Final = 21
"""Side (places of the map) of the square over which the local standard deviation is taken."""


def measure_dust(
    picture: Picture, f_number: float | None, pitch_um: float | None = None
) -> Dust | None:
    """Map of what may be dust in one frame.

    A difference of Gaussians matched to a shadow's size gives the relative depth of every place; divided by the
    local standard deviation it tells how far a place stands out.

    Parameters
    ----------
    picture : Picture
        Code values or a mosaic.
    f_number : float or None
        Aperture.
    pitch_um : float or None
        Pixel pitch of the file in micrometres.

    Returns
    -------
    Dust or None
        Depths are shares of the light that is lost, whatever the transfer curve. None where the aperture is
        unknown or too wide to show any dust, or all of the frame is too rough.
    """
    if f_number is None or f_number < DUST_F_NUMBER or min(picture.shape) < _LEAST_PX:
        return None
    plane, scale = _small(picture)
    pitch = pitch_um or _SENSOR_UM / max(picture.shape)
    disc = _GAP_UM / f_number / pitch * max(plane.shape) / max(picture.shape)
    share = min(_DISC_PX / disc, _LONG_PX / max(plane.shape), 1.0)
    share = max(share, min(_LEAST_PX / min(plane.shape), 1.0))
    # Even, for the map is half as large.
    width, height = (2 * round(share * side / 2) for side in plane.shape[::-1])
    # Means over areas take four times as long, and are of use only where much is left out.
    interpolation = cv2.INTER_LINEAR if share > _LINEAR_FROM else cv2.INTER_AREA
    plane = cv2.resize(plane, (width, height), interpolation=interpolation).astype(np.float32)
    depth, local_sd = _response(plane, picture, scale)
    rough = local_sd > _ROUGH
    if rough.all():
        return None
    significance = np.where(rough, np.nan, depth / local_sd).astype(np.float32)
    significance[:_BORDER] = significance[-_BORDER:] = np.nan
    significance[:, :_BORDER] = significance[:, -_BORDER:] = np.nan
    cells = cv2.resize(np.minimum(local_sd, _ROUGH), DUST_GRID, interpolation=cv2.INTER_AREA)
    return Dust(significance, cells.astype(np.float32))


def _small(picture: Picture) -> tuple[Plane, float]:
    """Luma reduced to about `_LONG_PX`, (H, W), in code values, and the code value of white."""
    # A power of two: halving is what OpenCV does quickly.
    factor = 1
    while max(picture.shape) > _OVERSIZE * factor * _LONG_PX:
        factor *= 2
    if picture.code is None:
        assert picture.mosaic is not None
        raw, black = picture.mosaic.raw, picture.mosaic.black
        rows, columns = raw.shape[0] // 2 * 2, raw.shape[1] // 2 * 2
        cells = sum(
            raw[dy:rows:2, dx:columns:2].astype(np.float32) - np.float32(black[dy, dx])
            for dy in range(2)
            for dx in range(2)
        )
        white = float(4 * picture.mosaic.white - black.sum())
        return area_means(np.asarray(cells, np.float32), max(1, factor // 2)), white
    code: NDArray[Any] = picture.luma
    if code.dtype == np.uint8:
        # Means of whole code values would be rounded by more than a faint shadow is deep.
        bands = (code[i : i + _BAND] for i in range(0, len(code) // factor * factor, _BAND))
        small = [area_means(np.multiply(b, _FINER, dtype=np.uint16), factor) for b in bands]
        return np.concatenate(small), _FINER * picture.peak
    return area_means(code, factor), picture.peak


def _slope(plane: Plane, picture: Picture, scale: float) -> Plane | float:
    """Factor from a relative difference of the plane's values to one of light."""
    if picture.code is None or picture.transfer == "linear":
        return 1.0
    if picture.transfer == "srgb":
        # d ln L / d ln C of IEC 61966-2-1 above its straight part.
        return np.float32(srgb.POWER) * plane / (plane + np.float32(srgb.OFFSET * scale))
    if isinstance(picture.transfer, tuple):
        share = np.linspace(0, 1, len(picture.transfer))[1:]
        light = np.maximum(picture.transfer[1:], _LEAST_LIGHT)
        exponent = np.gradient(np.log(light), np.log(share))
        return np.interp(plane / scale, share, exponent).astype(np.float32)
    return float(picture.transfer)


def _response(plane: Plane, picture: Picture, scale: float) -> tuple[Plane, Plane]:
    """Depth of a shadow at every place of a map of half the plane's size, and the local standard deviation.

    Parameters
    ----------
    plane : (H, W) ndarray of float32
        Reduced luma.
    picture : Picture
        Owner of the transfer curve.
    scale : float
        Code value of white.

    Returns
    -------
    depth, local_sd : (H // 2, W // 2) ndarray of float32
        Shares of light.
    """
    half = area_means(cv2.GaussianBlur(plane, _KERNEL_PX, _SCALE), 2)
    half = np.maximum(half, np.float32(scale / 255))
    wide = cv2.GaussianBlur(half, _KERNEL_PX, _WIDER)
    depth = np.asarray((wide - half) / wide * _slope(half, picture, scale) / np.float32(_PEAK))
    # The mean root is affected less by a ridge nearby than the mean square.
    root = cv2.blur(np.sqrt(np.abs(depth)), (_AROUND, _AROUND))
    local_sd = root * root * np.float32(1 / _MEAN_ROOT**2)
    return depth, np.maximum(local_sd, np.float32(_LEAST_SD))
