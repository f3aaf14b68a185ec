"""JPEG XL files to code values, by libjxl, HEIC and HEIF files by libheif: loaded only when such a file comes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.content import has_spare_bits
from auditor.measure.isobmff import Container, spans
from auditor.units import BYTE_BITS

__all__ = ["decode_heif", "decode_jxl", "is_jxl", "size_of_jxl"]

_CODESTREAM_MARK: Final = b"\xff\x0a"
_CONTAINER_MARK: Final = b"\x00\x00\x00\x0cJXL \r\n\x87\n"
"""How a bare codestream (ISO/IEC 18181-1) and one in boxes (18181-2) begin."""
_SIDES: Final = ((1, 1), (12, 10), (4, 3), (3, 2), (16, 9), (5, 4), (2, 1))
"""Shapes that the header knows by a number (ISO/IEC 18181-1, size header)."""
_LENGTHS: Final = (9, 13, 18, 30)
"""Bits in which a side may be written."""
_SMALL_PX, _SMALL_BITS = 8, 5
"""Sides of small pictures are so many times as long as the number that these bits hold, and one more."""
_LEAST_BYTES: Final = 16
"""Bytes that hold the longest header of a size: two of the mark and 68 bits."""


def is_jxl(data: bytes) -> bool:
    """Whether a file's content is JPEG XL.

    Parameters
    ----------
    data : bytes
        The file, or its beginning.

    Returns
    -------
    bool
        True for a bare codestream and for one in boxes.
    """
    return data.startswith((_CODESTREAM_MARK, _CONTAINER_MARK))


def _codestream(data: bytes) -> bytes:
    """The beginning of the codestream. Raises ValueError where the boxes hold none."""
    if data.startswith(_CODESTREAM_MARK):
        return data[:32]
    for kind, start, _ in spans(data):
        if kind in (b"jxlc", b"jxlp"):
            first = start + 4 * (kind == b"jxlp")
            return data[first : first + 32]
    raise ValueError("no picture in the boxes")


def size_of_jxl(data: bytes) -> tuple[int, int]:
    """Size of a JPEG XL picture from its header.

    Parameters
    ----------
    data : bytes
        The whole file.

    Returns
    -------
    width, height : int
        Pixels, as the picture is shown.

    Raises
    ------
    ValueError
        When there is no header.

    References
    ----------
    ISO/IEC 18181-1, size header.
    """
    head = _codestream(data)
    if not head.startswith(_CODESTREAM_MARK) or len(head) < _LEAST_BYTES:
        raise ValueError("no header")
    bits, at = int.from_bytes(head[2:], "little"), 0

    def take(count: int) -> int:
        nonlocal at
        value = (bits >> at) & ((1 << count) - 1)
        at += count
        return value

    def side(small: bool) -> int:
        if small:
            return _SMALL_PX * (take(_SMALL_BITS) + 1)
        return take(_LENGTHS[take(2)]) + 1

    small = bool(take(1))
    height = side(small)
    shape = take(3)
    if shape:
        across, down = _SIDES[shape - 1]
        return height * across // down, height
    return side(small), height


def decode_jxl(
    data: bytes, check_size: Callable[[int, int], None]
) -> tuple[NDArray[Any] | bytes, bytes | None]:
    """Code values of a JPEG XL file, turned as the picture is shown, and its colour profile.

    Parameters
    ----------
    data : bytes
        The whole file.
    check_size : callable
        Called with width and height before anything is decoded; raises to refuse.

    Returns
    -------
    code : (H, W, 3) or (H, W) ndarray, or bytes
        B, G, R order; or the JPEG file that was packed into this one without loss.
    icc : bytes or None
        Colour profile.

    Raises
    ------
    ValueError, RuntimeError, OSError
        As the library says, for damaged files.
    """
    from pillow_jxl import Decoder

    check_size(*size_of_jxl(data))
    was_jpeg, info, pixels, icc, _ = Decoder(num_threads=0)(data)
    if was_jpeg:
        return bytes(pixels), icc or None
    kind = {"I;16": "<u2", "F": "<f4", "F;16": "<f2"}.get(info.mode, "u1")
    values = np.frombuffer(pixels, kind)
    code = values.reshape(info.height, info.width, -1)
    if code.shape[2] < 3:
        return np.ascontiguousarray(code[..., 0]), icc or None
    return np.ascontiguousarray(code[..., 2::-1]), icc or None


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
