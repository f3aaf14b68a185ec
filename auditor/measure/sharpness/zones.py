"""From single edges to zones, sides and directions.

A moved camera blurs along its movement and leaves edges that run along it as sharp as they were; missed
focus blurs all ways alike. So the frontier of each direction is kept by itself, over the whole frame:
something still in the frame that is in focus shows in all four of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.sharpness.edge_detection import radius_of, zone_of
from auditor.measure.sharpness.edges import Edges
from auditor.measure.sharpness.frontier import frontier
from auditor.measure.sharpness.softness import Softness
from auditor.record import DIRECTIONS, SIDES, ZONES, Place, ZoneSharpness

__all__ = [
    "Frontier",
    "directional_mtf50",
    "local_places",
    "zone_frontier",
    "zone_masks",
    "zone_sharpness",
]

SYSTEMATIC: Final = 0.02
"""Error of ln MTF50 that no number of edges takes away (pixel shape, profile family), measured on
rendered scenes."""
_MIN_EDGES: Final = 3
"""Clean edges from which on a part of the frame shows anything. Of fewer, and steps within texture, figures are off
by a factor of two behind a perfect lens."""
_PLACES: Final = (8, 6)
"""Columns and rows of the grid of places of which one is the sharpest and one the weakest."""
_PLACE_PX: Final = 160
"""Side of a place at least: as large as a picture that is shown of it, and some around."""
_LEAST_ERROR: Final = 0.05
"""Error of ln MTF50 that every edge counts with at least, so that no place rests on one."""


def zone_masks(
    y: NDArray[np.float64], x: NDArray[np.float64], shape: tuple[int, int]
) -> dict[str, NDArray[np.bool_]]:
    """Places that lie in each of `ZONES` and `SIDES`.

    A side is the part of the corner zone in that half of the frame, so that a place in the upper
    left corner counts as left and as top.

    Parameters
    ----------
    y, x : (n,) ndarray of float64
        Places in full-size pixels.
    shape : tuple of int
        Height and width of the frame.

    Returns
    -------
    dict
        Name -> (n,) ndarray of bool.
    """
    zone = zone_of(radius_of(y, x, shape))
    masks = {name: zone == i for i, name in enumerate(ZONES)}
    corner = masks["corner"]
    h, w = shape
    halves = (x < w / 2, x >= w / 2, y < h / 2, y >= h / 2)
    return masks | {n: corner & half for n, half in zip(SIDES, halves, strict=True)}


@dataclass(frozen=True)
class Frontier:
    """What the sharpest edges of a part of the frame show.

    Attributes
    ----------
    log_mtf50, stderr : float
        ln MTF50 (c/px) and its standard error, objects' softness left out of it.
    repeat_stderr : float
        The part of it by which two frames of one subject differ.
    clean : int
        How many clean edges there are.
    """

    log_mtf50: float
    stderr: float
    repeat_stderr: float
    clean: int

    @property
    def mtf50_and_stderr(self) -> tuple[float, float]:
        """MTF50 and its error, c/px."""
        mtf50 = float(np.exp(self.log_mtf50))
        return mtf50, mtf50 * self.stderr


def zone_frontier(edges: Edges, mask: NDArray[np.bool_], softness: Softness) -> Frontier | None:
    """Frontier of the edges of a part of the frame.

    Before true steps the clean edges know best. Among soft objects the plainest steps are often a
    distance out of focus, and texture is not: there all edges count.

    Parameters
    ----------
    edges : Edges
        The frame's edges.
    mask : (n,) ndarray of bool
        Those of the part.
    softness : Softness
        Of the frame.

    Returns
    -------
    Frontier or None
        None under three clean edges.
    """
    clean = mask & edges.clean
    count = int(np.count_nonzero(clean))
    if count < _MIN_EDGES:
        return None
    pooled = np.zeros(2)
    for share, used in ((1 - softness.share, clean), (softness.share, mask)):
        if share > 0:
            estimate = frontier(edges.log_mtf50[used], edges.stderr[used])
            pooled += share * np.array(estimate)
    coding = float(np.median(edges.coding_error[clean]))
    stderr = float(np.linalg.norm([pooled[1], SYSTEMATIC, coding]))
    return Frontier(float(pooled[0]), stderr, float(pooled[1]), count)


def zone_sharpness(end: Frontier | None, softness: Softness) -> ZoneSharpness | None:
    """Sharpness of a part of the frame from its frontier.

    Parameters
    ----------
    end : Frontier or None
        From `zone_frontier`.
    softness : Softness
        Of the frame; its error goes into the figure's.

    Returns
    -------
    ZoneSharpness or None
        In cycles per pixel.
    """
    if end is None:
        return None
    mtf50, stderr = end.mtf50_and_stderr
    return ZoneSharpness(
        mtf50_cpp=mtf50,
        stderr_cpp=float(np.hypot(stderr, mtf50 * softness.error(end.log_mtf50))),
        seen_stderr_cpp=mtf50 * end.repeat_stderr,
        edges=end.clean,
    )


def local_places(
    edges: Edges, shape: tuple[int, int], places: tuple[int, int] = _PLACES
) -> tuple[Place | None, Place | None]:
    """The sharpest and the weakest of a grid of places.

    A place's value is the weighted mean of its edges. Its error counts against it, so that noise alone does not
    make one the sharpest or weakest.

    Parameters
    ----------
    edges : Edges
        The frame's edges.
    shape : tuple of int
        Height and width of the frame.
    places : tuple of int
        Columns and rows of the grid at most.

    Returns
    -------
    sharpest, weakest : Place or None
        None where no place has three edges.
    """
    h, w = shape
    width, height = (
        min(max(n // count, _PLACE_PX), n) for n, count in zip((w, h), places, strict=True)
    )
    columns, rows = max(w // width, 1), max(h // height, 1)
    column = np.minimum((edges.x // width).astype(int), columns - 1)
    row = np.minimum((edges.y // height).astype(int), rows - 1)
    cell = row * columns + column
    best: tuple[float, Place] | None = None
    worst: tuple[float, Place] | None = None
    for index in np.unique(cell):
        here = cell == index
        if np.count_nonzero(here) < _MIN_EDGES:
            continue
        weight = 1 / np.hypot(edges.stderr[here], _LEAST_ERROR) ** 2
        value = float(weight @ edges.log_mtf50[here] / weight.sum())
        error = float(1 / np.sqrt(weight.sum()))
        # Laid about an edge that shows the value, so that a small picture of its middle shows it too.
        off = np.abs(edges.log_mtf50[here] - value) + edges.stderr[here]
        at = np.flatnonzero(here)[np.argmin(off)]
        x = int(np.clip(edges.x[at] - width // 2, 0, w - width))
        y = int(np.clip(edges.y[at] - height // 2, 0, h - height))
        place = Place(x, y, width, height, float(np.exp(value)))
        if best is None or value - error > best[0]:
            best = (value - error, place)
        if worst is None or value + error < worst[0]:
            worst = (value + error, place)
    return best and best[1], worst and worst[1]


_ENOUGH_FACING: Final = 12
"""Edges below which a direction has no figure: a tenth of fewer is hardly an edge."""
_SHARP_SHARE: Final = 0.1
"""Share of a direction's edges that pass its level."""
_NOT_SINGLE: Final = 2
"""Edges that pass it at least: one alone may be off by anything."""
_CAUTION: Final = 0.5
"""Standard errors taken off each edge, so that badly measured ones do not make the frontier."""


def directional_mtf50(edges: Edges) -> dict[str, float | None]:
    """MTF50 (c/px) of the sharpest edges facing each of `DIRECTIONS`; None where edges are few.

    Parameters
    ----------
    edges : Edges
        Measured edges of a frame, with those of `sharp_places`. An edge counts for the direction nearest to its normal.

    Notes
    -----
    Share, count and caution were chosen on half of the photographs that `scripts/calibrate` reads and on
    photographs behind known optics: between 5 and 10% of the edges, and 0 to 1 standard errors, nothing changed
    by more than their number allows to tell; of 3% single edges decide, 20% take in what is out of focus.
    """
    lower_bound = edges.log_mtf50 - _CAUTION * edges.stderr
    step = DIRECTIONS["falling"] - DIRECTIONS["horizontal"]
    facing = np.round(np.degrees(edges.angle) / step).astype(int) % len(DIRECTIONS)
    out: dict[str, float | None] = {}
    for i, name in enumerate(DIRECTIONS):
        values = np.sort(lower_bound[facing == i])[::-1]
        if len(values) < _ENOUGH_FACING:
            out[name] = None
            continue
        place = max(_NOT_SINGLE, int(_SHARP_SHARE * len(values)))
        out[name] = float(np.exp(values[place]))
    return out
