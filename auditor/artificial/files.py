"""Writes artificial pictures as real files: JPEG and mosaic DNG, with real tags.

Tags follow Exif 2.32 and XMP; the mosaic follows the DNG 1.4 specification (uncompressed 16 bit, one
colour filter array in the first directory). The same call writes the same bytes.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
import pyexiv2
import tifffile
from numpy.typing import NDArray

from auditor.artificial.camera import Mosaic

__all__ = ["FrameTags", "jpeg_bytes", "mosaic_bytes", "write_picture"]

Picture = NDArray[np.uint8] | NDArray[np.uint16]

CAMERA_FROM_XYZ: Final = (0.86, -0.28, -0.08, -0.42, 1.22, 0.22, -0.06, 0.16, 0.62)
"""An invented but plausible ColorMatrix1 (XYZ to camera, D65)."""
D65: Final = 21


@dataclass(frozen=True, slots=True)
class FrameTags:
    """What a camera writes beside the picture. None leaves the tag out."""

    make: str | None = None
    model: str | None = None
    body_serial: str | None = None
    lens: str | None = None
    lens_serial: str | None = None
    focal_length_mm: float | None = None
    f_number: float | None = None
    exposure_time_s: float | None = None
    iso: int | None = None
    exposure_bias_ev: float | None = 0.0
    taken: str | None = None
    """Local time, '2024-05-01T06:00:00' with optional fraction."""
    pixel_pitch_um: float | None = None
    orientation: int = 1
    software: str | None = None
    rating: int | None = None
    keywords: tuple[str, ...] = ()
    focus_distance_m: float | None = None
    white_balance: str | None = None
    """'auto' or 'manual'."""
    image_unique_id: str | None = None

    def exif(self) -> dict[str, Any]:
        """Keys and values as exiv2 names and spells them."""
        day, _, clock = (self.taken or "").partition("T")
        whole, _, part = clock.partition(".")
        stamp = f"{day.replace('-', ':')} {whole}" if self.taken else None
        balance = {None: None, "auto": "0"}.get(self.white_balance, "1")
        pitch = self.pixel_pitch_um
        # Pixels per centimetre (unit 3): 10,000 um over the pitch.
        density = None if pitch is None else _rational(10_000 / pitch, 1000)
        tags = {
            "Exif.Image.Orientation": self.orientation,
            "Exif.Image.Make": self.make,
            "Exif.Image.Model": self.model,
            "Exif.Image.Software": self.software,
            "Exif.Photo.BodySerialNumber": self.body_serial,
            "Exif.Photo.LensModel": self.lens,
            "Exif.Photo.LensSerialNumber": self.lens_serial,
            "Exif.Photo.FocalLength": _rational(self.focal_length_mm, 10),
            "Exif.Photo.FNumber": _rational(self.f_number, 10),
            "Exif.Photo.ExposureBiasValue": _rational(self.exposure_bias_ev, 6),
            "Exif.Photo.ExposureTime": _time(self.exposure_time_s),
            "Exif.Photo.ISOSpeedRatings": self.iso,
            "Exif.Image.DateTime": stamp,
            "Exif.Photo.DateTimeOriginal": stamp,
            "Exif.Photo.SubSecTimeOriginal": part or None,
            "Exif.Photo.SubjectDistance": _rational(self.focus_distance_m, 1000),
            "Exif.Photo.WhiteBalance": balance,
            "Exif.Photo.ImageUniqueID": self.image_unique_id,
            "Exif.Photo.FocalPlaneXResolution": density,
            "Exif.Photo.FocalPlaneYResolution": density,
            "Exif.Photo.FocalPlaneResolutionUnit": None if density is None else "3",
            "Exif.Photo.Flash": "16",
        }
        return {key: str(value) for key, value in tags.items() if value is not None}

    def xmp(self) -> dict[str, Any]:
        """Rating and keywords."""
        tags: dict[str, Any] = {}
        if self.rating is not None:
            tags["Xmp.xmp.Rating"] = str(self.rating)
        if self.keywords:
            tags["Xmp.dc.subject"] = list(self.keywords)
        return tags


def jpeg_bytes(picture: Picture, tags: FrameTags | None = None, quality: int = 95) -> bytes:
    """A JPEG of an 8-bit picture.

    Parameters
    ----------
    picture : ndarray of uint8, shape (h, w) or (h, w, 3)
        Grey or RGB.
    tags : FrameTags, optional
        None for no metadata at all.
    quality : int
        OpenCV's JPEG quality, 0 to 100.

    Returns
    -------
    bytes
        The same for the same input.

    Raises
    ------
    ValueError
        Where it could not be encoded.
    """
    options = [cv2.IMWRITE_JPEG_QUALITY, quality]
    ok, coded = cv2.imencode(".jpg", _for_cv2(picture), options)
    if not ok:
        raise ValueError("the picture could not be written as JPEG")
    return _tagged(coded.tobytes(), tags)


def mosaic_bytes(raw: Mosaic, tags: FrameTags | None = None, lossless: bool = False) -> bytes:
    """A DNG whose first directory is the RGGB mosaic itself.

    Parameters
    ----------
    raw : Mosaic
        The mosaic.
    tags : FrameTags, optional
        Its metadata.
    lossless : bool
        Lossless JPEG of 14 bits (ITU-T T.81, annex H), for which tifffile wants the library imagecodecs;
        uncompressed otherwise.

    Returns
    -------
    bytes
        The file.

    References
    ----------
    DNG specification 1.4.
    """
    tags = tags or FrameTags()
    name = " ".join(t for t in (tags.make, tags.model) if t) or "Artificial camera"
    neutral = [n for value in raw.neutral for n in _ratio(value, 10_000)]
    matrix = [n for value in CAMERA_FROM_XYZ for n in _ratio(value, 10_000)]
    extra = [
        (271, "s", 0, tags.make or "Artificial", True),
        (272, "s", 0, tags.model or "Artificial", True),
        (274, "H", 1, tags.orientation, True),
        (33421, "H", 2, (2, 2), True),  # CFARepeatPatternDim
        (33422, "B", 4, bytes((0, 1, 1, 2)), True),  # CFAPattern: red green, green blue
        (50706, "B", 4, bytes((1, 4, 0, 0)), True),  # DNGVersion
        (50707, "B", 4, bytes((1, 1, 0, 0)), True),  # DNGBackwardVersion
        (50708, "s", 0, name, True),  # UniqueCameraModel
        (50713, "H", 2, (1, 1), True),  # BlackLevelRepeatDim
        (50714, "H", 1, raw.black, True),  # BlackLevel
        (50717, "H", 1, raw.white, True),  # WhiteLevel
        (50721, "2i", 9, matrix, True),  # ColorMatrix1
        (50728, "2I", 3, neutral, True),  # AsShotNeutral
        (50778, "H", 1, D65, True),  # CalibrationIlluminant1
    ]
    buffer = io.BytesIO()
    tifffile.imwrite(
        buffer,
        raw.data,
        photometric=32803,
        compression=7 if lossless else None,
        compressionargs={"lossless": True, "bitspersample": 14} if lossless else None,
        metadata=None,
        software=tags.software or "",
        extratags=extra,
        rowsperstrip=raw.data.shape[0],
    )
    return _tagged(buffer.getvalue(), tags)


def write_picture(
    path: Path, picture: Picture | Mosaic, tags: FrameTags | None = None, quality: int = 95
) -> None:
    """Write a picture by the ending of its path; its folder is made.

    Parameters
    ----------
    path : Path
        .jpg, or .dng for a `Mosaic`.
    picture : ndarray of uint8 or uint16, or Mosaic
        Grey or RGB, or raw data.
    tags : FrameTags, optional
        Its metadata.
    quality : int
        JPEG quality.

    Raises
    ------
    ValueError
        Where the ending does not fit, or it could not be encoded.
    """
    ending = path.suffix.lower()
    if isinstance(picture, Mosaic):
        if ending != ".dng":
            raise ValueError(f"{path.name}: a mosaic is written as .dng")
        data = mosaic_bytes(picture, tags)
    elif ending in (".jpg", ".jpeg"):
        data = jpeg_bytes(picture, tags, quality)
    else:
        raise ValueError(f"{path.name}: no picture is written with this ending")
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)


def _for_cv2(picture: Picture) -> NDArray[Any]:
    return picture if picture.ndim == 2 else np.ascontiguousarray(picture[..., ::-1])


def _tagged(data: bytes, tags: FrameTags | None) -> bytes:
    if tags is None:
        return data
    with pyexiv2.ImageData(data) as image:
        image.modify_exif(tags.exif())
        if tags.xmp():
            image.modify_xmp(tags.xmp())
        return bytes(image.get_bytes())


def _ratio(value: float, limit: int) -> tuple[int, int]:
    fraction = Fraction(value).limit_denominator(limit)
    return fraction.numerator, fraction.denominator


def _rational(value: float | None, limit: int) -> str | None:
    if value is None:
        return None
    top, bottom = _ratio(value, limit)
    return f"{top}/{bottom}"


def _time(seconds: float | None) -> str | None:
    """Shutter times as cameras write them: 1/250, 10/13, 2/1."""
    if seconds is not None and seconds < 0.3:
        return f"1/{round(1 / seconds)}"
    return _rational(seconds, 10)
