"""A frame's sharpness: places, edges, texture, zones."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from auditor.measure.picture import Picture
from auditor.measure.sharpness.coding import coding_of, pooled_edges
from auditor.measure.sharpness.edge_detection import EdgeMap, edge_map, radius_of, zone_of
from auditor.measure.sharpness.edges import Edges, measure_edges
from auditor.measure.sharpness.fine_texture import fine_texture
from auditor.measure.sharpness.light import Light, light_of
from auditor.measure.sharpness.sharp_places import CELL_PX, sharp_places
from auditor.measure.sharpness.softness import nothing_in_focus, out_of_focus, scene_softness
from auditor.measure.sharpness.texture import choose_windows, is_upsampled
from auditor.measure.sharpness.zones import (
    directional_mtf50,
    local_places,
    zone_frontier,
    zone_masks,
    zone_sharpness,
)
from auditor.record import SIDES, ZONES, Sharpness, ZoneSharpness

__all__ = ["measure_sharpness", "sharpness_and_edges"]

_FIRST_PER_ZONE: Final = (50, 60, 90)
"""Places tried first in centre, middle and corner."""
_PER_ZONE: Final = (90, 100, 110)
"""Places tried at most after them where these leave a zone open."""
_SETTLED: Final = 70
"""Clean edges with which a zone stays the same within 3% whatever the noise and the choice of edges. With 50 a frame
takes an eighth less time, but of photographs behind known optics 87 instead of 91% lie within two stated errors; with
fewer still in small frames 83%."""
_MIN_SIDE: Final = 48
"""Shorter side (px) of a frame below which no patch has room to be found and moved."""
_BLURRED: Final = 0.07
"""MTF50 (c/px) below which nothing is in focus: less than f/32 allows at 4 um pitch."""
_WIDE: Final = "nothing is in focus: even the sharpest edges are wide"
"""What is said of a frame in which nothing is in focus."""
_NO_DETAIL: Final = (
    "no measurable detail: the frame is featureless, clipped, all noise or blurred throughout"
)
"""What is said where nothing is found at all; blurs beyond some eight pixels leave nothing either."""
_NO_ZONE: Final = "too few clean edges for a figure of any zone"
"""What is said of a frame of which only its sharpest edges have a figure."""
_OUTLINE: Final = 0.05
"""Step (1 = white) of an edge that is an outline: those far out of focus have it, the noise and shading of an empty
sky do not."""


def _nothing(note: str) -> Sharpness:
    return Sharpness(
        dict.fromkeys(ZONES),
        dict.fromkeys(SIDES),
        in_focus=False,
        note=note,
    )


def measure_sharpness(picture: Picture, limit_cpp: float | None = None) -> Sharpness:
    """System MTF50 by zone from the frame's own edges; never raises on odd pixels.

    Parameters
    ----------
    picture : Picture
        Code values or a mosaic.
    limit_cpp : float or None
        MTF50 (c/px) of a perfect lens at the frame's aperture and pixel pitch, if known. It bounds errors
        and tells what can't be in focus; no figure is moved to it.

    Returns
    -------
    Sharpness
        MTF50 in cycles per pixel by zone, side and direction; None where nothing could be measured, with a
        note.
    """
    return sharpness_and_edges(picture, limit_cpp)[0]


def sharpness_and_edges(
    picture: Picture, limit_cpp: float | None = None
) -> tuple[Sharpness, Edges | None]:
    """As `measure_sharpness`, with the edges behind it.

    Parameters
    ----------
    picture : Picture
        Code values or a mosaic.
    limit_cpp : float or None
        As in `measure_sharpness`.

    Returns
    -------
    sharpness : Sharpness
        See `measure_sharpness`.
    edges : Edges or None
        Edges at places chosen without regard to sharpness; None when there is nothing to measure.
    """
    light = light_of(picture)
    h, w = light.shape
    if min(h, w) < _MIN_SIDE:
        return _nothing(f"too small to measure sharpness ({w} x {h} pixels)"), None
    finder = edge_map(light)
    limit = np.inf if limit_cpp is None else float(np.log(limit_cpp))
    every_edge, tried = _edges(light, finder)
    share = np.count_nonzero(every_edge.clean & (every_edge.place < tried)) / max(tried, 1)
    every_edge = pooled_edges(every_edge, coding_of(light))
    edges = every_edge.take(every_edge.place < tried)
    softness = scene_softness(share, limit)
    masks = zone_masks(edges.y, edges.x, light.shape)
    frontiers = {name: zone_frontier(edges, masks[name], softness) for name in ZONES}
    sharpest_by_zone = {n: e.mtf50_and_stderr for n, e in frontiers.items() if e is not None}
    softness = replace(softness, focused=not nothing_in_focus(sharpest_by_zone, softness))
    zones = {n: zone_sharpness(e, softness) for n, e in frontiers.items()}
    zones |= dict.fromkeys(out_of_focus(sharpest_by_zone, softness.limit))
    by_direction = directional_mtf50(every_edge)
    sharpest, weakest = local_places(edges, light.shape)
    outlines = every_edge.take(every_edge.step > _OUTLINE)
    outline, _ = local_places(outlines, light.shape, (1, 1))
    if sharpest is None:
        sharpest = weakest = outline
    edge_values = [v for v in by_direction.values() if v is not None]
    if sharpest is not None:
        edge_values.append(sharpest.mtf50_cpp)
    values = [z.mtf50_cpp for z in zones.values() if z is not None] or edge_values
    if not values:
        return _nothing(_NO_DETAIL if softness.focused else _WIDE), None
    sides = {n: zone_sharpness(zone_frontier(edges, masks[n], softness), softness) for n in SIDES}
    in_focus = softness.focused and max(values) > _BLURRED
    windows = choose_windows(light, finder.small, finder.factor)
    texture = fine_texture(light, *windows.detailed)
    return Sharpness(
        zones,
        sides,
        horizontal_cpp=by_direction["horizontal"],
        falling_cpp=by_direction["falling"],
        vertical_cpp=by_direction["vertical"],
        rising_cpp=by_direction["rising"],
        streaks=texture.streaks,
        fineness=texture.fineness,
        upsampled=is_upsampled(light, windows),
        in_focus=in_focus,
        note=_note(zones, in_focus),
        sharpest=sharpest,
        weakest=weakest,
    ), edges


def _edges(light: Light, finder: EdgeMap) -> tuple[Edges, int]:
    """A frame's edges, and how many places were chosen without regard to sharpness; they come first.

    Zones are read from these; what is sharpest in the frame is looked for besides.
    """
    places = finder.places(CELL_PX, _FIRST_PER_ZONE)
    first = measure_edges(light, places.y, places.x)
    more = finder.places(CELL_PX, _missing_places(_clean(first, light)), places)
    rest = more.joined_with(sharp_places(light))
    edges = first.joined_with(measure_edges(light, rest.y, rest.x).numbered_from(len(places.y)))
    return edges, len(places.y) + len(more.y)


def _note(zones: Mapping[str, ZoneSharpness | None], in_focus: bool) -> str | None:
    """What is said of a measured frame, where anything is."""
    if not in_focus:
        return _WIDE
    return _NO_ZONE if all(z is None for z in zones.values()) else None


def _clean(edges: Edges, light: Light) -> list[int]:
    """How many clean edges each zone has."""
    zone = zone_of(radius_of(edges.y[edges.clean], edges.x[edges.clean], light.shape))
    return [int(np.count_nonzero(zone == i)) for i in range(len(ZONES))]


def _missing_places(clean: list[int]) -> list[int]:
    """Places to try in each zone until it has `_SETTLED` clean edges, if they come as they came so far."""
    return [
        min(most, (max(_SETTLED - n, 0) * first) // max(n, 1))
        for n, first, most in zip(clean, _FIRST_PER_ZONE, _PER_ZONE, strict=True)
    ]
