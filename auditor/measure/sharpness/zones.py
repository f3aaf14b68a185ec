"""From single edges to zones, sides and directions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.sharpness.edges import Edges
from auditor.measure.sharpness.places import radius_of, zone_of
from auditor.measure.sharpness.sharp_end import sharp_end
from auditor.record import SIDES, ZONES, Place, ZoneSharpness

__all__ = [
    "Softness",
    "direction_values",
    "local_places",
    "scene_softness",
    "zone_masks",
    "zone_value",
]

SYSTEMATIC: Final = 0.02
"""Error of ln MTF50 that no number of edges takes away (pixel shape, profile family), measured on
rendered scenes."""
_TEXTURE_SYSTEMATIC: Final = 0.08
_MIN_EDGES: Final = 3
_ENOUGH: Final = 10
_RICH: Final = 0.34
_SCARCE: Final = 0.22
"""Shares of clean edges among the places tried, from which and down to which objects are soft."""
_SOFTNESS: Final = 3.8
_SOFTNESS_ERROR: Final = 4.0
_PIXEL: Final = 2.75
"""1 / MTF50^2 of a bare square pixel, whose MTF50 is 0.603 c/px."""
_NEAR_LIMIT: Final = 1.2
_NEAR_PIXEL: Final = 4.0
"""How gently (px^2) the correction for soft objects stops short of the bare pixel, with and without
knowledge of the optics' own limit."""
_OPEN: Final = 0.5
"""Share of what a zone of a frame of soft objects lacks that its error takes in. Over photographs seen
through known optics it brings 86% of the zones within two standard errors (80% without), and 75%
(66%) where the photographs had first been reduced to whole pixels."""
_SHARPER: Final = 0.1
"""How much sharper (ln MTF50) than the clean edges the others must be to speak in their place: in
rendered worlds, where all is in focus, they differ by 0.004 at most."""
_SHARPENING: Final = 0.15
"""How far (ln MTF50) ordinary sharpening lifts a picture beyond what optics allow."""
_LOOSE: Final = 0.25
"""Least error of steps within texture where they claim more than optics allow."""
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


@dataclass(frozen=True)
class Softness:
    """What a frame's own objects add to 1 / MTF50^2 (px^2), its uncertainty, and where optics end.

    `limit` is ln MTF50 of a perfect lens at the frame's aperture and pixel pitch: no correction
    goes beyond it. Infinite where either is unknown.
    """

    added: float
    error: float
    limit: float = np.inf


def scene_softness(clean_share: float, limit_cpp: float | None = None) -> Softness:
    """Softness of a frame's objects from the share of clean edges among the places tried.

    Rooftops and cut stone are steps; leaves, grass and rock are not, not even their sharpest edges.
    Photographs reduced two or three times, with little blur of their own left, still read 3.8 at
    the sharp end of the whole frame (well focused ones between 2.5 and 5) where clean edges were
    scarce among the places tried, and single zones 4 more or less. Nothing seen in a single frame
    tells better: over 68 photographs neither shares nor counts nor the spread of edges went with it.
    """
    scarce = float(np.clip((_RICH - clean_share) / (_RICH - _SCARCE), 0, 1))
    limit = np.inf if limit_cpp is None else float(np.log(limit_cpp))
    return Softness(_SOFTNESS * scarce, _SOFTNESS_ERROR * scarce, limit)


def _system_value(value: float, stderr: float, softness: Softness) -> tuple[float, float]:
    """ln MTF50 of the system and its error from the sharp end's, the objects' softness taken off."""
    if softness.added == 0:
        return value, stderr
    total = np.exp(-2 * value)
    known = np.isfinite(softness.limit)
    # No system with a pixel is sharper than the pixel: approach that limit, do not pass it; the
    # sooner held back where nothing nearer is known of the optics.
    width = _NEAR_LIMIT if known else _NEAR_PIXEL
    rest = _PIXEL + width * float(np.logaddexp(0, (total - softness.added - _PIXEL) / width))
    error = float(np.hypot(stderr * total / rest, 0.5 * softness.error / rest))
    if known:
        # What is missing to the optics' best may be the lens's as well as the objects'.
        missing = 1 - float(np.exp(-2 * softness.limit)) / rest
        share = _OPEN * softness.added / _SOFTNESS
        error = float(np.hypot(error, 0.5 * share * max(missing, 0.0)))
    # Where optics allow no more, the objects are sharper than usual. What was seen (a sharpened
    # picture may go beyond optics) is not taken back here.
    return max(value, min(-0.5 * float(np.log(rest)), softness.limit)), error


def _enough(softness: Softness) -> int:
    """Clean edges that settle a zone alone: few where the frame's objects are true steps."""
    return _MIN_EDGES if softness.added == 0 else _ENOUGH


def _told(
    edges: Edges, mask: NDArray[np.bool_], softness: Softness
) -> tuple[float, float, int, bool] | None:
    """ln MTF50 of the edges in `mask`, its error, the clean ones' count and whether these settled it.

    Clean edges alone speak where there are enough of them; else the steps within texture help. None
    under three of either.
    """
    clean = mask & edges.clean
    count = int(np.count_nonzero(clean))
    enough = count >= _enough(softness)
    used = clean if enough else mask
    if np.count_nonzero(used) < _MIN_EDGES:
        return None
    value, stderr = sharp_end(edges.log_mtf50[used], edges.stderr[used])
    systematic = SYSTEMATIC if enough else _TEXTURE_SYSTEMATIC
    if enough and softness.added > 0 and np.count_nonzero(mask) > count:
        # A far roof out of focus is a plain step still, the grass in focus before it never was.
        other, error = sharp_end(edges.log_mtf50[mask], edges.stderr[mask])
        if other - value > max(_SHARPER, 2 * float(np.hypot(stderr, error))):
            value, stderr, systematic = other, error, _TEXTURE_SYSTEMATIC
    value, stderr = _system_value(value, stderr, softness)
    stderr = float(np.hypot(stderr, systematic))
    loose = 0.0 if enough else _LOOSE
    return _within_optics(value, max(stderr, loose), softness.limit), stderr, count, enough


def _within_optics(value: float, stderr: float, limit: float) -> float:
    """A value beyond what optics allow, taken back as far as its error leaves room for it.

    Only sharpening carries a picture there, by some `_SHARPENING`; a sharpened one of clean edges
    stays where it was measured, and what rests on steps within texture hardly does.
    """
    if value <= limit:
        return value
    return limit + (value - limit) * _SHARPENING**2 / (_SHARPENING**2 + stderr**2)


def _value(edges: Edges, mask: NDArray[np.bool_], softness: Softness) -> float | None:
    told = _told(edges, mask, softness)
    return None if told is None else float(np.exp(told[0]))


def zone_value(
    edges: Edges,
    mask: NDArray[np.bool_],
    shape: tuple[int, int],
    softness: Softness,
    directions: bool = True,
) -> ZoneSharpness | None:
    """The sharp end of the edges in `mask`; None under three. Radial and tangential if asked for."""
    told = _told(edges, mask, softness)
    if told is None:
        return None
    log_mtf50, stderr, count, enough = told
    mtf50 = float(np.exp(log_mtf50))
    h, w = shape
    bearing = np.arctan2(edges.y - (h - 1) / 2, edges.x - (w - 1) / 2)
    towards = np.abs(np.cos(edges.angle - bearing))
    across = np.abs(np.sin(edges.angle - bearing))
    return ZoneSharpness(
        mtf50,
        mtf50 * stderr,
        count,
        "edges" if enough else "both" if count >= _MIN_EDGES else "texture",
        *(
            _value(edges, mask & (facing > _NARROW), softness) if directions else None
            for facing in (towards, across)
        ),
    )


def direction_values(edges: Edges, softness: Softness) -> tuple[float | None, float | None]:
    """Frame-wide MTF50 of blur along x and along y."""
    along_x = np.abs(np.cos(edges.angle)) > _NARROW
    along_y = np.abs(np.sin(edges.angle)) > _NARROW
    return _value(edges, along_x, softness), _value(edges, along_y, softness)


def local_places(edges: Edges, shape: tuple[int, int]) -> tuple[Place | None, Place | None]:
    """The sharpest and the weakest place of the frame, the mean of three edges at least.

    Places are the cells of an 8 x 6 grid, no smaller than 160 px; the error of a place counts
    against it, so that noise alone does not make one the sharpest or weakest.
    """
    h, w = shape
    width, height = min(max(w // 8, 160), w), min(max(h // 6, 160), h)
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
        weight = 1 / np.hypot(edges.stderr[here], 0.05) ** 2
        value = float(weight @ edges.log_mtf50[here] / weight.sum())
        error = float(1 / np.sqrt(weight.sum()))
        x, y = int(index % columns) * width, int(index // columns) * height
        place = Place(x, y, width, height, float(np.exp(value)))
        if best is None or value - error > best[0]:
            best = (value - error, place)
        if worst is None or value + error < worst[0]:
            worst = (value + error, place)
    return best and best[1], worst and worst[1]
