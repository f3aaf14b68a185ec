"""Which names claim to be a picture, which are helpers of one, and which are never looked into.

A file without any ending is known by its first bytes; a walk through an archive opens no others."""

from __future__ import annotations

import os
from typing import Final

from auditor.open_files import open_unnoticed

__all__ = [
    "HEAD_BYTES",
    "PICTURE_SUFFIXES",
    "RAW_SUFFIXES",
    "RENDERED_SUFFIXES",
    "SIDECAR_SUFFIX",
    "begins_as_picture",
    "claims_picture",
    "folder_reason",
    "hidden_reason",
    "holds_picture",
    "suffix_of",
]


# fmt: off
RENDERED_SUFFIXES: Final = frozenset([
    ".avif", ".bmp", ".heic", ".heif", ".hif", ".jp2", ".jpe", ".jpeg", ".jpg", ".jxl", ".png",
    ".tif", ".tiff", ".webp",
])

RAW_SUFFIXES: Final = frozenset([
    ".3fr", ".arw", ".bay", ".cap", ".cr2", ".cr3", ".crw", ".dcr", ".dng", ".erf", ".fff", ".gpr",
    ".iiq", ".k25", ".kdc", ".mef", ".mos", ".mrw", ".nef", ".nrw", ".orf", ".pef", ".raf", ".raw",
    ".rw2", ".rwl", ".sr2", ".srf", ".srw", ".x3f",
])
# fmt: on

PICTURE_SUFFIXES: Final = RENDERED_SUFFIXES | RAW_SUFFIXES
"""Every file with one of these endings counts as found, whatever is inside.
Files without any ending are taken if they begin as a picture does (`begins_as_picture`); everything else in
an archive (text, film, sound, catalogues) is passed over without a word."""

SIDECAR_SUFFIX: Final = ".xmp"

_TRASH: Final = frozenset(
    ["$recycle.bin", "recycler", "recycled", "trash", "trashes", "lost+found"]
)
_SYSTEM: Final = frozenset(["system volume information", "__macosx", "@eadir"])


def suffix_of(name: str) -> str:
    """Ending of a file's name.

    Parameters
    ----------
    name : str
        Name or path.

    Returns
    -------
    str
        The ending with its dot, in lower case; '' when there is none.
    """
    dot = name.rfind(".")
    return name[dot:].lower() if dot > 0 else ""


def claims_picture(name: str) -> bool:
    """Whether a file counts as a picture by its name.

    Parameters
    ----------
    name : str
        Name or path.

    Returns
    -------
    bool
        True for the endings `PICTURE_SUFFIXES`, until its content says otherwise.
    """
    return suffix_of(name) in PICTURE_SUFFIXES


def hidden_reason(name: str) -> str | None:
    """Why a file of this name is not read, None when it is."""
    if name.startswith("._"):
        return "a resource fork beside a picture, not a picture"
    if name.startswith("."):
        return "a hidden file"
    return None


def folder_reason(name: str) -> str | None:
    """Why a folder of this name is not entered, None when it is."""
    plain = name.lstrip(".").lower()
    if plain in _TRASH or plain.startswith("trash-"):
        return "a trash folder"
    if name.startswith("."):
        return "a hidden folder"
    if name.lower() in _SYSTEM:
        return "a folder of the system, not of the archive"
    return None


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
    """Whether a file's first bytes are those of a picture of a kind that the walk takes by its name.

    BMP is not among them: its two letters begin too many other files.

    Parameters
    ----------
    head : bytes
        The first `HEAD_BYTES` of the file.

    Returns
    -------
    bool
        True for a known beginning.
    """
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
