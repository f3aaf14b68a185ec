"""What files say of their pixels, and what follows for the sensor of their body.

One file alone is judged as a body of one file is. The archive's frames tell what the body's full size is and, where
the database of sensors is silent, how large its sensor is; nothing is averaged over sizes.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate
from typing import Any, Final

from auditor.record import Certainty, FileKind, Source
from auditor.settings.sensors import SMALL_MM, sensor_sides

__all__ = [
    "CLOSE_VIEW",
    "LARGEST_PITCH_UM",
    "PANORAMA",
    "SAME_SIZE",
    "Evidence",
    "Sensor",
    "Verdict",
    "evidence_of",
    "known_sensor",
]

_SQUAREST_SHAPE: Final = 1.3
"""Long over short side from which a file's own shape can be its sensor's: 4:3 with some border."""
_LONGEST_SHAPE: Final = 1.55
"""The same to the other side, 3:2: wider formats are cut from these (common practice, no source)."""

Size = tuple[float, float]
"""Long and short side in pixels."""
SAME_SIZE: Final = 0.03
"""Relative difference within which two sizes, two shapes, or two pixel pitches are one: borders differ between
files, and tags are rounded."""
CLOSE_VIEW: Final = 0.12
"""Difference of logarithms beyond which a 35 mm equivalent, which is rounded, speaks against a sensor."""
LARGEST_PITCH_UM: Final = 10.0
"""At larger pixels a file is a reduced one: digital cameras for photographs have smaller ones, but for
a few of the first (common practice, no source)."""
PANORAMA: Final = 2.3
"""Long over short side from which a frame larger than the sensor is stitched."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What one file says of itself; sides in pixels, None where it does not say."""

    long: float
    short: float
    source: Source
    """Who wrote it, as far as the file tells."""
    body: bool = True
    """Whether it names its camera."""
    written: Size | None = None
    tagged_um: float | None = None
    view_mm: float | None = None
    """Diagonal by the 35 mm equivalent."""
    diagonal_mm: float | None = None
    """Diagonal by the database."""
    native: Size | None = None
    recoded: bool | None = None
    field_px: float | None = None
    """Longer side of the thumbnail's field at this file's pixels."""
    resampled: bool = False
    """Its pixels bear the traces of enlarging."""
    year: int | None = None
    cameras_size: bool = False
    """The camera itself wrote other frames of this size."""

    @property
    def shown(self) -> float | None:
        """Share of the thumbnail's longer side that the file's takes up, None without a thumbnail."""
        return min(1.0, self.long / self.field_px) if self.field_px else None


@dataclass(frozen=True, slots=True)
class Sensor:
    """What is known of a body's sensor."""

    size: Size | None = None
    """Sides of the camera's full size."""
    pixel_um: float | None = None
    diagonal_mm: float | None = None
    basis: str | None = None
    confirmed: bool = False
    """Size and diagonal come from the maker's note, from raw files, from exact tags, or from many."""

    def sides_mm(self, long: float, short: float) -> Size | None:
        """Sides of the sensor; a file's own shape stands in for an unknown one if it can be one."""
        if self.pixel_um and self.size:
            return self.size[0] * self.pixel_um / 1000, self.size[1] * self.pixel_um / 1000
        if not self.diagonal_mm:
            return None
        shape = long / short
        own = _SQUAREST_SHAPE < shape < _LONGEST_SHAPE
        return sensor_sides(self.diagonal_mm, shape if own else None)


@dataclass(frozen=True, slots=True)
class Verdict:
    """What became of the sensor's pixels in one file; `share` is of the sensor's area."""

    source: Source
    kind: FileKind
    reason: str
    pitch_um: float | None = None
    share: float | None = None
    certainty: Certainty | None = None


def _sides(width: float | None, height: float | None) -> Size | None:
    return (float(max(width, height)), float(min(width, height))) if width and height else None


def evidence_of(s: Any, view_mm: float | None, year: int | None) -> Evidence | None:
    """What a file says of its kind and scale; None where its size is not known.

    `s` has the fields of `Settings`; `view_mm` is the diagonal by focal length and 35 mm equivalent.
    """
    own = _sides(s.width_px, s.height_px)
    if own is None:
        return None
    recoded = None if s.recoded is None else bool(s.recoded)
    if recoded is None and s.maker_note:
        # No JPEG, so without a program's marks; but the camera's private notes are there.
        recoded = False
    return Evidence(
        *own,
        source=s.file_source or s.source,
        body=s.body is not None,
        written=_sides(s.written_width_px, s.written_height_px),
        tagged_um=s.told_pitch_um,
        view_mm=view_mm,
        diagonal_mm=s.sensor_diagonal_mm,
        native=_sides(s.native_width_px, s.native_height_px),
        recoded=recoded,
        field_px=s.whole_side_px,
        resampled=bool(s.resampled),
        year=year,
    )


def _another_sensor(diagonal_mm: float, view_mm: float) -> bool:
    """Whether a 35 mm equivalent is of another sensor than the database's: telephones have several under
    one name, and the equivalent is of the one in use. False where either is NaN."""
    return diagonal_mm < SMALL_MM and abs(math.log(diagonal_mm / view_mm)) > CLOSE_VIEW


FEWEST: Final = 2
"""One frame of a size may be enlarged or stitched."""
Rows = Sequence[tuple[Evidence, int]]
"""What a body's files say, and how many say so: few, so that plain Python is quicker than tables."""
Sizes = Mapping[Size, Counter[str]]
"""Frames of every size by who wrote them, the smallest size first."""


def known_sensor(rows: Rows) -> Sensor:
    """The sensor of a body from its files: what each says, and how many say so."""
    size, confirmed = _native_size(rows)
    return _sensor(rows, size, confirmed)


def _sizes(rows: Rows) -> Sizes:
    found: dict[Size, Counter[str]] = {}
    for e, frames in rows:
        if e.long < PANORAMA * e.short and e.source != "resized":
            found.setdefault((e.long, e.short), Counter())[e.source] += frames
    return dict(sorted(found.items(), key=lambda item: (math.prod(item[0]), item[0])))


def _same(a: float, b: float) -> bool:
    """Whether two lengths are within `SAME_SIZE` of each other."""
    return abs(a / b - 1) <= SAME_SIZE


def _shown(sizes: Sizes, size: Size) -> Size:
    """The camera's own pictures lack the border that raw files and notes have; copies are made of
    these: the commonest size of camera files close to a size, else of files by programs, else that size."""
    for writer in ("camera", "edited"):
        alike = {
            one: by[writer]
            for one, by in sizes.items()
            if by[writer] and _same(one[0], size[0]) and _same(one[1], size[1])
        }
        if alike:
            return max(alike, key=lambda one: alike[one])
    return size


def _native_size(rows: Rows) -> tuple[Size | None, bool]:
    """Full size of a body, and whether that is sure.

    Makers' notes know it. Else it is the largest size of several frames that the camera wrote, or of a raw file.
    Where programs wrote all frames, the size that tags were left over from, or the largest usual one.
    """
    noted: Counter[Size] = Counter()
    for e, frames in rows:
        if e.native:
            noted[e.native] += frames
    sizes = _sizes(rows)
    if noted:
        return _shown(sizes, max(sorted(noted), key=lambda size: noted[size])), True
    written = _written(rows)
    by_camera = [size for size, by in sizes.items() if by["raw"] or by["camera"]]
    if by_camera:
        enough = [s for s in by_camera if sizes[s]["raw"] or sizes[s]["camera"] >= FEWEST]
        size = _shown(sizes, (enough or by_camera)[-1])
        # Tags of another shape tell the size of a stitched or cut picture.
        larger = (
            written is not None
            and written[0] > size[0] * (1 + SAME_SIZE)
            and _same(written[0] / written[1], size[0] / size[1])
        )
        return (written, False) if larger else (size, bool(enough))
    by_tags = _left_in_tags(rows)
    if by_tags is not None:
        return _shown(sizes, by_tags), True
    return written or _usual(sizes), False


def _written(rows: Rows) -> Size | None:
    """The largest size that tags of changed files were left over from."""
    found = [
        e.written
        for e, _ in rows
        if e.written
        and e.source in ("edited", "resized")
        and not _same(e.written[0], e.long)
        and e.written[0] < PANORAMA * e.written[1]
    ]
    return max(found, key=math.prod, default=None)


def _left_in_tags(rows: Rows) -> Size | None:
    """Full size by tags of the sensor's pixel that programs left, beside the sensor's size in mm."""
    found = []
    for e, _ in rows:
        if e.tagged_um and e.diagonal_mm:
            own, sides = (
                (e.long, e.short),
                Sensor(diagonal_mm=e.diagonal_mm).sides_mm(e.long, e.short),
            )
            assert sides is not None
            size = (sides[0] / e.tagged_um * 1000, sides[1] / e.tagged_um * 1000)
            whole = _same(_span(e, size), 1) and _same(own[0] / own[1], size[0] / size[1])
            found.append(own if whole else size)
    return sorted(found)[len(found) // 2] if found else None


def _usual(sizes: Sizes) -> Size | None:
    """The largest size that programs wrote often, where nothing else tells. One size alone tells nothing:
    every file may be reduced to it."""
    if len(sizes) < 2:
        return None
    usual = [size for size, by in sizes.items() if by.total() >= FEWEST]
    return (usual or list(sizes))[-1]


def _median(weighed: Iterable[tuple[float, float]]) -> float:
    """Median of values with their weights; NaN where there is none."""
    pairs = sorted(weighed)
    total = list(accumulate(w for _, w in pairs))
    return float(pairs[bisect_left(total, total[-1] / 2)][0]) if pairs else math.nan


def _span(e: Evidence, size: Size) -> float:
    """How much of a full size a file has, along the side of which it has more."""
    return max(e.long / size[0], e.short / size[1])


def _sensor(rows: Rows, size: Size | None, confirmed: bool) -> Sensor:
    """Size and scale of a sensor from its frames, the database before tags."""
    diagonal = _median((e.diagonal_mm, n) for e, n in rows if e.diagonal_mm) or math.nan
    whole = [(e, n) for e, n in rows if size is None or _same(_span(e, size), 1)]
    # Else the tags that programs left, which are of the whole.
    whole = whole or [(e, n) for e, n in rows if e.source == "edited"]
    views = [(e.view_mm, n) for e, n in whole if e.view_mm and e.source != "resized"]
    by_view = _median(views)
    basis = "database"
    if math.isnan(diagonal) or _another_sensor(diagonal, by_view):
        diagonal, basis = by_view, "equivalent"
    if math.isnan(diagonal):
        basis = "tagged"
    unsized = Sensor(None, None, None if math.isnan(diagonal) else diagonal, basis)
    if size is None:
        return unsized
    # Between two pitches the smaller, for doubled ones are a known fault.
    tagged = _median((e.tagged_um, n) for e, n in whole if e.tagged_um)
    agreeing = sum(n for e, n in whole if e.tagged_um and _same(e.tagged_um, tagged))
    shape = size[0] / size[1]
    sides = sensor_sides(diagonal, shape if shape < _LONGEST_SHAPE else None)
    scale = min(sides[0] / size[0], sides[1] / size[1]) * 1000
    if scale > LARGEST_PITCH_UM and not any(e.native for e, _ in rows):
        return unsized
    apart = abs(math.log(tagged / scale))
    if basis == "database":
        if apart <= SAME_SIZE:
            return Sensor(size, tagged, diagonal, "tagged", True)
        return Sensor(size, scale, diagonal, basis, confirmed)
    contradicted = apart > CLOSE_VIEW and sum(n for _, n in views) >= max(FEWEST, agreeing)
    if math.isnan(tagged) and math.isnan(scale):
        return Sensor(size)
    if math.isnan(tagged) or contradicted:
        return Sensor(size, scale, diagonal, basis, confirmed)
    return Sensor(size, tagged, math.hypot(*size) * tagged / 1000, "tagged", confirmed)
