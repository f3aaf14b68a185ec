"""From single edges to zones, sides and directions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.sharpness.edges import Edges
from auditor.measure.sharpness.natural import held_back
from auditor.measure.sharpness.places import radius_of, zone_of
from auditor.measure.sharpness.sharp_end import edge_noise, sharp_end
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
_TEXTURE_SYSTEMATIC: Final = 0.12
_MIN_EDGES: Final = 3
_ENOUGH: Final = 10
_RICH: Final = 0.34
_SCARCE: Final = 0.22
"""Shares of clean edges among the places tried, from which and down to which objects are soft."""
_MANY: Final = 30
_PRECISE: Final = 0.2
_AGREE: Final = 2.0
_SAME: Final = (0.65, 0.90)
"""Shares of a frame's edges that show one blur, from which and up to which its objects pass for steps.
Nine in ten of 86 photographs lay below the first; discs crowded as leaves behind 0.6 px of blur, 0.73 to
0.87."""
_SOFTNESS: Final = 7.0
_SOFTNESS_ERROR: Final = 6.0
_PIXEL: Final = 2.75
"""1 / MTF50^2 of a bare square pixel, whose MTF50 is 0.603 c/px."""
_NEAR_LIMIT: Final = 1.2
_NEAR_PIXEL: Final = 4.0
"""How gently (px^2) the correction for soft objects stops short of the bare pixel, with and without
knowledge of the optics' own limit."""
_OPEN: Final = 0.6
"""Share of what a zone of a frame of soft objects lacks that its error takes in. Over photographs seen
through known optics it brings 89 to 90% of the zones within two standard errors, however they had been
reduced before. All of it would hide frames that are truly out of focus."""
_SHARPENING: Final = 0.15
"""How far (ln MTF50) ordinary sharpening lifts a picture beyond what optics allow, as clean edges show."""
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


def scene_softness(clean_share: float, edges: Edges, limit: float = np.inf) -> Softness:
    """Softness of a frame's objects from the share of clean edges among the places tried.

    Rooftops and cut stone are steps; leaves, grass and rock are not, not even their sharpest edges.
    Photographs reduced two or three times and seen through known optics, with aberrations that
    fade as the aperture closes, read true in the median at every stop with 7 taken off (between 6
    and 7 in either half of 55 of them; 5% low with 3.8) where clean edges were scarce among the
    places tried. Single frames differ by as much, and nothing seen in one tells how much: neither
    shares nor counts nor the spread of edges go with it. But where most edges, crowded as they are,
    show one and the same blur, it is the system's: objects of their own softness would differ.
    """
    scarce = float(np.clip((_RICH - clean_share) / (_RICH - _SCARCE), 0, 1))
    if scarce > 0:
        scarce *= float(np.clip((_SAME[1] - _agreement(edges)) / (_SAME[1] - _SAME[0]), 0, 1))
    return Softness(_SOFTNESS * scarce, _SOFTNESS_ERROR * scarce, limit)


def _agreement(edges: Edges) -> float:
    """Share of the well measured edges that differ from the sharp end by no more than their errors.

    0 where clean edges are few: what stands in the midst of texture all agrees in being off.
    """
    use = edges.stderr < _PRECISE
    if np.count_nonzero(edges.clean) < _MANY or np.count_nonzero(use) < _MANY:
        return 0.0
    value, noise = edges.log_mtf50[use], edge_noise(edges.stderr[use])
    return float(np.mean(np.abs(value - sharp_end(value, edges.stderr[use])[0]) < _AGREE * noise))


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


def _lens_value(
    edges: Edges,
    clean: NDArray[np.bool_],
    mask: NDArray[np.bool_],
    enough: bool,
    softness: Softness,
) -> tuple[float, float]:
    """ln MTF50 of the sharp end and its error: of the clean edges, of all, or of something between.

    Before true steps the clean edges know best. Among soft objects the plainest steps are often a
    distance out of focus, and texture is not.
    """
    all_of_them = softness.added / _SOFTNESS if enough else 1.0
    told = np.zeros(2)
    for share, used in ((1 - all_of_them, clean), (all_of_them, mask)):
        if share > 0:
            found = sharp_end(edges.log_mtf50[used], edges.stderr[used], softness.limit)
            told += share * np.array(found)
    return float(told[0]), float(told[1])


def _told(
    edges: Edges, mask: NDArray[np.bool_], softness: Softness
) -> tuple[float, float, int, bool] | None:
    """ln MTF50 of the edges in `mask`, its error, the clean ones' count and whether these settled it.

    Clean edges settle a zone where there are enough of them; else the steps within texture help. None
    under three of either.
    """
    clean = mask & edges.clean
    count = int(np.count_nonzero(clean))
    enough = count >= _enough(softness)
    if np.count_nonzero(mask) < _MIN_EDGES:
        return None
    value, stderr = _lens_value(edges, clean, mask, enough, softness)
    systematic = SYSTEMATIC if enough else _TEXTURE_SYSTEMATIC
    value, stderr = _system_value(value, stderr, softness)
    stderr = float(np.hypot(stderr, systematic))
    return _within_optics(value, stderr, enough, softness.limit), stderr, count, enough


def _within_optics(value: float, stderr: float, clean: bool, limit: float) -> float:
    """A value beyond what optics allow, taken back (`held_back`).

    Only sharpening carries a picture there, by some `_SHARPENING`; a sharpened one of clean edges
    stays where it was measured. Steps within texture can't tell sharpening from their own error.
    """
    if clean:
        return held_back(value, stderr, limit, _SHARPENING)
    return held_back(value, max(stderr, _LOOSE), limit)


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

    Places are as large as the cells of an 8 x 6 grid, no smaller than 160 px; the error of a place
    counts against it, so that noise alone does not make one the sharpest or weakest.
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
