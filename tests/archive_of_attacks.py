"""What the attacks of `test_attacks_long` are made of."""

from __future__ import annotations

import contextlib
import itertools
from pathlib import Path
from typing import Final, NamedTuple

import cv2
import numpy as np

__all__ = ["OddTag", "look_at", "odd_tags", "small_frame", "write_tag"]


class OddTag(NamedTuple):
    """A tag of Exif and the text of its value."""

    name: str
    value: str


_RATIONALS: Final = (
    *(
        "FNumber",
        "ExposureTime",
        "FocalLength",
        "ApertureValue",
        "ShutterSpeedValue",
        "SubjectDistance",
    ),
    *("ExposureBiasValue", "BrightnessValue", "MaxApertureValue", "DigitalZoomRatio"),
    *("FocalPlaneXResolution", "FocalPlaneYResolution", "ExposureIndex", "Gamma"),
)
_WHOLE: Final = (
    *("ISOSpeedRatings", "RecommendedExposureIndex", "ISOSpeed", "StandardOutputSensitivity"),
    *("FocalLengthIn35mmFilm", "PixelXDimension", "PixelYDimension", "FocalPlaneResolutionUnit"),
    *(
        "SensitivityType",
        "Flash",
        "ExposureProgram",
        "MeteringMode",
        "ColorSpace",
        "CustomRendered",
    ),
)
_OF_FRACTIONS: Final = (
    *("0/1", "0/0", "1/0", "-1/0", "1/1", "-1/1", "1/4294967295", "4294967295/1", "-2147483648/1"),
    *("2147483647/1", "4294967295/4294967295"),
)
_OF_WHOLE: Final = ("0", "1", "2", "10", "65535", "1000000", "4294967295")
_OTHERS: Final = (
    *(("Exif.Image.Orientation", v) for v in ("0", "1", "9", "65535")),
    *(("Exif.Image.Rating", v) for v in ("0", "1", "6", "65535")),
    *(("Exif.Image.XResolution", v) for v in _OF_FRACTIONS),
    *(
        ("Exif.Photo.DateTimeOriginal", v)
        for v in ("0000:00:00 00:00:00", "9999:99:99 99:99:99", "")
    ),
    *(("Exif.Photo.LensSpecification", v) for v in ("0/0 0/0 0/0 0/0", "1/0 1/0 -1/1 0/1")),
    *(("Exif.Photo.SubSecTimeOriginal", v) for v in ("", "-1", "9" * 40)),
)


def odd_tags(count: int) -> list[OddTag]:
    """So many of all pairs of tag and value, evenly chosen."""
    every = [
        *(OddTag(f"Exif.Photo.{t}", v) for t, v in itertools.product(_RATIONALS, _OF_FRACTIONS)),
        *(OddTag(f"Exif.Photo.{t}", v) for t, v in itertools.product(_WHOLE, _OF_WHOLE)),
        *(OddTag(*pair) for pair in _OTHERS),
    ]
    return [every[round(i * (len(every) - 1) / max(count - 1, 1))] for i in range(count)]


def small_frame(seed: int) -> np.ndarray:
    """A frame of 480 by 320 pixels with edges, tones and noise; (H, W, 3) uint8."""
    rng = np.random.default_rng(seed)
    code = np.full((320, 480, 3), 90, np.float32)
    for _ in range(12):
        corner = rng.integers(0, (480, 320))
        box = cv2.boxPoints(
            (tuple(map(float, corner)), tuple(rng.uniform(40, 160, 2)), rng.uniform(0, 90))
        )
        cv2.fillPoly(code, [box.astype(np.int32)], tuple(map(float, rng.uniform(20, 230, 3))))
    code = cv2.GaussianBlur(code, (0, 0), 0.8) + rng.normal(0, 2, code.shape)
    return code.clip(0, 255).astype(np.uint8)


def write_tag(path: Path, tag: OddTag, body: str, lens: str) -> None:
    """A usual frame's tags, with one of them odd. A value that the library refuses is left out."""
    import pyexiv2

    usual = {
        "Exif.Image.Make": "Alder",
        "Exif.Image.Model": body,
        "Exif.Photo.LensModel": lens,
        "Exif.Photo.FNumber": "8/1",
        "Exif.Photo.ExposureTime": "1/250",
        "Exif.Photo.FocalLength": "35/1",
        "Exif.Photo.ISOSpeedRatings": "400",
        "Exif.Photo.DateTimeOriginal": "2024:05:01 06:00:00",
    }
    picture = pyexiv2.Image(str(path))
    try:
        picture.modify_exif(usual)
        with contextlib.suppress(RuntimeError):
            picture.modify_exif({tag.name: tag.value})
    finally:
        picture.close()


def look_at(folder: Path) -> dict[str, tuple[int, int, bytes]]:
    """Everything about the files of a folder that a run could change."""
    return {
        p.name: (p.stat().st_mtime_ns, p.stat().st_mode, p.read_bytes())
        for p in sorted(folder.iterdir())
    }
