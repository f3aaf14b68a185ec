"""What libraries say of a file's content in memory: its header, its size against the limits, its code
values; and why a file can't be measured, in one line: no picture, damaged, or of a kind that no decoder here knows.
"""

from __future__ import annotations

import contextlib
import io
import logging
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor.crawl.suffixes import HEAD_BYTES, RAW_SUFFIXES, RENDERED_SUFFIXES, begins_as_picture
from auditor.measure.cosine import JPEG_BLOCK
from auditor.units import BYTE_BITS

__all__ = [
    "MAX_PIXELS",
    "MIN_PIXELS",
    "TiffPage",
    "Undecodable",
    "begins_as_raw",
    "check_size",
    "has_spare_bits",
    "header_of",
    "header_refusal",
    "imdecode",
    "luma_steps",
    "raw_refusal",
    "tiff_page",
]

_BACK_MARKS: Final = (b"IIII", b"MMMM")
"""Beginnings of files of digital backs (common practice, no source)."""
_WITHOUT_MARK: Final = frozenset([".bay", ".raw"])
"""Endings of raw files of which some have no beginning of their own (common practice, no source)."""


class Undecodable(ValueError):
    """The file can't be measured; the message is one line in plain words."""

    def __init__(self, reason: str, unknown_kind: bool = False) -> None:
        """`unknown_kind`: the decoder does not know the kind of file, or the file is damaged; its tags
        may tell which."""
        super().__init__(reason)
        self.unknown_kind = unknown_kind


def begins_as_raw(data: bytes, suffix: str) -> bool:
    """Whether a file named as raw can be one.

    Decoders guess a headerless file's camera by its length, so that random bytes of the right number would
    pass for a frame.

    Parameters
    ----------
    data : bytes
        The whole file.
    suffix : str
        Ending of its name, in lower case.

    Returns
    -------
    bool
        False for a beginning that no raw file has.
    """
    head = data[:HEAD_BYTES]
    return begins_as_picture(head) or head.startswith(_BACK_MARKS) or suffix in _WITHOUT_MARK


def header_refusal(data: bytes, suffix: str) -> Undecodable:
    """Refusal of a file whose header can't be read as that of a finished picture.

    Parameters
    ----------
    data : bytes
        The whole file.
    suffix : str
        Ending of its name, in lower case.

    Returns
    -------
    Undecodable
        To be raised.
    """
    named = suffix in RENDERED_SUFFIXES or suffix in RAW_SUFFIXES
    kind = f"{suffix[1:].upper()} " if named else ""
    if begins_as_picture(data[:HEAD_BYTES]):
        tiff = data[:4] in (b"II*\x00", b"MM\x00*")  # so begin most raw files
        return Undecodable(f"not a picture, or its {kind}header is damaged", unknown_kind=tiff)
    return Undecodable("not a picture, whatever its name says" if kind else "not a picture")


def raw_refusal(error: Exception) -> Undecodable:
    """Refusal of a raw file.

    Parameters
    ----------
    error : Exception
        The decoder's.

    Returns
    -------
    Undecodable
        To be raised.
    """
    known = "Unsupported" not in type(error).__name__ and "NotImpl" not in type(error).__name__
    if known:
        return Undecodable("the raw data is damaged or breaks off")
    reason = "the raw data can't be read: damaged, or of a kind that the decoder does not know"
    return Undecodable(reason, unknown_kind=True)


MAX_PIXELS: Final = 300_000_000
"""Larger pictures are refused from their header, before any decoding."""

MIN_PIXELS: Final = 30_000
"""Smaller pictures (icons, thumbnails) hold too little to measure."""

_WHITE_IS_ZERO: Final = 0
"""PhotometricInterpretation (TIFF 6.0) of grey whose white is 0."""
_GREY: Final = (_WHITE_IS_ZERO, 1)
"""The same of grey of both kinds."""
_FINISHED: Final = (*_GREY, 2, 6, 8)
"""The same of finished pictures that programs write: grey, red green blue, YCbCr, and L*a*b*."""
_JPEG_IN_TIFF: Final = (6, 7)
"""Compression (TIFF 6.0, and its second technical note) of pictures that JPEG coded."""
_SEPARATE: Final = 2
"""PlanarConfiguration (TIFF 6.0) of files with a plane for each colour."""


def check_size(width: int, height: int, max_pixels: int) -> None:
    """Refuse pictures that are too large or too small to be measured.

    Parameters
    ----------
    width, height : int
        Size in pixels.
    max_pixels : int
        Pixels at most.

    Raises
    ------
    Undecodable
        With the limit that is passed.
    """
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


def header_of(data: bytes, suffix: str) -> tuple[int, int, str, str, NDArray[np.float64] | None]:
    """What a picture's header says; nothing is decoded.

    Parameters
    ----------
    data : bytes
        The whole file.
    suffix : str
        Ending of its name, for the reason of a refusal.

    Returns
    -------
    width, height : int
        Size in pixels.
    kind, mode : str
        Format and mode as Pillow names them; of TIFF that Pillow has no mode for (floating point in
        colour, 16 bits with alpha) 'L' or 'RGB'.
    steps : (8, 8) ndarray of float64 or None
        As `luma_steps`.

    Raises
    ------
    Undecodable
        When there is no such header.
    """
    try:
        with _opened(data) as header:
            steps = _steps_of(header)
            return header.width, header.height, str(header.format), header.mode, steps
    except Exception as error:
        page = tiff_page(data)
        if page is None:
            raise header_refusal(data, suffix) from error
        mode = "L" if page.photometric in _GREY else "RGB"
        return page.width, page.height, "TIFF", mode, None


@dataclass(frozen=True, slots=True)
class TiffPage:
    """The header of a TIFF's first picture.

    Attributes
    ----------
    width, height : int
        Pixels.
    photometric : int
        PhotometricInterpretation (TIFF 6.0).
    in_planes : bool
        Whether each colour has a plane of its own.
    is_jpeg : bool
        Whether JPEG with its losses coded the picture.
    """

    width: int
    height: int
    photometric: int
    in_planes: bool
    is_jpeg: bool

    @property
    def right_at_8_bits_only(self) -> bool:
        """Whether OpenCV reads more than 8 bits wrongly, unless asked for 8.

        It takes separate planes of colours for one picture, and leaves grey of which zero is white as it is.
        """
        return self.in_planes or self.photometric == _WHITE_IS_ZERO


def tiff_page(data: bytes) -> TiffPage | None:
    """The header of a TIFF's first picture.

    Parameters
    ----------
    data : bytes
        The whole file.

    Returns
    -------
    TiffPage or None
        None where there is no picture that is finished.
    """
    import tifffile

    logging.getLogger("tifffile").setLevel(logging.CRITICAL)  # it speaks of all damage
    try:
        with tifffile.TiffFile(io.BytesIO(data)) as file:
            page: Any = file.pages[0]
            in_planes = int(page.planarconfig) == _SEPARATE and int(page.samplesperpixel) > 1
            size = int(page.imagewidth), int(page.imagelength)
            # JPEG of more bits is the kind without losses.
            is_jpeg = int(page.compression) in _JPEG_IN_TIFF and page.bitspersample == BYTE_BITS
            found = TiffPage(*size, int(page.photometric), in_planes, is_jpeg)
    except Exception:  # damage shows itself in many ways
        return None
    return found if min(size) > 0 and found.photometric in _FINISHED else None


def luma_steps(data: bytes) -> NDArray[np.float64] | None:
    """Quantisation table of a JPEG's luma.

    Parameters
    ----------
    data : bytes
        The whole file.

    Returns
    -------
    (8, 8) ndarray of float64 or None
        Steps of the cosine coefficients in code values, by frequency down and across; None if no JPEG.
    """
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
        table = np.array(header.quantization[header.layer[0][3]], float)
        steps = table.reshape(JPEG_BLOCK, JPEG_BLOCK)
    except (KeyError, IndexError, ValueError):
        return None
    return steps if steps.all() else None  # ITU-T T.81 (B.2.4.1) allows no step of 0


def has_spare_bits(code: NDArray[Any], depth: int) -> bool:
    """Whether code values of 16 bits hold fewer bits, more than 8.

    Parameters
    ----------
    code : ndarray
        Code values.
    depth : int
        Bits that they are said to hold.

    Returns
    -------
    bool
        False for other types.
    """
    return code.dtype == np.uint16 and BYTE_BITS < depth < 2 * BYTE_BITS


def imdecode(data: bytes, flags: int) -> NDArray[Any] | None:
    """Code values as OpenCV reads them.

    Parameters
    ----------
    data : bytes
        The whole file.
    flags : int
        Of `cv2.imdecode`.

    Returns
    -------
    (H, W, 3) or (H, W) ndarray, or None
        None where it cannot.
    """
    try:
        return cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    except (cv2.error, MemoryError):
        return None
