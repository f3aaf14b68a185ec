"""How a JPEG file is put together: as cameras do it, or as programs do."""

from __future__ import annotations

from typing import Final

__all__ = ["built_by_program"]

_SEGMENTS: Final = 64
"""Segments that are looked at: before the picture itself cameras write about ten."""


def built_by_program(data: bytes) -> bool | None:
    """Whether a JPEG with Exif bears marks that cameras do not leave; None where it can't be told.

    Exif 2.32 (4.5.4) has cameras write Exif right behind the start of the image; nearly every
    program's library begins with the JFIF segment instead, for which JFIF 1.02 asks. Neither
    progressive frames (ITU-T T.81, SOF2) nor the segment named Adobe come from cameras (common
    practice, no source).
    """
    if data[:3] != b"\xff\xd8\xff":
        return None
    at, exif, jfif, program = 2, False, False, False
    for _ in range(_SEGMENTS):
        if at + 4 > len(data) or data[at] != 0xFF:
            break
        marker = data[at + 1]
        if marker == 0xFF:
            at += 1
            continue
        if marker == 0xDA:
            break
        body = data[at + 4 : at + 10]
        exif = exif or (marker == 0xE1 and body.startswith(b"Exif\0"))
        jfif = jfif or (marker == 0xE0 and body.startswith(b"JFIF\0"))
        program = program or marker == 0xC2 or (marker == 0xEE and body.startswith(b"Adobe"))
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return jfif or program if exif else None
