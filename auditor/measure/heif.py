"""HEIC and HEIF files to code values, by libheif; loaded only when such a file comes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from auditor.measure.content import has_spare_bits
from auditor.measure.isobmff import Container
from auditor.units import BYTE_BITS

__all__ = ["decode_heif"]


def decode_heif(
    data: bytes, container: Container, check_size: Callable[[int, int], None]
) -> tuple[NDArray[Any], bytes | None]:
    """Code values of a HEIC or HEIF file as stored, and its colour profile.

    The decoder turns the picture as the container says; that is undone, so that pixels lie as the sensor has
    them.

    Parameters
    ----------
    data : bytes
        The whole file.
    container : Container
        What the container says of the main picture.
    check_size : callable
        Called with width and height before anything is decoded; raises to refuse.

    Returns
    -------
    code : (H, W, 3) or (H, W) ndarray
        B, G, R order; uint8 of 8-bit files, of deeper ones uint16 with white at 65535.
    icc : bytes or None
        Colour profile.

    Raises
    ------
    ValueError, RuntimeError, OSError
        As the library says, for damaged files.
    """
    import pillow_heif

    pillow_heif.options.DECODE_THREADS = 1  # there is a decoder process for every core
    file = pillow_heif.open_heif(data, convert_hdr_to_8bit=False, bgr_mode=True)
    check_size(*file.size)
    depth = int(file.info.get("bit_depth") or BYTE_BITS)
    code = np.asarray(file)
    if code.ndim == 3:
        code = code[..., 0] if code.shape[2] < 3 else code[..., :3]
    if has_spare_bits(code, depth):
        code = code | (code >> depth)  # values come shifted to the top; white becomes all ones
    icc = file.info.get("icc_profile")
    return np.ascontiguousarray(container.stored(code)), icc if isinstance(icc, bytes) else None
