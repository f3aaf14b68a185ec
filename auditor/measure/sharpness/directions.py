"""Blur in one direction: how much softer than the rest are the edges that face one way?

A moved camera blurs along its movement and leaves edges that run along it as sharp as they were.
Every edge is set against its own zone, so that soft corners, whose edges may face one way more than
another, are not taken for movement.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.sharpness.edges import Edges
from auditor.measure.sharpness.places import radius_of, zone_of
from auditor.record import ZONES

__all__ = ["DirectionalBlur", "directional_blur"]

_SECTORS: Final = 12
_HALF_WIDTH: Final = np.radians(18.0)
_ENOUGH: Final = 6
_QUANTILE: Final = 0.75
_FLOOR: Final = 0.03
"""Error of a sector's level that no number of edges takes away."""


@dataclass(frozen=True, slots=True)
class DirectionalBlur:
    """The direction in which a frame is softest, against the rest of it."""

    log_ratio: float
    """ln of MTF50 along that direction over the sharp end of all; 0 or less."""
    stderr: float
    degrees: float
    """Direction of the blur, 0 to 180, x to the right, y down."""


def directional_blur(edges: Edges, shape: tuple[int, int]) -> DirectionalBlur | None:
    """None where fewer than three directions hold enough edges."""
    use = edges.clean if np.count_nonzero(edges.clean) >= 40 else np.ones(len(edges), bool)
    relative = edges.log_mtf50 - _zone_level(edges, use, shape)
    use = use & np.isfinite(relative)
    levels: list[tuple[float, float, float]] = []
    for i in range(_SECTORS):
        centre = np.pi * i / _SECTORS
        # Normals have no sign: the distance between two of them is at most a right angle.
        away = np.abs((edges.angle - centre + np.pi / 2) % np.pi - np.pi / 2)
        here = use & (away < _HALF_WIDTH)
        if np.count_nonzero(here) >= _ENOUGH:
            value, error = _upper(relative[here])
            levels.append((value, error, float(np.degrees(centre))))
    if len(levels) < 3:
        return None
    table = np.array(levels)
    # The lowest after its own error counts against it: few edges alone make no direction soft.
    at = int(np.argmin(table[:, 0] + table[:, 1]))
    top = int(np.argmax(table[:, 0] - table[:, 1]))
    error = float(np.hypot(table[at, 1], table[top, 1]))
    return DirectionalBlur(float(min(table[at, 0] - table[top, 0], 0.0)), error, table[at, 2])


def _zone_level(
    edges: Edges, use: NDArray[np.bool_], shape: tuple[int, int]
) -> NDArray[np.float64]:
    """Sharp end of each edge's own zone; NaN in a zone with too few edges."""
    zone = zone_of(radius_of(edges.y, edges.x, shape))
    level = np.full(len(edges), np.nan)
    for i in range(len(ZONES)):
        here = zone == i
        if np.count_nonzero(here & use) >= _ENOUGH:
            level[here] = _upper(edges.log_mtf50[here & use])[0]
    return level


def _upper(values: NDArray[np.float64]) -> tuple[float, float]:
    """Upper quartile and its error. Cheap, and enough: both sides of the comparison use it."""
    quartile = np.quantile(values, (0.5, _QUANTILE, 0.9))
    spread = float(quartile[2] - quartile[0]) / 1.28
    return float(quartile[1]), float(np.hypot(1.36 * spread / np.sqrt(len(values)), _FLOOR))
