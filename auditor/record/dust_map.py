"""Maps of what may be dust as short byte strings of the store, and back.

Half a byte a place: how far the place is darker than its surroundings, in steps of `_LEVELS`; then the
whole is deflated (RFC 1951), which takes little room where a frame is rough.
"""

from __future__ import annotations

import struct
import zlib
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.record.frame import DUST_GRID, Dust

__all__ = ["dust_shape", "pack_dust", "unpack_dust"]

_LEVELS: Final = np.array(
    [np.nan, -1.8, -0.9, 0.0, 0.9, 1.8, 2.7, 3.8, 5.2, 7.0, 9.5, 13.0, 18.0, 25.0, 35.0], np.float32
)
"""Standard deviations that each code stands for; 0: not looked at. Steps of 0.9 among what chance makes
add a fifteenth to its variance (a step's square over twelve)."""
_EDGES: Final = (_LEVELS[1:-1] + _LEVELS[2:]) / 2
"""Half way between two codes, in standard deviations."""
_HEAD: Final = struct.Struct("<HH")
_MOST: Final = 4_000_000
"""Places beyond which a text is not what `pack_dust` made."""


def pack_dust(dust: Dust) -> bytes:
    """Pack a map of possible dust into bytes.

    Half a byte a place, behind the size and the scatter by cell (16-bit floats), deflated (RFC 1951).

    Parameters
    ----------
    dust : Dust
        Map of one frame.

    Returns
    -------
    bytes
        What `unpack_dust` reads; contrasts are rounded to the steps of `_LEVELS`.
    """
    code = np.isfinite(dust.significance).astype(np.uint8)
    for edge in _EDGES:  # a few comparisons are quicker than a search
        code += dust.significance > edge
    flat = np.append(code.ravel(), np.zeros(code.size % 2, np.uint8))
    body = np.asarray(dust.local_sd, "<f2").tobytes() + (flat[::2] << 4 | flat[1::2]).tobytes()
    return _HEAD.pack(*code.shape) + zlib.compress(body, 1)


def dust_shape(data: bytes) -> tuple[int, int] | None:
    """Size of a packed map, by its head alone.

    Parameters
    ----------
    data : bytes
        From `pack_dust`.

    Returns
    -------
    tuple of int or None
        Rows and columns; None where there is no map.
    """
    if len(data) < _HEAD.size:
        return None
    height, width = _HEAD.unpack(data[: _HEAD.size])
    return (height, width) if 0 < height * width <= _MOST else None


def unpack_dust(data: bytes | None) -> Dust | None:
    """Unpack a map of possible dust.

    Parameters
    ----------
    data : bytes or None
        From `pack_dust`.

    Returns
    -------
    Dust or None
        The map to within its steps; None where it is damaged or absent.
    """
    columns, rows = DUST_GRID
    try:
        height, width = _HEAD.unpack(bytes(data or b"")[: _HEAD.size])
        size = 2 * rows * columns + (height * width + 1) // 2
        body = zlib.decompressobj().decompress(bytes(data or b"")[_HEAD.size :], size + 1)
    except (struct.error, zlib.error):
        return None
    if len(body) != size or not 0 < height * width <= _MOST:
        return None
    local_sd = np.frombuffer(body[: 2 * rows * columns], "<f2").astype(np.float32)
    pairs = np.frombuffer(body[2 * rows * columns :], np.uint8)
    code: NDArray[np.uint8] = np.stack([pairs >> 4, pairs & 0xF], 1).ravel()[: height * width]
    return Dust(_LEVELS[code].reshape(height, width), local_sd.reshape(rows, columns))
