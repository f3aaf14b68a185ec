"""Raw files: the mosaic of the sensor, or the largest preview where that cannot be read."""

from __future__ import annotations

import io
from typing import Any, Final

import cv2
import numpy as np

from auditor.measure.content import Undecodable, check_size, imdecode, luma_steps, raw_refusal
from auditor.measure.picture import Mosaic, Picture

__all__ = ["decode_raw"]

_FULL_SIZE: Final = 0.8
"""Share of the sensor's pixels from which on a preview is one of full size: it may lack the borders
(common practice, no source)."""


def decode_raw(data: bytes, suffix: str, max_pixels: int) -> Picture:
    """Mosaic of a raw file, else its largest preview.

    Parameters
    ----------
    data : bytes
        The whole file.
    suffix : str
        Ending of its name, which tells linear DNG.
    max_pixels : int
        Refuse larger pictures.

    Returns
    -------
    Picture
        With a mosaic, or with code values and a note.

    Raises
    ------
    Undecodable
        When neither can be read.
    """
    import rawpy

    try:
        with rawpy.imread(io.BytesIO(data)) as raw:
            sizes = raw.sizes
            check_size(sizes.width, sizes.height, max_pixels)
            unread = None
            try:
                mosaic = _mosaic(raw)
            except Exception as error:
                mosaic, unread = None, error
            if mosaic is not None:
                return Picture(None, "linear", mosaic)
            picture = _preview(raw)
            if picture is None and unread is None:
                picture = _light(raw) if suffix == ".dng" else None
            if picture is None and unread is not None:
                raise raw_refusal(unread)
            if picture is None:
                raise Undecodable("the raw data has no readable mosaic and no full-size preview")
            return picture
    except Undecodable:
        raise
    except Exception as error:
        raise raw_refusal(error) from error


def _mosaic(raw: Any) -> Mosaic | None:
    """The visible sensor area, or None when it is no two-by-two red-green-blue mosaic.

    Raises
    ------
    Exception
        The decoder's own, where the data can't be read.
    """
    visible = raw.raw_image_visible
    try:
        pattern = raw.raw_colors_visible[:2, :2]
        names = raw.color_desc.decode("ascii", "replace")
        tile = np.shape(raw.raw_pattern)
    except Exception:
        return None
    if visible is None or visible.ndim != 2 or tile != (2, 2):
        return None
    index = {"R": 0, "G": 1, "B": 2}
    if any(names[i] not in index for i in np.unique(pattern)):
        return None
    colours = np.array([[index[names[i]] for i in row] for row in pattern])
    if sorted(colours.flat) != [0, 1, 1, 2]:
        return None
    levels = np.asarray(raw.black_level_per_channel, float)
    return Mosaic(visible.copy(), colours, levels[pattern], float(raw.white_level))


def _preview(raw: Any) -> Picture | None:
    """The largest embedded JPEG, when the sensor data has no readable mosaic; None where it is small."""
    import rawpy

    try:
        thumb = raw.extract_thumb()
    except rawpy.LibRawError:
        return None
    if thumb.format != rawpy.ThumbFormat.JPEG:
        return None
    code = imdecode(thumb.data, cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
    whole = raw.sizes.width * raw.sizes.height
    if code is None or code.shape[0] * code.shape[1] < _FULL_SIZE * whole:
        return None
    return Picture(
        code,
        "srgb",
        lossy=True,
        luma_steps=luma_steps(thumb.data),
        note="measured on the embedded preview, not on raw data",
    )


def _light(raw: Any) -> Picture | None:
    """Raw data without a mosaic (linear DNG, sensors without colours) as linear light; None of any other."""
    visible = raw.raw_image_visible
    if visible is None or (visible.ndim == 2 and raw.num_colors != 1):
        return None
    channels = 1 if visible.ndim == 2 else 3  # with some files an empty fourth follows
    black = np.asarray(raw.black_level_per_channel[:channels], np.float32)
    light = visible.reshape(*visible.shape[:2], -1)[..., :channels].astype(np.float32) - black
    light = (light / (np.float32(raw.white_level) - black)).clip(0, 1)
    return Picture(np.ascontiguousarray(light[..., ::-1].squeeze()), "linear")
