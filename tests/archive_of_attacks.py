"""What the attacks of `test_attacks_long` are made of."""

from __future__ import annotations

import json
import random
import struct
import subprocess
import sys
from pathlib import Path
from typing import Any, Final, NamedTuple

import cv2
import numpy as np

__all__ = [
    "OddTag",
    "audit_call",
    "audited",
    "look_at",
    "mutated",
    "odd_tags",
    "small_frame",
    "with_tags",
    "write_frames",
]


class OddTag(NamedTuple):
    """A tag of Exif and a value that no camera means."""

    name: str
    number: int
    form: str
    """'rational', 'long', ... (the types of TIFF 6.0)."""
    value: tuple[float, ...]


_TYPES: Final = {
    "short": (3, "H"),
    "long": (4, "I"),
    "rational": (5, "2I"),
    "slong": (9, "i"),
    "srational": (10, "2i"),
    "double": (12, "d"),
}
"""Type numbers of TIFF 6.0 and how struct packs one value."""
_IMAGE: Final = {
    "ImageWidth": 0x0100,
    "ImageLength": 0x0101,
    "Orientation": 0x0112,
    "XResolution": 0x011A,
    "ResolutionUnit": 0x0128,
    "Rating": 0x4746,
}
_PHOTO: Final = {
    "ExposureTime": 0x829A,
    "FNumber": 0x829D,
    "ExposureProgram": 0x8822,
    "ISOSpeedRatings": 0x8827,
    "SensitivityType": 0x8830,
    "StandardOutputSensitivity": 0x8831,
    "RecommendedExposureIndex": 0x8832,
    "ISOSpeed": 0x8833,
    "ShutterSpeedValue": 0x9201,
    "ApertureValue": 0x9202,
    "BrightnessValue": 0x9203,
    "ExposureBiasValue": 0x9204,
    "MaxApertureValue": 0x9205,
    "SubjectDistance": 0x9206,
    "MeteringMode": 0x9207,
    "Flash": 0x9209,
    "FocalLength": 0x920A,
    "ColorSpace": 0xA001,
    "PixelXDimension": 0xA002,
    "PixelYDimension": 0xA003,
    "FocalPlaneXResolution": 0xA20E,
    "FocalPlaneYResolution": 0xA20F,
    "FocalPlaneResolutionUnit": 0xA210,
    "ExposureIndex": 0xA215,
    "CustomRendered": 0xA401,
    "WhiteBalance": 0xA403,
    "DigitalZoomRatio": 0xA404,
    "FocalLengthIn35mmFilm": 0xA405,
    "LensSpecification": 0xA432,
    "Gamma": 0xA500,
}
"""Numeric tags of Exif 2.32 that are read, by number."""
_EXTREMES: Final = (
    ("rational", (0, 1)),
    ("rational", (1, 1)),
    ("srational", (-1, 1)),
    ("rational", (1, 0)),
    ("rational", (2**32 - 1, 1)),
    ("double", (float("inf"),)),
    ("srational", (-(2**31), 0)),
    ("rational", (0, 0)),
    ("double", (1e308,)),
    ("rational", (1, 2**32 - 1)),
    ("long", (2**32 - 1,)),
    ("slong", (-1,)),
    ("double", (float("nan"),)),
)
"""Nothing, one, negative, infinite and huge, in every type that a tag may be written in."""


def odd_tags(count: int, seed: int) -> list[OddTag]:
    """So many of all pairs of tag and extreme: drawn where they are few, else each extreme in its turn
    for every tag."""
    numbers = {**_IMAGE, **_PHOTO}
    every = [OddTag(n, numbers[n], *extreme) for extreme in _EXTREMES for n in numbers]
    few = count <= len(numbers)
    return random.Random(seed).sample(every, count) if few else every[:count]


def small_frame(seed: int, width: int = 480, height: int = 320) -> np.ndarray:
    """A frame with edges, tones and noise; (H, W, 3) uint8."""
    rng = np.random.default_rng(seed)
    code = np.full((height, width, 3), 90, np.float32)
    for _ in range(12):
        corner = rng.integers(0, (width, height))
        box = cv2.boxPoints(
            (tuple(map(float, corner)), tuple(rng.uniform(40, 160, 2)), rng.uniform(0, 90))
        )
        cv2.fillPoly(code, [box.astype(np.int32)], tuple(map(float, rng.uniform(20, 230, 3))))
    code = cv2.GaussianBlur(code, (0, 0), 0.8) + rng.normal(0, 2, code.shape)
    return code.clip(0, 255).astype(np.uint8)


def write_frames(folder: Path, count: int) -> None:
    """So many small frames as JPEG, each another."""
    folder.mkdir(parents=True, exist_ok=True)
    for n in range(count):
        cv2.imwrite(str(folder / f"{n:03d}.jpg"), small_frame(n))


def with_tags(jpeg: bytes, body: str, lens: str, odd: OddTag | None = None) -> bytes:
    """A JPEG with a usual frame's tags, one of them odd: written byte by byte (TIFF 6.0, Exif 2.32),
    for a metadata library would refuse most of these values."""
    image = {
        0x010F: _text("Alder"),
        0x0110: _text(body),
    }
    photo = {
        _PHOTO["FNumber"]: _number("rational", (8, 1)),
        _PHOTO["ExposureTime"]: _number("rational", (1, 250)),
        _PHOTO["FocalLength"]: _number("rational", (35, 1)),
        _PHOTO["ISOSpeedRatings"]: _number("short", (400,)),
        0x9003: _text("2024:05:01 06:00:00"),
        0xA434: _text(lens),
    }
    if odd is not None:
        where = image if odd.name in _IMAGE else photo
        where[odd.number] = _number(odd.form, odd.value)
    head = b"MM\0*" + struct.pack(">I", 8)
    photo_at = 8 + len(_directory(image | {0x8769: _number("long", (0,))}, 8))
    first = _directory(image | {0x8769: _number("long", (photo_at,))}, 8)
    block = b"Exif\0\0" + head + first + _directory(photo, photo_at)
    return jpeg[:2] + b"\xff\xe1" + struct.pack(">H", len(block) + 2) + block + jpeg[2:]


_Entry = tuple[int, int, bytes]


def _text(text: str) -> _Entry:
    data = text.encode() + b"\0"
    return 2, len(data), data


def _number(form: str, value: tuple[float, ...]) -> _Entry:
    kind, packing = _TYPES[form]
    return kind, 1, struct.pack(">" + packing, *value)


def _directory(entries: dict[int, _Entry], at: int) -> bytes:
    """One directory that begins at byte `at`, with what does not fit into four bytes behind it."""
    table, behind = struct.pack(">H", len(entries)), b""
    start = at + 2 + 12 * len(entries) + 4
    for number, (kind, count, data) in sorted(entries.items()):
        if len(data) > 4:
            place = struct.pack(">I", start + len(behind))
            behind += data + b"\0" * (len(data) % 2)
        else:
            place = data.ljust(4, b"\0")
        table += struct.pack(">HHI", number, kind, count) + place
    return table + b"\0" * 4 + behind


def mutated(data: bytes, chance: random.Random) -> bytes:
    """Bytes changed, taken out, doubled, and ends cut."""
    out = bytearray(data)
    for _ in range(chance.choice([1, 3, 10, 100])):
        at = chance.randrange(len(out))
        kind = chance.randrange(4)
        if kind == 0:
            out[at] = chance.randrange(256)
        elif kind == 1:
            out[at : at + 4] = chance.choice([b"\xff" * 4, b"\0" * 4, b"\x7f\xff\xff\xff"])
        elif kind == 2:
            del out[at : at + chance.randrange(64)]
        else:
            out[at:at] = out[at : at + chance.randrange(64)]
        if len(out) < 8:
            break
    return bytes(out[: chance.randrange(1, len(out) + 1)] if chance.random() < 0.2 else out)


def look_at(folder: Path) -> dict[str, tuple[int, int, bytes]]:
    """Everything about the files of a folder that a run could change."""
    return {
        p.name: (p.stat().st_mtime_ns, p.stat().st_mode, p.read_bytes())
        for p in sorted(folder.iterdir())
    }


def audit_call(archive: Path, out: Path, *more: str) -> list[str]:
    """The words of a whole run with two workers."""
    words = [sys.executable, "-m", "auditor", "run", str(archive), "--out", str(out)]
    return [*words, "--workers", "2", *more]


def audited(archive: Path, out: Path, *more: str) -> dict[str, Any]:
    """The profile of a whole run, which must end well, without a traceback, and with a whole report."""
    call = audit_call(archive, out, *more)
    done = subprocess.run(call, capture_output=True, text=True, timeout=3000)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "Traceback" not in done.stdout + done.stderr
    assert "Report: " in done.stdout
    profile: dict[str, Any] = json.loads((out / "profile.json").read_text())
    assert profile["faults"] == []
    counts = profile["frames"]
    assert counts["found"] == counts["measured"] + counts["set_aside"]
    assert (out / "report.html").stat().st_size > 10_000
    assert "Traceback" not in (out / "store" / "log.txt").read_text()
    return profile
