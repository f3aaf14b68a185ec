"""Which names claim to be a picture, which are helpers of one, and which are never looked into."""

from __future__ import annotations

from typing import Final

__all__ = [
    "PICTURE_SUFFIXES",
    "RAW_SUFFIXES",
    "RENDERED_SUFFIXES",
    "SIDECAR_SUFFIX",
    "claims_picture",
    "folder_reason",
    "hidden_reason",
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
Files without any ending are taken if they begin as a picture does (`file_signatures`); everything else in
an archive (text, film, sound, catalogues) is passed over without a word."""

SIDECAR_SUFFIX: Final = ".xmp"

_TRASH: Final = frozenset(
    ["$recycle.bin", "recycler", "recycled", "trash", "trashes", "lost+found"]
)
_SYSTEM: Final = frozenset(["system volume information", "__macosx", "@eadir"])


def suffix_of(name: str) -> str:
    """The ending of a file's name with its dot, in lower case; empty when there is none."""
    dot = name.rfind(".")
    return name[dot:].lower() if dot > 0 else ""


def claims_picture(name: str) -> bool:
    """Whether a file of this name counts as a picture until its content says otherwise."""
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
