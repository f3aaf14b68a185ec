"""Why a file can't be measured, in one line: no picture, damaged, or of a kind that no decoder here knows."""

from __future__ import annotations

from typing import Final

from auditor.crawl.suffixes import HEAD_BYTES, RAW_SUFFIXES, RENDERED_SUFFIXES, begins_as_picture

__all__ = ["Undecodable", "begins_as_raw", "header_refusal", "raw_refusal"]

_BACK_MARKS: Final = (b"IIII", b"MMMM")
"""Beginnings of files of digital backs (common practice, no source)."""
_WITHOUT_MARK: Final = frozenset([".bay", ".raw"])
"""Endings of raw files of which some have no beginning of their own (common practice, no source)."""
_LOOKED_AT: Final = 1 << 16
"""Bytes from a file's beginning in which anything but zeros is looked for."""
_LEAST_ZEROS: Final = 512
"""Bytes from which on nothing but zeros tells of a failed copy: a sector of a disk (common practice,
no source)."""


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


def _no_picture(data: bytes) -> str:
    if len(data) >= _LEAST_ZEROS and not any(data[:_LOOKED_AT]):
        return "not a picture: it holds nothing but zeros, as after a copy that failed"
    return "not a picture"


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
    reason = _no_picture(data)
    return Undecodable(f"{reason}, whatever its name says" if kind else reason)


def raw_refusal(data: bytes, suffix: str, error: Exception | None) -> Undecodable:
    """Refusal of a file named as raw.

    Parameters
    ----------
    data : bytes
        The whole file.
    suffix : str
        Ending of its name, in lower case.
    error : Exception or None
        The decoder's; None where it was not asked.

    Returns
    -------
    Undecodable
        To be raised.
    """
    if error is None:
        return Undecodable(f"{_no_picture(data)}, whatever its name says")
    known = "Unsupported" not in type(error).__name__ and "NotImpl" not in type(error).__name__
    if known:
        return Undecodable("the raw data is damaged or breaks off")
    reason = "the raw data can't be read: damaged, or of a kind that the decoder does not know"
    return Undecodable(reason, unknown_kind=True)
