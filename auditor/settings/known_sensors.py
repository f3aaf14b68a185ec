"""What an archive's frames tell of each body's sensor: its full size in pixels and its scale."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import accumulate
from statistics import median
from typing import Any, Final

import pandas as pd

from auditor.settings.file_evidence import LONGEST_SHAPE, Evidence, Sensor
from auditor.settings.kinds import (
    CLOSE_VIEW,
    LARGEST_PITCH_UM,
    PANORAMA,
    SAME_SENSOR,
    SAME_SIZE,
    sensor_alone,
)
from auditor.settings.sensors import SMALL_MM, sensor_sides

__all__ = ["known_sensors"]

OFTEN: Final = 0.15
"""Share of the frames of a program's commonest size that makes a larger size no exception."""
RARE: Final = 0.005
"""Share of the frames by the camera under which a size may be of one enlarged or stitched picture."""
SHAPES: Final = (1.2, 1.6)
"""Long over short side of sensors (common practice, no source); others are cut."""
DOUBLED: Final = 0.2
"""Difference of logarithms from which most 35 mm equivalents outvote focal-plane tags."""

Size = tuple[float, float]
Rows = Sequence[Any]
"""Rows of the table of evidence: few for each body, so that plain Python is quicker than tables."""


def known_sensors(e: pd.DataFrame) -> dict[tuple[int, float], Sensor]:
    """Sensor of every unit (body, and focal length where a body has several sensors).

    Parameters
    ----------
    e : pandas.DataFrame
        Evidence of frames, alike ones in one row with their number in `frames` (`scale`).

    Returns
    -------
    dict
        Unit -> `Sensor`; an empty one where nothing tells.
    """
    found: dict[tuple[int, float], Sensor] = {}
    bodies: dict[int, list[Any]] = {}
    for row in e.itertuples(index=False):
        bodies.setdefault(int(row.body), []).append(row)  # type: ignore[arg-type]
    for body, part in bodies.items():
        size, confirmed = _native_size(part) if body >= 0 else (None, False)
        known = body >= 0 and any(r.short > 0 for r in part)
        units: dict[tuple[int, float], list[Any]] = {}
        for row in part:
            units.setdefault((int(row.unit[0]), float(row.unit[1])), []).append(row)
        for unit, rows in units.items():
            found[unit] = _sensor(rows, size, confirmed) if known else Sensor()
    return found


@dataclass(slots=True)
class _Count:
    """A size with the number of frames that have it: all, those the camera wrote, raw ones."""

    long: float
    short: float
    all: float = 0.0
    by_camera: float = 0.0
    raw: float = 0.0

    @property
    def size(self) -> Size:
        return self.long, self.short


def _sizes(part: Rows) -> list[_Count]:
    """Sizes in use, the smallest first."""
    found: dict[Size, _Count] = {}
    for r in part:
        if r.short > 0 and r.long < PANORAMA * r.short and r.source != "resized":
            count = found.setdefault((r.long, r.short), _Count(r.long, r.short))
            count.all += r.frames
            count.by_camera += r.frames if r.source in ("raw", "camera") else 0
            count.raw += r.frames if r.source == "raw" else 0
    return sorted(found.values(), key=lambda c: (c.long * c.short, c.long))


def _same(a: float, b: float) -> bool:
    """Whether two lengths are within `SAME_SIZE` of each other; no length is the same as an unknown one."""
    return abs(a / b - 1) <= SAME_SIZE if b else False


def _shown(sizes: Sequence[_Count], size: Size) -> Size:
    """The camera's own pictures lack the border that raw files and notes have; copies are made of
    these: the commonest size of camera files close to a size, else that size."""
    similar_sizes = [c for c in sizes if _same(c.long, size[0]) and _same(c.short, size[1])]
    for counted in ("by_camera", "all"):
        rendered = [(getattr(c, counted) - c.raw, c) for c in similar_sizes]
        if rendered and max(n for n, _ in rendered) > 0:
            return max(rendered, key=lambda r: r[0])[1].size
    return size


def _native_size(part: Rows) -> tuple[Size | None, bool]:
    """Full size of a body, and whether that is sure.

    Makers' notes know it. Else it is the largest size that the camera writes: one that several frames
    have or half a percent of many, so that one enlarged or stitched picture does not count. Where
    programs wrote all frames, the size that tags were left over from, or the largest usual one.
    """
    noted: dict[Size, float] = {}
    for r in part:
        if r.native_long > 0 and r.native_short > 0:
            pair = (r.native_long, r.native_short)
            noted[pair] = noted.get(pair, 0.0) + r.frames
    sizes = _sizes(part)
    if noted:
        return _shown(sizes, max(sorted(noted), key=lambda pair: noted[pair])), True
    by_camera = [c for c in sizes if c.by_camera > 0]
    least = max(2.0, RARE * sum(c.by_camera for c in by_camera))
    enough = [c for c in by_camera if c.by_camera >= least or c.raw > 0]
    written = _written(part)
    if by_camera:
        size = _shown(sizes, (enough or by_camera)[-1].size)
        larger = written is not None and written[0] > size[0] * (1 + SAME_SIZE)
        return (written, False) if larger else (size, bool(enough))
    by_tags = _left_in_tags(part)
    if by_tags is not None:
        return _shown(sizes, by_tags), True
    return written or _usual(sizes), False


def _written(part: Rows) -> Size | None:
    """The largest size that tags of changed files were left over from."""
    found = [
        (r.written_long, r.written_short)
        for r in part
        if r.source in ("edited", "resized")
        and r.written_long > 0
        and r.written_short > 0
        and not math.isnan(r.long)
        and not _same(r.written_long, r.long)
        and SHAPES[0] < r.written_long / r.written_short < SHAPES[1]
    ]
    return max(found, key=lambda pair: pair[0] * pair[1]) if found else None


def _left_in_tags(part: Rows) -> Size | None:
    """Full size by tags of the sensor's pixel that programs left, beside the sensor's size in mm."""
    alone = [
        sensor_alone(
            Evidence(r.long, r.short, "edited", tagged_um=r.tagged, diagonal_mm=r.diagonal)
        )
        for r in part
        if r.tagged > 0 and r.diagonal > 0 and r.short > 0
    ]
    found = sorted(s.size for s in alone if s.size is not None)
    return found[len(found) // 2] if found else None


def _usual(sizes: Sequence[_Count]) -> Size | None:
    """The largest size that programs wrote often, where nothing else tells. One size alone tells nothing:
    every file may be reduced to it."""
    if len(sizes) < 2:
        return None
    least = max(2.0, OFTEN * max(c.all for c in sizes))
    usual = [c for c in sizes if c.all >= least]
    return (usual or sizes)[-1].size


def _median(weighed: Iterable[tuple[float, float]]) -> float:
    """Median of values with their weights."""
    pairs = sorted(weighed)
    total = list(accumulate(w for _, w in pairs))
    return float(pairs[bisect_left(total, total[-1] / 2)][0])


def _span(row: Any, size: Size) -> float:
    """How much of a full size a file has, along the side of which it has more."""
    return float(max(row.long / size[0], row.short / size[1]))


def _tagged(rows: Rows, size: Size) -> tuple[float, float]:
    """The pitch at full size by the median of focal-plane tags, and how many agree with it; between two
    the smaller, for doubled ones are a known fault."""
    rows = [r for r in rows if r.tagged > 0 and abs(_span(r, size) - 1) <= SAME_SIZE]
    if not rows:
        return math.nan, 0.0
    pitch = _median((r.tagged, r.frames) for r in rows)
    return pitch, float(sum(r.frames for r in rows if _same(r.tagged, pitch)))


def _sensor(rows: Rows, size: Size | None, confirmed: bool) -> Sensor:
    """Size and scale of one sensor from its frames, the database before tags."""
    known = [(r.diagonal, r.frames) for r in rows if r.diagonal > 0]
    diagonal = _median(known) if known else None
    with_view = [r for r in rows if r.view > 0 and r.source != "resized"]
    if size is not None and diagonal is None:
        with_view = [r for r in with_view if abs(_span(r, size) - 1) <= SAME_SIZE]
    view = _median((r.view, r.frames) for r in with_view) if with_view else None
    views = float(sum(r.frames for r in with_view))
    small = diagonal is not None and diagonal < SMALL_MM
    if diagonal and view and small and views >= 2 and abs(math.log(diagonal / view)) > CLOSE_VIEW:
        diagonal = None  # another of the body's sensors
    if size is None:
        if diagonal:
            return Sensor(None, None, diagonal, "database")
        rough = bool(with_view) and all(r.rough for r in with_view)
        return Sensor(None, None, view, "equivalent", rough=rough)
    tagged, agreeing = _tagged(rows, size)
    shape = size[0] / size[1]
    known_diagonal = diagonal or view
    scale = math.nan
    if known_diagonal:
        sides = sensor_sides(known_diagonal, shape if shape < LONGEST_SHAPE else None)
        scale = min(sides[0] / size[0], sides[1] / size[1]) * 1000
    if scale > LARGEST_PITCH_UM and not any(r.native_long > 0 for r in rows):
        return Sensor(None, None, known_diagonal, "database" if diagonal else "equivalent")
    if diagonal:
        if abs(math.log(tagged / scale)) <= SAME_SENSOR:
            return Sensor(size, tagged, diagonal, "tagged", True)
        return Sensor(size, scale, diagonal, "database", confirmed)
    contradicted = abs(math.log(tagged / scale)) > DOUBLED and views >= max(2.0, agreeing)
    if math.isnan(tagged) or contradicted:
        if math.isnan(scale):
            return _left_over(rows, size)
        rough = all(r.rough for r in with_view)
        return Sensor(size, scale, view, "equivalent", confirmed, rough)
    return Sensor(size, tagged, math.hypot(*size) * tagged / 1000, "tagged", confirmed)


def _left_over(rows: Rows, size: Size) -> Sensor:
    """A sensor without any figure at its full size: tags that the camera's reduced files bear follow their
    size; those that programs left in files which still tell the full size are of that."""
    pixels = [
        r.tagged * min(_span(r, size), 1) for r in rows if r.tagged > 0 and r.source == "camera"
    ]
    if not pixels:
        pixels = [r.tagged for r in rows if r.tagged > 0 and _same(r.written_long, size[0])]
    if not pixels:
        return Sensor(size)
    pixel = float(median(pixels))
    return Sensor(size, pixel, math.hypot(*size) * pixel / 1000, "tagged")
