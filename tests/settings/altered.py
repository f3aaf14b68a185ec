"""Real camera files altered as programs alter them, each with what became of its pixels.

Pillow decodes, reduces, cuts, enlarges and codes; the metadata library rewrites tags. What is expected
follows from what was done, not from any rule of the program under test.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyexiv2
from PIL import Image

__all__ = ["Altered", "altered_files", "camera_originals"]

DATA = Path(__file__).parents[3] / "shared" / "data"

# Camera files of full size, none of them touched by a program: Exif right behind the start of the
# image, as Exif asks, sizes as the tags say, and looked through by eye for the body's known size.
# fmt: off
ORIGINALS = (
    "camera-files/005", "camera-files/016", "camera-files/022", "camera-files/028",
    "camera-files/032", "camera-files/034", "camera-files/035", "camera-files/040",
    "camera-files/043", "camera-files/052", "camera-files/067", "camera-files/069",
    "camera-files/075", "camera-files/080", "camera-files/096",
    "real-archive/roll-c/001", "real-archive/roll-c/002", "real-archive/roll-e/002",
    "real-archive/roll-g/001", "real-archive/roll-g/002", "real-archive/roll-g/003",
    "real-archive/roll-h/001", "real-archive/roll-h/008", "real-archive/roll-i/001",
    "real-archive/roll-i/002", "real-archive/roll-i/003", "real-archive/roll-i/004",
    "real-archive/roll-i/007", "real-archive/roll-i/008", "real-archive/roll-i/012",
    "real-archive/roll-i/013", "real-archive/roll-i/014", "real-archive/roll-i/015",
)
# fmt: on

PROGRAM = "Darkling 4.2"
EXPORTS = (1024, 1280, 1600, 1920, 2048)


@dataclass(frozen=True)
class Altered:
    name: str
    data: bytes
    kind: str
    what: str
    scale: float | None = None
    """Micrometres per pixel against those of the original, where tags are left."""


def camera_originals(half: str) -> list[Path]:
    """The files to alter, of one half of the data: those to tune on, or those to judge on."""
    paths = [DATA / f"{name}.jpg" for name in ORIGINALS if name.startswith(half)]
    return [p for p in paths if p.exists()]


def _coded(picture: Image.Image, exif: bytes | None, quality: int) -> bytes:
    out = io.BytesIO()
    more: dict[str, Any] = {"exif": exif} if exif else {}
    picture.save(out, "JPEG", quality=quality, **more)
    return out.getvalue()


def _rewritten(data: bytes, size: tuple[int, int], program: str | None) -> bytes:
    """Tags of the size brought up to date, and a program's name among them."""
    tags = {"Exif.Photo.PixelXDimension": str(size[0]), "Exif.Photo.PixelYDimension": str(size[1])}
    if program:
        tags["Exif.Image.Software"] = program
    with pyexiv2.ImageData(data) as image:
        image.modify_exif(tags)
        return bytes(image.get_bytes())


def _stripped(data: bytes) -> bytes:
    """All tags taken out, the picture's code left as it is."""
    with pyexiv2.ImageData(data) as image:
        for part in ("exif", "xmp", "iptc", "icc", "comment"):
            getattr(image, f"clear_{part}")()
        return bytes(image.get_bytes())


def _changes(picture: Image.Image, random: np.random.Generator) -> Iterator[tuple[Any, ...]]:
    """Pictures with what was done to them: kind, words, scale against the original."""
    wide, high = picture.size
    yield picture, "edited full size", "saved again", 1.0
    side = min(int(random.choice(EXPORTS)), int(0.8 * max(wide, high)))
    share = side / max(wide, high)
    for factor, words in ((share, "exported"), (random.uniform(0.3, 0.75), "reduced")):
        small = picture.resize(
            (round(wide * factor), round(high * factor)), Image.Resampling.LANCZOS
        )
        yield small, "edited reduced", words, 1 / factor
    across = random.uniform(0.4, 0.8)
    other = random.uniform(0.4, 0.8), random.uniform(0.4, 0.8)
    for parts, words in (((across, across), "cut in its shape"), (other, "cut")):
        size = round(wide * parts[0]), round(high * parts[1])
        left, top = (
            int(random.integers(0, n - m)) for n, m in zip((wide, high), size, strict=True)
        )
        part = picture.crop((left, top, left + size[0], top + size[1]))
        yield part, "cropped", words, 1.0
    factor = random.uniform(1.25, 1.8) if wide * high < 13e6 else 1.2
    large = picture.resize((round(wide * factor), round(high * factor)), Image.Resampling.BICUBIC)
    yield large, "enlarged", "enlarged", 1 / factor


def altered_files(half: str, seed: int = 1, every: int = 1) -> Iterator[Altered]:
    """Altered files of every so many-th original of one half; each change with tags kept, rewritten or
    dropped, in turn."""
    random = np.random.default_rng(seed)
    turn = 0
    for path in camera_originals(half)[::every]:
        data = path.read_bytes()
        stem = f"{path.parent.name}-{path.stem}"
        with Image.open(io.BytesIO(data)) as opened:
            exif = opened.info.get("exif")
            picture = opened.convert("RGB")
        yield Altered(f"{stem}-own.jpg", data, "camera full size", "as the camera wrote it", 1.0)
        yield Altered(f"{stem}-bare.jpg", _stripped(data), "unknown", "tags stripped")
        for changed, kind, words, scale in _changes(picture, random):
            quality = int(random.integers(80, 97))
            for tags in ("kept", "rewritten", "dropped"):
                turn += 1
                if tags == "dropped" and turn % 4:
                    continue
                made = _coded(changed, None if tags == "dropped" else exif, quality)
                if tags == "rewritten":
                    made = _rewritten(made, changed.size, PROGRAM if turn % 2 else None)
                name = f"{stem}-{words.replace(' ', '-')}-{tags}.jpg"
                expected = "unknown" if tags == "dropped" else kind
                told = None if tags == "dropped" else scale
                yield Altered(name, made, expected, f"{words}, tags {tags}", told)
