"""What a person sees of a frame: thumbnail, crops, and the small grids by which frames are matched."""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor import srgb
from auditor.measure.picture import Mosaic, Picture
from auditor.measure.reduce import area_means
from auditor.record import Place
from auditor.units import BYTE_MIDDLE, WHITE_16

__all__ = ["SmallCopies", "crop_jpeg", "small_copies"]

_THUMB_PX: Final = 160
"""Longer side of a thumbnail (a judgement, no source)."""
_GRID: Final = (24, 16)
"""Columns and rows of the grid of colours, in the shape of most frames."""
_SIGNATURE: Final = (12, 8)
"""The same of the brightnesses by which frames of one scene are found."""
_PER_SD: Final = 48
"""Steps of the signature, about the middle of a byte, per standard deviation of brightness: 2.6 of these fit to either side."""
_PLAIN: Final = 1e-4
"""Standard deviation of the root of light below which a frame is plain, and all of its signature grey."""
_CROP_PX: Final = 128
"""Side of a crop."""
_SMALL_PX: Final = 240
"""Frames are halved while the longer side keeps so many pixels: more than any of the copies needs."""
_FEWER_ROWS: Final = 8 * _SMALL_PX
"""Shorter side of a frame from which on a quarter of its rows is enough: a pixel of the copy is then still the
mean of 16 pixels or more, and a place of the grids of thousands."""
_QUALITY: Final = [cv2.IMWRITE_JPEG_QUALITY, 78]
"""Quality of thumbnails and crops, good enough to look at and small to store (a judgement, no source)."""
_MIRRORED: Final = frozenset({2, 4, 5, 7})
"""Values of Exif's tag Orientation (Exif 2.32) whose frames are shown mirrored left to right."""
_TURNS: Final = {
    3: cv2.ROTATE_180, 4: cv2.ROTATE_180,
    6: cv2.ROTATE_90_CLOCKWISE, 7: cv2.ROTATE_90_CLOCKWISE,
    5: cv2.ROTATE_90_COUNTERCLOCKWISE, 8: cv2.ROTATE_90_COUNTERCLOCKWISE,
}  # fmt: skip
"""How frames are turned after that, by the same tag."""


class SmallCopies(NamedTuple):
    """Small copies of one picture.

    Attributes
    ----------
    thumb_jpeg : bytes
        Upright thumbnail, 160 px on its long side.
    colour_grid : bytes
        See `record.FrameRecord.colour_grid`.
    signature : str
        See `record.FrameRecord.signature`.
    """

    thumb_jpeg: bytes
    colour_grid: bytes
    signature: str


def small_copies(picture: Picture, orientation: int = 1) -> SmallCopies:
    """Make the small copies of one picture.

    Parameters
    ----------
    picture : Picture
        Code values or a mosaic.
    orientation : int
        Exif's, applied to the thumbnail.

    Returns
    -------
    SmallCopies
        Thumbnail, grid of colours and signature.
    """
    small = _small_code(picture)
    light = _small_light(picture, small)
    grid = cv2.resize(light, _GRID, interpolation=cv2.INTER_AREA)
    packed = np.round(grid[..., ::-1].clip(0, 1) * WHITE_16).astype("<u2").tobytes()
    shown = _in_colour(_shown(picture, small)) if _in_bytes(small) else _to_srgb8(light)
    scale = _THUMB_PX / max(shown.shape[:2])
    if scale < 1:
        size = (max(1, round(shown.shape[1] * scale)), max(1, round(shown.shape[0] * scale)))
        shown = cv2.resize(shown, size, interpolation=cv2.INTER_AREA)
    return SmallCopies(_jpeg(_upright(shown, orientation)), packed, _signature(light))


def crop_jpeg(picture: Picture, place: Place | None, orientation: int = 1) -> bytes | None:
    """An upright crop of 128 px around a place, at full size.

    Parameters
    ----------
    picture : Picture
        Code values or a mosaic.
    place : Place or None
        A rectangle of the frame.
    orientation : int
        Exif's, applied to the crop.

    Returns
    -------
    bytes or None
        A JPEG; None without a place.
    """
    if place is None:
        return None
    height, width = picture.shape
    x = min(max(place.x + place.width // 2 - _CROP_PX // 2, 0), max(width - _CROP_PX, 0)) & ~1
    y = min(max(place.y + place.height // 2 - _CROP_PX // 2, 0), max(height - _CROP_PX, 0)) & ~1
    window = np.s_[y : y + _CROP_PX, x : x + _CROP_PX]
    if picture.code is None:
        assert picture.mosaic is not None
        shown = _to_srgb8(_mosaic_light(picture.mosaic, window, step=1))
    else:
        code = picture.code[window]
        shown = _shown(picture, code) if _in_bytes(code) else _to_srgb8(picture.linear(code))
    return _jpeg(_upright(shown, orientation))


def _small_code(picture: Picture) -> NDArray[Any] | None:
    """Code values reduced to some 240 to 480 px on the long side; None of a mosaic."""
    code = picture.code
    if code is not None and min(code.shape[:2]) >= _FEWER_ROWS:
        code = _eighth(code)
    while code is not None and max(code.shape[:2]) >= 2 * _SMALL_PX and min(code.shape[:2]) >= 2:
        code = area_means(code, 2)
    return code


def _eighth(code: NDArray[Any]) -> NDArray[Any]:
    """Means of two rows of every eight over eight columns: half the time that all rows take."""
    half = area_means(code[: len(code) // 8 * 8 : 4], 2)
    width = half.shape[1] // 4
    return np.asarray(
        cv2.resize(half[:, : 4 * width], (width, len(half)), interpolation=cv2.INTER_AREA)
    )


def _in_bytes(code: NDArray[Any] | None) -> bool:
    return code is not None and code.dtype == np.uint8


def _shown(picture: Picture, code: NDArray[Any] | None) -> NDArray[Any]:
    """`_to_srgb8` of 8-bit code values, each of the 256 turned once."""
    assert code is not None
    table = _to_srgb8(picture.linear(np.arange(256, dtype=np.uint8)))
    return np.asarray(cv2.LUT(np.ascontiguousarray(code), table))


def _small_light(picture: Picture, code: NDArray[Any] | None) -> NDArray[Any]:
    """(h, w, 3) linear B, G, R of the same size."""
    if code is None:
        assert picture.mosaic is not None
        shrink = max(1, round(max(picture.shape) / _SMALL_PX / 2))
        return _mosaic_light(picture.mosaic, np.s_[:, :], step=max(1, shrink // 2))
    return _in_colour(picture.linear(code))


def _in_colour(plane: NDArray[Any]) -> NDArray[Any]:
    """(h, w, 3) of a picture in colour or not."""
    return plane if plane.ndim == 3 else cv2.cvtColor(plane, cv2.COLOR_GRAY2BGR)


def _mosaic_light(mosaic: Mosaic, window: Any, step: int) -> NDArray[np.float32]:
    """Half-size colour from a mosaic: every `step`-th 2 x 2 cell, green-balanced, 1 = white."""
    raw = mosaic.raw[window]
    rows, columns = raw.shape[0] // 2 * 2, raw.shape[1] // 2 * 2
    sums: list[NDArray[np.float32] | None] = [None, None, None]
    for dy in range(2):
        for dx in range(2):
            plane = raw[dy:rows:2, dx:columns:2][::step, ::step].astype(np.float32)
            plane = (plane - np.float32(mosaic.black[dy, dx])) / np.float32(
                max(mosaic.white - mosaic.black[dy, dx], 1)
            )
            colour = int(mosaic.colours[dy, dx])
            previous = sums[colour]
            sums[colour] = plane if previous is None else (previous + plane) / 2
    red, green, blue = sums
    assert red is not None
    assert green is not None
    assert blue is not None
    # Grey-world balance is enough for something to look at; colour is never measured on it.
    mean = max(float(green.mean()), 1e-6)
    channels = [c * np.float32(mean / max(float(c.mean()), 1e-6)) for c in (blue, green, red)]
    return np.dstack(channels)


def _to_srgb8(light: NDArray[np.float32]) -> NDArray[Any]:
    return np.round(255 * srgb.encoded(light.clip(0, 1))).astype(np.uint8)


def _signature(light: NDArray[np.float32]) -> str:
    grey = np.sqrt(cv2.resize(light, _SIGNATURE, interpolation=cv2.INTER_AREA).mean(axis=2).clip(0))
    spread = float(grey.std())
    if spread < _PLAIN:
        return f"{BYTE_MIDDLE:02x}" * grey.size
    return (
        np.round(BYTE_MIDDLE + _PER_SD * (grey - grey.mean()) / spread)
        .clip(0, 255)
        .astype(np.uint8)
        .tobytes()
        .hex()
    )


def _upright(shown: NDArray[Any], orientation: int) -> NDArray[Any]:
    if orientation in _MIRRORED:
        shown = np.ascontiguousarray(shown[:, ::-1])
    return cv2.rotate(shown, _TURNS[orientation]) if orientation in _TURNS else shown


def _jpeg(shown: NDArray[Any]) -> bytes:
    return bytes(cv2.imencode(".jpg", shown, _QUALITY)[1])
