"""From single edges to zones, sides and directions."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.sharpness.edges import Edges
from auditor.measure.sharpness.places import radius_of, zone_of
from auditor.measure.sharpness.sharp_end import sharp_end
from auditor.record import SIDES, ZONES, ZoneSharpness

__all__ = ["direction_values", "zone_masks", "zone_value"]

SYSTEMATIC: Final = 0.02
"""Error of ln MTF50 that no number of edges takes away (pixel shape, profile family), measured on
rendered scenes."""
_MIN_EDGES: Final = 3
_NARROW: Final = np.cos(np.radians(35.0))


def zone_masks(
    y: NDArray[np.float64], x: NDArray[np.float64], shape: tuple[int, int]
) -> dict[str, NDArray[np.bool_]]:
    """Which places lie in each of `ZONES` and `SIDES`.

    A side is the part of the corner zone in that half of the frame, so that a place in the upper
    left corner counts as left and as top.
    """
    zone = zone_of(radius_of(y, x, shape))
    masks = {name: zone == i for i, name in enumerate(ZONES)}
    corner = masks["corner"]
    h, w = shape
    halves = (x < w / 2, x >= w / 2, y < h / 2, y >= h / 2)
    return masks | {n: corner & half for n, half in zip(SIDES, halves, strict=True)}


def _value(edges: Edges, mask: NDArray[np.bool_]) -> float | None:
    if np.count_nonzero(mask) < _MIN_EDGES:
        return None
    return float(np.exp(sharp_end(edges.log_mtf50[mask], edges.stderr[mask])[0]))


def zone_value(
    edges: Edges, mask: NDArray[np.bool_], shape: tuple[int, int]
) -> ZoneSharpness | None:
    """The sharp end of the edges in `mask`; None under three edges."""
    count = int(np.count_nonzero(mask))
    if count < _MIN_EDGES:
        return None
    log_mtf50, stderr = sharp_end(edges.log_mtf50[mask], edges.stderr[mask])
    mtf50 = float(np.exp(log_mtf50))
    h, w = shape
    bearing = np.arctan2(edges.y - (h - 1) / 2, edges.x - (w - 1) / 2)
    towards = np.abs(np.cos(edges.angle - bearing))
    across = np.abs(np.sin(edges.angle - bearing))
    return ZoneSharpness(
        mtf50,
        mtf50 * float(np.hypot(stderr, SYSTEMATIC)),
        count,
        "edges",
        _value(edges, mask & (towards > _NARROW)),
        _value(edges, mask & (across > _NARROW)),
    )


def direction_values(edges: Edges) -> tuple[float | None, float | None]:
    """Frame-wide MTF50 of blur along x and along y."""
    along_x = np.abs(np.cos(edges.angle)) > _NARROW
    along_y = np.abs(np.sin(edges.angle)) > _NARROW
    return _value(edges, along_x), _value(edges, along_y)
