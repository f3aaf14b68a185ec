"""File content to `Picture`, from memory; refuses what can't be measured with one line of reason."""

from __future__ import annotations

import contextlib
from pathlib import PurePath
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor.crawl.suffixes import RAW_SUFFIXES
from auditor.measure.content import (
    MAX_PIXELS,
    Undecodable,
    begins_as_raw,
    check_size,
    has_spare_bits,
    header_of,
    imdecode,
    tiff_page,
)
from auditor.measure.heif_jxl import decode_heif, decode_jxl, is_jxl
from auditor.measure.icc_profiles import curve_number, transfer_from_icc
from auditor.measure.isobmff import is_container, read_container
from auditor.measure.picture import SPARSE, Picture, Transfer
from auditor.measure.raw import decode_raw
from auditor.units import BYTE_BITS, BYTE_MIDDLE, WHITE_16

__all__ = ["Undecodable", "decode"]

_CURVES: Final[dict[int, Transfer]] = {4: 2.2, 5: 2.8, 8: "linear", 13: "srgb"}
"""Transfer characteristics of ITU-T H.273, table 3 (numbers from memory). The curves for film and
video (1, 6, 14, 15) stand in still pictures for sRGB, which screens show them by."""

_HDR_CURVES: Final = {16: "PQ", 18: "HLG"}
"""Those of the same table that are made for bright screens."""

_JPEG2000_DEPTH_AT: Final = 42
"""Bytes from a JPEG 2000 codestream's start to the depth of its first component (ISO/IEC 15444-1, SIZ)."""
_PNG_CURVE: Final = b"\0\0\0\4cICP"
"""Head of the chunk of PNG whose second byte names the tone curve by H.273 (third edition, 11.3.2.6)."""
_INTEGERS_FROM: Final = 1.5
"""Median of a floating-point picture from which on it holds integer code values: merges of several exposures
keep light far above white, but not most of their picture (common practice, no source)."""


def decode(
    data: bytes,
    name: str,
    *,
    icc: bytes | None = None,
    fallback_transfer: Transfer = "srgb",
    max_pixels: int = MAX_PIXELS,
) -> Picture:
    """Decode one file's content.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        Its name; only the suffix is used, to tell raw files from TIFF. Without one a file that LibRaw can
        read as raw is raw.
    icc : bytes or None
        Embedded colour profile, for its tone curve.
    fallback_transfer : Transfer
        Curve to assume when there is no profile.
    max_pixels : int
        Refuse larger pictures from the header.

    Returns
    -------
    Picture
        Code values, or the mosaic of a raw file.

    Raises
    ------
    Undecodable
        With the reason, when there is nothing to measure.
    """
    suffix = PurePath(name).suffix.lower()
    if not data:
        raise Undecodable("the file is empty")
    # Some programs keep the raw file's name for the JPEG they make of it.
    if suffix in RAW_SUFFIXES and not data.startswith(b"\xff\xd8\xff"):
        if not begins_as_raw(data, suffix):
            raise Undecodable("not a picture, whatever its name says")
        return decode_raw(data, suffix, max_pixels)
    if not suffix and _may_be_raw(data):
        with contextlib.suppress(Undecodable):  # then it is what its first bytes say
            return decode_raw(data, suffix, max_pixels)
    if is_container(data):
        return _decode_container(data, icc, fallback_transfer, max_pixels)
    if is_jxl(data):
        return _decode_jxl(data, icc, fallback_transfer, max_pixels)
    width, height, kind, mode, steps = header_of(data, suffix)
    check_size(width, height, max_pixels)
    if mode == "1":
        raise Undecodable("a 1-bit picture has no tones to measure")
    if kind == "JPEG" and _breaks_off(data):
        raise Undecodable("the file is truncated: its picture data breaks off")
    if kind == "PNG":
        _refuse_hdr(_curve_of_png(data))
    flags = cv2.IMREAD_ANYDEPTH | cv2.IMREAD_IGNORE_ORIENTATION
    flags |= cv2.IMREAD_GRAYSCALE if mode in ("L", "I;16", "I;16B", "I", "F") else cv2.IMREAD_COLOR
    page = tiff_page(data) if kind == "TIFF" else None
    if page is not None and page.right_at_8_bits_only:
        flags &= ~cv2.IMREAD_ANYDEPTH
    code = imdecode(data, flags)
    if code is None:
        raise Undecodable(f"the {kind} data can't be decoded: damaged, or of an unusual kind")
    if kind == "JPEG" and _ends_in_filler(code):
        raise Undecodable("the picture data is damaged: the lower part of the frame is missing")
    if kind == "JPEG2000":
        code = _to_top(code, _depth_of_jpeg2000(data))
    code, transfer = _normalise(code, _transfer(icc), fallback_transfer)
    lossy = kind in ("JPEG", "MPO", "WEBP", "JPEG2000") or (page is not None and page.is_jpeg)
    return Picture(code, transfer, lossy=lossy, luma_steps=steps)


def _may_be_raw(data: bytes) -> bool:
    """Whether a file of unknown name can be a raw file; most of these begin as TIFF does."""
    begins = (b"II", b"MM", b"FUJIFILM", b"\x00MRM", b"FOVb")
    return data.startswith(begins) or data[4:12] == b"ftypcrx "


def _decode_container(
    data: bytes, icc: bytes | None, fallback: Transfer, max_pixels: int
) -> Picture:
    """HEIF and AVIF, with the turn that the container asks for left to `Picture.orientation`."""
    container = read_container(data)
    _refuse_hdr(container.curve)
    if not container.whole:
        raise Undecodable("the file is truncated: its picture data breaks off")
    if data[8:12] in (b"avif", b"avis"):
        width, height, kind, *_ = header_of(data, ".avif")
        check_size(width, height, max_pixels)
        flags = cv2.IMREAD_ANYDEPTH | cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION
        code = imdecode(data, flags)
        depth = container.depth or BYTE_BITS
        code = None if code is None else _to_top(code, depth)
    else:
        kind = "HEIC"
        try:
            code, own = decode_heif(data, container, lambda w, h: check_size(w, h, max_pixels))
        except Undecodable:
            raise
        except Exception as error:
            raise Undecodable(
                "the HEIC data can't be decoded: damaged, or of an unusual kind"
            ) from error
        icc = icc or own
    if code is None:
        raise Undecodable(f"the {kind} data can't be decoded: damaged, or of an unusual kind")
    transfer = _transfer(icc) or _CURVES.get(container.curve or 0)
    code, transfer = _normalise(code, transfer, fallback)
    return Picture(code, transfer, lossy=True, orientation=container.orientation)


def _to_top(code: NDArray[Any], depth: int) -> NDArray[Any]:
    """16-bit code values of fewer bits, moved up so that white becomes 65535."""
    if not has_spare_bits(code, depth):
        return code
    spare = 2 * BYTE_BITS - depth
    return (code << spare) | (code >> (depth - spare))


def _depth_of_jpeg2000(data: bytes) -> int:
    """Bits of the first component (ISO/IEC 15444-1, SIZ marker); 8 where that can't be told."""
    at = data.find(b"\xff\x4f\xff\x51")
    if not 0 <= at < len(data) - _JPEG2000_DEPTH_AT:
        return BYTE_BITS
    return (data[at + _JPEG2000_DEPTH_AT] & 0x7F) + 1


def _curve_of_png(data: bytes) -> int | None:
    """Transfer characteristic (ITU-T H.273) that a PNG names before its pixels (third edition, cICP)."""
    at = data.find(_PNG_CURVE, 0, data.find(b"IDAT"))
    second = at + len(_PNG_CURVE) + 1
    return int.from_bytes(data[second : second + 1]) if at >= 0 else None


def _decode_jxl(data: bytes, icc: bytes | None, fallback: Transfer, max_pixels: int) -> Picture:
    """JPEG XL; a JPEG packed into it is measured as the JPEG that it was."""
    damaged = "the JPEG XL data can't be decoded: damaged, or of an unusual kind"
    try:
        code, own = decode_jxl(data, lambda w, h: check_size(w, h, max_pixels))
    except (Undecodable, MemoryError):
        raise
    except Exception as error:
        raise Undecodable(damaged) from error
    icc = icc or own
    if isinstance(code, bytes):
        return decode(code, ".jpg", icc=icc, fallback_transfer=fallback, max_pixels=max_pixels)
    code, transfer = _normalise(code, _transfer(icc), fallback)
    return Picture(code, transfer, lossy=True, orientation=1)  # the library has turned it


def _transfer(icc: bytes | None) -> Transfer | None:
    """Tone curve that a profile states, if any; refuses those for bright screens."""
    _refuse_hdr(curve_number(icc))
    return transfer_from_icc(icc) if icc else None


def _refuse_hdr(curve: int | None) -> None:
    if curve in _HDR_CURVES:
        raise Undecodable(
            f"written with the {_HDR_CURVES[curve]} tone curve for bright screens, "
            "which is not measured; export as JPEG or TIFF to audit"
        )


def _breaks_off(data: bytes) -> bool:
    """Whether a JPEG has no end-of-image marker after the start of its own scan."""
    at = 2
    while at + 4 <= len(data):
        if data[at] != 0xFF:
            return False
        marker = data[at + 1]
        if marker == 0xFF:
            at += 1
        elif marker == 0xDA:
            return data.rfind(b"\xff\xd9") < at  # from the end: it is nearly always there
        elif marker in (0x01, *range(0xD0, 0xD9)):
            at += 2
        else:
            at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return True


def _ends_in_filler(code: NDArray[Any]) -> bool:
    """Whether the last rows are the plain mid-grey with which decoders fill up missing data."""
    rows = code[-8:]
    return bool((rows == BYTE_MIDDLE).all()) and not bool(
        (code[::SPARSE, ::SPARSE] == BYTE_MIDDLE).all()
    )


def _normalise(
    code: NDArray[Any], transfer: Transfer | None, fallback: Transfer
) -> tuple[NDArray[Any], Transfer]:
    """uint8 and uint16 as they are; everything else to float32 in 0..1."""
    if code.dtype in (np.uint8, np.uint16):
        return code, transfer or fallback
    if code.dtype.kind in "iu":
        top = float(np.iinfo(code.dtype).max)
        return (code.astype(np.float32) / np.float32(top)).clip(0, 1), transfer or fallback
    finite = np.nan_to_num(code.astype(np.float32), nan=0.0, posinf=1.0, neginf=0.0)
    top = float(finite.max(initial=0.0))
    if float(np.median(finite[::SPARSE, ::SPARSE])) > _INTEGERS_FROM:
        # Floating-point files of scans and merges often keep integer code values.
        finite = finite / np.float32(255 if top <= 255 else max(top, WHITE_16))
    # Floating-point pictures hold linear light by custom unless a profile says otherwise.
    return finite.clip(0, 1), transfer or "linear"
