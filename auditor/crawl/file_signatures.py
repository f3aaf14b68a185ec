"""Pictures that lost their ending: recognised by the first bytes of their content.

Only files without any ending are looked into, so that a walk through an archive opens no others.
"""

from __future__ import annotations

import os
from typing import Final

from auditor.open_files import open_unnoticed

__all__ = ["HEAD_BYTES", "begins_as_picture", "holds_picture"]

HEAD_BYTES: Final = 32
"""Bytes that are looked at: more than the longest of the marks below has."""

_BEGINNINGS: Final = (
    b"\xff\xd8\xff",  # JPEG (ITU-T T.81)
    b"\x89PNG\r\n\x1a\n",  # PNG (ISO/IEC 15948)
    b"II*\x00",  # TIFF 6.0, and most raw files
    b"MM\x00*",
    b"\x00\x00\x00\x0cjP  \r\n\x87\n",  # JPEG 2000 (ISO/IEC 15444-1)
    b"\x00\x00\x00\x0cJXL \r\n\x87\n",  # JPEG XL (ISO/IEC 18181-2)
    # Raw files that are no TIFF; common practice, no source.
    *(b"IIU\x00", b"IIRO", b"IIRS", b"MMOR", b"FUJIFILMCCD-RAW", b"\x00MRM", b"FOVb"),
    b"II\x1a\x00\x00\x00HEAPCCDR",
)
_BRANDS: Final = frozenset(
    [b"heic", b"heix", b"heim", b"heis", b"mif1", b"msf1", b"avif", b"avis", b"crx "]
)
"""Major brands of still pictures in boxes (ISO/IEC 23008-12, AVIF), and one of raw files."""


def begins_as_picture(head: bytes) -> bool:
    """Whether a file that begins with these (`HEAD_BYTES`) bytes is a picture of a kind that the walk
    takes by its name. BMP is not among them: its two letters begin too many other files."""
    if head.startswith(_BEGINNINGS):
        return True
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return True
    return head[4:8] == b"ftyp" and head[8:12] in _BRANDS


def holds_picture(path: str) -> bool:
    """Whether the local file at `path` begins as a picture; False where it can't be opened."""
    try:
        fd = open_unnoticed(path)
    except OSError:
        return False
    try:
        return begins_as_picture(os.read(fd, HEAD_BYTES))
    except OSError:
        return False
    finally:
        os.close(fd)
