"""File content to `Picture`, from memory; refuses what can't be measured with one line of reason."""

from __future__ import annotations

import contextlib
import io
import struct
import warnings
from collections.abc import Iterator
from pathlib import PurePath
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor.crawl.kinds import RAW_SUFFIXES
from auditor.measure.boxes import is_container, read_container
from auditor.measure.heif import decode_heif
from auditor.measure.jxl import decode_jxl, is_jxl
from auditor.measure.picture import Mosaic, Picture, Transfer
from auditor.measure.refusals import Undecodable, begins_as_raw, header_refusal, raw_refusal

__all__ = [
    "MAX_PIXELS",
    "MIN_PIXELS",
    "Undecodable",
    "decode",
    "luma_steps",
    "transfer_from_icc",
]

MAX_PIXELS: Final = 300_000_000
"""Larger pictures are refused from their header, before any decoding."""

MIN_PIXELS: Final = 30_000
"""Smaller pictures (icons, thumbnails) hold too little to measure."""


_CURVES: Final[dict[int, Transfer]] = {4: 2.2, 5: 2.8, 8: "linear", 13: "srgb"}
"""Transfer characteristics of ITU-T H.273, table 3 (numbers from memory). The curves for film and
video (1, 6, 14, 15) stand in still pictures for sRGB, which screens show them by."""

_HDR_CURVES: Final = {16: "PQ", 18: "HLG"}


def decode(
    data: bytes,
    name: str,
    *,
    icc: bytes | None = None,
    fallback_transfer: Transfer = "srgb",
    max_pixels: int = MAX_PIXELS,
) -> Picture:
    """Decode one file's content.

    Args:
        data: the whole file.
        name: its name; only the suffix is used, to tell raw files from TIFF. Without one a file
            that LibRaw can read as raw is raw.
        icc: embedded colour profile, for its tone curve.
        fallback_transfer: curve to assume when there is no profile.
        max_pixels: refuse larger pictures from the header.

    Raises:
        Undecodable: with the reason, when there is nothing to measure.
    """
    suffix = PurePath(name).suffix.lower()
    if not data:
        raise Undecodable("the file is empty")
    # Some programs keep the raw file's name for the JPEG they make of it.
    if suffix in RAW_SUFFIXES and not data.startswith(b"\xff\xd8\xff"):
        if not begins_as_raw(data, suffix):
            raise raw_refusal(data, suffix, None)
        return _decode_raw(data, suffix, max_pixels)
    if not suffix and _may_be_raw(data):
        with contextlib.suppress(Undecodable):  # then it is what its first bytes say
            return _decode_raw(data, suffix, max_pixels)
    if is_container(data):
        return _decode_container(data, icc, fallback_transfer, max_pixels)
    if is_jxl(data):
        return _decode_jxl(data, icc, fallback_transfer, max_pixels)
    width, height, kind, mode, steps = _header(data, suffix)
    _check_size(width, height, max_pixels)
    if mode == "1":
        raise Undecodable("a 1-bit picture has no tones to measure")
    if kind == "JPEG" and _breaks_off(data):
        raise Undecodable("the file is truncated: its picture data breaks off")
    flags = cv2.IMREAD_ANYDEPTH | cv2.IMREAD_IGNORE_ORIENTATION
    flags |= cv2.IMREAD_GRAYSCALE if mode in ("L", "I;16", "I;16B", "I", "F") else cv2.IMREAD_COLOR
    code = _imdecode(data, flags)
    if code is None:
        raise Undecodable(f"the {kind} data can't be decoded: damaged, or of an unusual kind")
    if kind == "JPEG" and _ends_in_filler(code):
        raise Undecodable("the picture data is damaged: the lower part of the frame is missing")
    if kind == "JPEG2000":
        code = _to_top(code, _depth_of_jpeg2000(data))
    code, transfer = _normalise(code, transfer_from_icc(icc) if icc else None, fallback_transfer)
    lossy = kind in ("JPEG", "MPO", "WEBP", "JPEG2000")
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
    _refuse_bright_screens(container.curve)
    if not container.whole:
        raise Undecodable("the file is truncated: its picture data breaks off")
    if data[8:12] in (b"avif", b"avis"):
        width, height, kind, *_ = _header(data, ".avif")
        _check_size(width, height, max_pixels)
        flags = cv2.IMREAD_ANYDEPTH | cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION
        code = _imdecode(data, flags)
        depth = container.depth or 8
        code = None if code is None else _to_top(code, depth)
    else:
        kind = "HEIC"
        try:
            code, own = decode_heif(data, container, lambda w, h: _check_size(w, h, max_pixels))
        except Undecodable:
            raise
        except Exception as error:
            raise Undecodable(
                "the HEIC data can't be decoded: damaged, or of an unusual kind"
            ) from error
        icc = icc or own
    if code is None:
        raise Undecodable(f"the {kind} data can't be decoded: damaged, or of an unusual kind")
    known = transfer_from_icc(icc) if icc else None
    known = known or _CURVES.get(container.curve or 0)
    code, transfer = _normalise(code, known, fallback)
    return Picture(code, transfer, lossy=True, orientation=container.orientation)


def _to_top(code: NDArray[Any], depth: int) -> NDArray[Any]:
    """16-bit code values of fewer bits, moved up so that white becomes 65535."""
    if code.dtype != np.uint16 or not 8 < depth < 16:
        return code
    return (code << (16 - depth)) | (code >> (2 * depth - 16))


def _depth_of_jpeg2000(data: bytes) -> int:
    """Bits of the first component (ISO/IEC 15444-1, SIZ marker); 8 where that can't be told."""
    at = data.find(b"\xff\x4f\xff\x51")
    return (data[at + 42] & 0x7F) + 1 if 0 <= at < len(data) - 42 else 8


def _decode_jxl(data: bytes, icc: bytes | None, fallback: Transfer, max_pixels: int) -> Picture:
    """JPEG XL; a JPEG packed into it is measured as the JPEG that it was."""
    damaged = "the JPEG XL data can't be decoded: damaged, or of an unusual kind"
    try:
        code, own = decode_jxl(data, lambda w, h: _check_size(w, h, max_pixels))
    except (Undecodable, MemoryError):
        raise
    except Exception as error:
        raise Undecodable(damaged) from error
    icc = icc or own
    if isinstance(code, bytes):
        return decode(code, ".jpg", icc=icc, fallback_transfer=fallback, max_pixels=max_pixels)
    _refuse_bright_screens(_curve_number(icc))
    code, transfer = _normalise(code, transfer_from_icc(icc) if icc else None, fallback)
    return Picture(code, transfer, lossy=True, orientation=1)  # the library has turned it


def _curve_number(icc: bytes | None) -> int | None:
    """The transfer characteristic that a profile names (ICC.1:2022, cicpType), None where it doesn't."""
    at = (icc or b"").find(b"cicp\0\0\0\0")
    return icc[at + 9] if icc and 0 <= at < len(icc) - 9 else None


def _refuse_bright_screens(curve: int | None) -> None:
    if curve in _HDR_CURVES:
        raise Undecodable(
            f"written with the {_HDR_CURVES[curve]} tone curve for bright screens, "
            "which is not measured; export as JPEG or TIFF to audit"
        )


def _check_size(width: int, height: int, max_pixels: int) -> None:
    if width * height > max_pixels:
        millions = width * height / 1e6
        raise Undecodable(
            f"claims {width} x {height} pixels ({millions:.0f} million); "
            f"the limit is {max_pixels / 1e6:.0f} million (--max-megapixels)"
        )
    if width * height < MIN_PIXELS:
        raise Undecodable(f"only {width} x {height} pixels: too small to measure")


@contextlib.contextmanager
def _opened(data: bytes) -> Iterator[Any]:
    """The picture's header, whatever size it claims; nothing is decoded."""
    from PIL import Image

    limit, Image.MAX_IMAGE_PIXELS = Image.MAX_IMAGE_PIXELS, None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(data)) as header:
                yield header
    finally:
        Image.MAX_IMAGE_PIXELS = limit


def _header(data: bytes, suffix: str) -> tuple[int, int, str, str, NDArray[np.float64] | None]:
    """Width, height, format name, mode and `luma_steps` from the header alone."""
    try:
        with _opened(data) as header:
            steps = _steps_of(header)
            return header.width, header.height, str(header.format), header.mode, steps
    except Exception as error:
        raise header_refusal(data, suffix) from error


def luma_steps(data: bytes) -> NDArray[np.float64] | None:
    """Steps of the luma's cosine coefficients, (8, 8) by frequency down and across; None if no JPEG."""
    try:
        with _opened(data) as header:
            return _steps_of(header)
    except Exception:  # what is damaged there may be decoded all the same
        return None


def _steps_of(header: Any) -> NDArray[np.float64] | None:
    """As `luma_steps`, of an opened picture; None where its tables are damaged."""
    if header.format not in ("JPEG", "MPO") or header.mode not in ("L", "RGB"):
        return None
    try:
        return np.array(header.quantization[header.layer[0][3]], float).reshape(8, 8)
    except (KeyError, IndexError, ValueError):
        return None


def _imdecode(data: bytes, flags: int) -> NDArray[Any] | None:
    try:
        return cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    except (cv2.error, MemoryError):
        return None


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
    return bool((rows == 128).all()) and not bool((code[::16, ::16] == 128).all())


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
    if top > 1.5:
        # Floating-point files of scans and merges often keep integer code values.
        finite = finite / np.float32(255 if top <= 255 else 65535 if top <= 65535 else top)
    # Floating-point pictures hold linear light by custom unless a profile says otherwise.
    return finite.clip(0, 1), transfer or "linear"


def _decode_raw(data: bytes, suffix: str, max_pixels: int) -> Picture:
    import rawpy

    try:
        with rawpy.imread(io.BytesIO(data)) as raw:
            sizes = raw.sizes
            _check_size(sizes.width, sizes.height, max_pixels)
            unread = None
            try:
                mosaic = _mosaic(raw)
            except Exception as error:
                mosaic, unread = None, error
            if mosaic is not None:
                return Picture(None, "linear", mosaic)
            try:
                return _preview(raw)
            except Exception as error:
                raise (raw_refusal(data, suffix, unread) if unread else error) from error
    except Undecodable:
        raise
    except Exception as error:
        raise raw_refusal(data, suffix, error) from error


def _mosaic(raw: Any) -> Mosaic | None:
    """The visible sensor area, or None when it is no two-by-two red-green-blue mosaic.

    Raises:
        Exception: the decoder's own, where the data can't be read.
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
    if (colours == 1).sum() != 2:
        return None
    levels = np.asarray(raw.black_level_per_channel, float)
    return Mosaic(
        visible.copy(),
        colours,
        levels[pattern],
        float(raw.white_level),
        _masked(raw, visible.shape),
    )


_STRIP: Final = 64
"""Rows or columns of a masked strip that are kept, next to the visible area."""


def _masked(raw: Any, visible: tuple[int, ...]) -> tuple[NDArray[Any], ...]:
    """Copies of the strips above, left of, right of and below the visible sensor area."""
    whole, sizes = raw.raw_image, raw.sizes
    if whole is None or whole.ndim != 2:
        return ()
    top, left = int(sizes.top_margin), int(sizes.left_margin)
    bottom, right = top + visible[0], left + visible[1]
    strips = (
        whole[max(0, top - _STRIP) : top],
        whole[top:bottom, max(0, left - _STRIP) : left],
        whole[top:bottom, right : right + _STRIP],
        whole[bottom : bottom + _STRIP],
    )
    return tuple(strip.copy() for strip in strips if strip.size)


def _preview(raw: Any) -> Picture:
    """The largest embedded JPEG, when the sensor data has no readable mosaic."""
    import rawpy

    thumb = raw.extract_thumb()
    if thumb.format != rawpy.ThumbFormat.JPEG:
        raise Undecodable("the raw data has no readable mosaic and no full-size preview")
    code = _imdecode(thumb.data, cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
    if code is None or code.shape[0] * code.shape[1] < 0.8 * raw.sizes.width * raw.sizes.height:
        raise Undecodable("the raw data has no readable mosaic and no full-size preview")
    return Picture(
        code,
        "srgb",
        lossy=True,
        luma_steps=luma_steps(thumb.data),
        note="measured on the embedded preview, not on raw data",
    )


def transfer_from_icc(icc: bytes) -> Transfer | None:
    """The tone curve of an ICC profile's green (or grey) channel; None when it can't be told.

    Source: ICC.1:2022, curveType and parametricCurveType. Sampled curves are matched to sRGB when
    their middle lies within 2% of it, else to the power that passes through their middle.
    """
    try:
        count = struct.unpack_from(">I", icc, 128)[0]
        for i in range(min(count, 200)):
            tag, offset, _ = struct.unpack_from(">4sII", icc, 132 + 12 * i)
            if tag in (b"gTRC", b"kTRC"):
                return _curve(icc, offset)
    except struct.error:
        return None
    return None


def _curve(icc: bytes, at: int) -> Transfer | None:
    kind = icc[at : at + 4]
    if kind == b"para":
        function, gamma = struct.unpack_from(">H2xi", icc, at + 8)
        power = gamma / 65536
        if function == 0:
            return "linear" if abs(power - 1) < 0.01 else power
        return "srgb" if abs(power - 2.4) < 0.05 else power
    if kind != b"curv":
        return None
    (n,) = struct.unpack_from(">I", icc, at + 8)
    if n == 0:
        return "linear"
    if n == 1:
        power = struct.unpack_from(">H", icc, at + 12)[0] / 256
        return "linear" if abs(power - 1) < 0.01 else power
    position = n // 2
    share = position / (n - 1)
    value = struct.unpack_from(">H", icc, at + 12 + 2 * position)[0] / 65535
    if not 0 < value < 1:
        return None
    srgb = ((share + 0.055) / 1.055) ** 2.4
    if abs(value / srgb - 1) < 0.02:
        return "srgb"
    power = float(np.log(value) / np.log(share))
    return "linear" if abs(power - 1) < 0.01 else power
