"""Small pictures with the tags that a test asks for."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import pyexiv2
from PIL import Image

from auditor.record import Settings
from auditor.settings import read_settings

__all__ = ["picture", "settings_of"]

PLAIN = {"Exif.Image.Make": "Northlight", "Exif.Image.Model": "NL-7"}


def picture(
    tags: dict[str, Any] | None = None,
    *,
    size: tuple[int, int] = (60, 40),
    kind: str = "JPEG",
    plain: bool = True,
) -> bytes:
    """A grey picture of `size` (width, height) with tags by the metadata library's names."""
    buffer = io.BytesIO()
    Image.fromarray(np.full((size[1], size[0], 3), 128, np.uint8)).save(buffer, kind)
    tags = {**(PLAIN if plain else {}), **(tags or {})}
    exif = {k: v for k, v in tags.items() if k.startswith("Exif.")}
    xmp = {k: v for k, v in tags.items() if k.startswith("Xmp.")}
    iptc = {k: v for k, v in tags.items() if k.startswith("Iptc.")}
    with pyexiv2.ImageData(buffer.getvalue()) as image:
        if exif:
            image.modify_exif(exif)
        if xmp:
            image.modify_xmp(xmp)
        if iptc:
            image.modify_iptc(iptc)
        return bytes(image.get_bytes())


def settings_of(
    tags: dict[str, Any] | None = None,
    name: str = "x.jpg",
    sidecar: bytes | None = None,
    **how: Any,
) -> Settings:
    """What is read of such a picture. Keys without a group are of 'Exif.Photo'."""
    full = {k if "." in k else f"Exif.Photo.{k}": v for k, v in (tags or {}).items()}
    return read_settings(picture(full, **how), name, sidecar)
