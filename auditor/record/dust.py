"""Candidates for dust as short texts of the store, and back.

A spot is four numbers of four hexadecimal digits: x and y in 65535ths of width and height, diameter in 65535ths
of the long side, depth in 65535ths. A cell's limit is one digit: 0.25% times a power of root two.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.record.frame import DustSpot

__all__ = ["dust_limits", "dust_spots", "pack_limits", "pack_spots"]

_FULL: Final = 65_535
_FAINTEST: Final = 0.0025
_DIGITS: Final = 16


def pack_spots(spots: Sequence[DustSpot]) -> str:
    """Sixteen hexadecimal digits a spot; the empty text for none."""
    figures = [v for s in spots for v in (s.x, s.y, s.diameter, s.depth)]
    return "".join(f"{round(min(max(v, 0.0), 1.0) * _FULL):04x}" for v in figures)


def dust_spots(text: str) -> NDArray[np.float64]:
    """(n, 4) x, y, diameter, depth of a text that `pack_spots` made; no rows where it is damaged."""
    try:
        values = np.frombuffer(bytes.fromhex(text), ">u2").astype(float)
    except ValueError:
        return np.empty((0, 4))
    return values.reshape(-1, 4) / _FULL if len(values) % 4 == 0 else np.empty((0, 4))


def pack_limits(limits: Sequence[float]) -> str:
    """One hexadecimal digit a cell, rounded up: no limit is told lower than it is."""
    steps = (math.ceil(2 * math.log2(max(v, 1e-6) / _FAINTEST) - 1e-6) for v in limits)
    return "".join(f"{min(max(s, 0), _DIGITS - 1):x}" for s in steps)


def dust_limits(text: str, cells: int) -> NDArray[np.float64]:
    """(cells,) depths of a text that `pack_limits` made; 1 throughout where it is damaged."""
    try:
        steps = np.array([int(c, 16) for c in text], float)
    except ValueError:
        return np.ones(cells)
    if len(steps) != cells:
        return np.ones(cells)
    return np.asarray(np.where(steps >= _DIGITS - 1, 1.0, _FAINTEST * 2 ** (steps / 2)))
