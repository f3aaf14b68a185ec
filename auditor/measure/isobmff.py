"""What an HEIF or AVIF container says of its main picture: how it is turned, and its tone curve.

Boxes are those of ISO/IEC 14496-12; item properties those of ISO/IEC 23008-12 (HEIF): `irot` turns,
`imir` mirrors, `colr` of type `nclx` names the tone curve by ITU-T H.273, `av1C` (AV1 in ISOBMFF)
tells the bits of a value. Nothing is decoded here.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["Container", "is_container", "read_container", "spans"]

_BRANDS: Final = frozenset(
    [b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1", b"avif", b"avis"]
)
_HEAD: Final = 8
"""Bytes of a box's head: its size and kind."""
_LONG_HEAD: Final = 16
"""The same of a box whose size takes 64 bits and stands behind its kind."""
_BRANDS_END: Final = 512
"""Bytes of the first box in which brands are looked for: damage can claim any size, and files have a
dozen brands at most (common practice, no source)."""
_AV1_BITS: Final = (8, 10, 12)
"""Bits of a code value in AV1: without its flags for more, with the first, and with both (av1C)."""
_MOST_BOXES: Final = 4000
"""Damage can claim any number of boxes; no camera writes so many at one level."""


@dataclass(frozen=True, slots=True)
class Container:
    """Properties of the main picture.

    Attributes
    ----------
    turns : tuple
        What a viewer does with the stored pixels, in order: ('irot', quarter turns against the clock) or
        ('imir', 0 top for bottom, 1 left for right).
    curve : int or None
        Transfer characteristics after ITU-T H.273, None when the container names none.
    depth : int or None
        Bits of a code value that AV1's own configuration tells, None for other codings.
    whole : bool
        Whether the box with the picture data ends before the file does. Decoders fill up what is missing from
        a picture made of tiles, and say nothing.
    """

    turns: tuple[tuple[str, int], ...] = ()
    curve: int | None = None
    depth: int | None = None
    whole: bool = True

    @property
    def orientation(self) -> int | None:
        """The Exif orientation that tells of the same turn; None when the container turns nothing."""
        corners = np.array([[0, 1], [2, 3]])
        shown = self.shown(corners)
        if (shown == corners).all():
            return None
        first, second = int(shown[0, 0]), int(shown[0, 1])
        return _BY_CORNERS[first, second]

    def shown(self, stored: NDArray[Any]) -> NDArray[Any]:
        """Stored pixels as a viewer turns them.

        Parameters
        ----------
        stored : (H, W, ...) ndarray
            Pixels.

        Returns
        -------
        ndarray
            A view.
        """
        for kind, amount in self.turns:
            stored = _turn(stored, kind, amount)
        return stored

    def stored(self, shown: NDArray[Any]) -> NDArray[Any]:
        """The way back from pixels that a decoder has turned to the stored ones.

        Parameters
        ----------
        shown : (H, W, ...) ndarray
            Pixels.

        Returns
        -------
        ndarray
            A view.
        """
        for kind, amount in reversed(self.turns):
            shown = _turn(shown, kind, -amount if kind == "irot" else amount)
        return shown


_BY_CORNERS: Final = {
    (0, 1): 1, (1, 0): 2, (3, 2): 3, (2, 3): 4, (0, 2): 5, (2, 0): 6, (3, 1): 7, (1, 3): 8,
}  # fmt: skip
"""Exif 2.32, tag Orientation, by which stored corners (0 1 over 2 3) stand in the shown top row."""


def _turn(array: NDArray[Any], kind: str, amount: int) -> NDArray[Any]:
    if kind == "irot":
        return np.rot90(array, amount)
    return array[:, ::-1] if amount else array[::-1]


def is_container(data: bytes) -> bool:
    """Whether a file's first box says that it is an HEIF or AVIF picture.

    Parameters
    ----------
    data : bytes
        The file, or its beginning.

    Returns
    -------
    bool
        False for other containers.
    """
    if data[4:8] != b"ftyp":
        return False
    size = min(int.from_bytes(data[:4], "big"), _BRANDS_END)
    first = 2 * _HEAD  # the head, the main brand and its version
    brands = {data[8:12], *(data[i : i + 4] for i in range(first, size - 3, 4))}
    return bool(brands & _BRANDS)


def read_container(data: bytes) -> Container:
    """Properties of the main picture of an HEIF or AVIF file.

    Parameters
    ----------
    data : bytes
        The whole file.

    Returns
    -------
    Container
        What is damaged or absent is left at its default.

    References
    ----------
    ISO/IEC 14496-12 (boxes), ISO/IEC 23008-12 (item properties).
    """
    outer = list(spans(data))
    whole = all(end <= len(data) for kind, _, end in outer if kind == b"mdat")
    try:
        meta = next(data[start + 4 : end] for kind, start, end in outer if kind == b"meta")
        inner = dict(_boxes(meta))
        main = _number(inner[b"pitm"], 4, 2 if inner[b"pitm"][0] == 0 else 4)
        parts = dict(_boxes(inner[b"iprp"]))
        properties = list(_boxes(parts[b"ipco"]))
        return _read(properties, _owned(parts[b"ipma"], main), whole)
    except (StopIteration, KeyError, IndexError, struct.error):
        return Container(whole=whole)


def _read(properties: list[tuple[bytes, bytes]], owned: list[int], whole: bool) -> Container:
    turns: list[tuple[str, int]] = []
    curve = depth = None
    for index in owned:
        if not 0 < index <= len(properties):
            continue
        kind, body = properties[index - 1]
        if kind == b"irot" and body:
            turns.append(("irot", body[0] & 3))
        elif kind == b"imir" and body:
            turns.append(("imir", body[0] & 1))
        elif kind == b"colr" and body[:4] == b"nclx":
            (curve,) = struct.unpack_from(">6xH", body)
        elif kind == b"av1C" and len(body) > 2:
            deep, deeper = bool(body[2] & 0x40), bool(body[2] & 0x20)
            depth = _AV1_BITS[deep + (deep and deeper)]
    return Container(tuple(turns), curve, depth, whole)


def _owned(ipma: bytes, item: int) -> list[int]:
    """One-based places, in order, of the properties that belong to an item."""
    version, wide = ipma[0], ipma[3] & 1
    count, at = min(_number(ipma, 4, 4), _MOST_BOXES), 4 + 4  # behind version, flags and count
    for _ in range(count):
        size = 4 if version else 2
        found, links = _number(ipma, at, size), ipma[at + size]
        at += size + 1
        step = 2 if wide else 1
        if found == item:
            mask = 0x7FFF if wide else 0x7F
            return [_number(ipma, at + step * i, step) & mask for i in range(links)]
        at += step * links
    return []


def _boxes(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    """(kind, content) of the boxes side by side in `data`."""
    for kind, start, end in spans(data):
        yield kind, data[start:end]


def spans(data: bytes) -> Iterator[tuple[bytes, int, int]]:
    """Boxes side by side, as they claim it.

    Parameters
    ----------
    data : bytes
        Content of a file or of a box.

    Yields
    ------
    kind : bytes
        Four letters.
    start, end : int
        Where the content begins and ends; the end may lie beyond the data.
    """
    at = 0
    for _ in range(_MOST_BOXES):
        if at + _HEAD > len(data):
            return
        size, kind = struct.unpack_from(">I4s", data, at)
        head = _HEAD
        if size == 1:
            if at + _LONG_HEAD > len(data):
                return
            (size,), head = struct.unpack_from(">Q", data, at + _HEAD), _LONG_HEAD
        elif size == 0:
            size = len(data) - at
        if size < head:
            return
        yield kind, at + head, at + size
        at += size


def _number(data: bytes, at: int, size: int) -> int:
    if at + size > len(data):
        raise IndexError("the box ends too early")
    return int.from_bytes(data[at : at + size], "big")
