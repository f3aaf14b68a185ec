"""Scale and kind of file over all frames of a body: what one file says, judged beside the others.

The archive's frames tell what the body's full size is and, where the database of sensors is silent, how
large its sensor is. Then every frame is judged by the rules for one file (`kinds`), with that knowledge
in place of its own; nothing is averaged over sizes.
"""

from __future__ import annotations

import dataclasses
import math
from bisect import bisect_left
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from itertools import accumulate
from statistics import median
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.record import FileKind
from auditor.record.values import numbers, texts, words
from auditor.settings.file_evidence import (
    LONGEST_SHAPE,
    Evidence,
    Sensor,
    Size,
    Verdict,
    evidence_of,
)
from auditor.settings.kinds import (
    CLOSE_VIEW,
    LARGEST_PITCH_UM,
    PANORAMA,
    SAME_SIZE,
    another_sensor,
    figures,
    judge,
    sensor_alone,
)
from auditor.settings.sensors import FULL_FRAME_DIAGONAL_MM, SMALL_MM, sensor_sides

__all__ = ["reconcile_scale"]

STEP: Final = 0.01
"""Step of logarithms in which figures are told apart: within one nothing changes."""

SAME_FIGURE: Final = 1e-3
"""Relative difference within which a pitch is the one that tags tell: tags are rounded."""
_FIGURES: Final = ("pixel_pitch_um", "sensor_share", "sensor_pixel_um")
"""Settled columns of numbers; the others are of text."""
_READ: Final = (
    *("width_px", "height_px", "written_width_px", "written_height_px"),
    *("native_width_px", "native_height_px", "sensor_diagonal_mm"),
    *("recoded", "maker_note", "resampled"),
)
"""Columns of evidence that are taken as they are."""


def reconcile_scale(frames: pd.DataFrame) -> pd.DataFrame:
    """The table with `source`, `file_kind`, `pixel_pitch_um` and what goes with them settled; `body` must
    be. Columns of evidence (`file_source`, `told_pitch_um`) are filled where a table lacks them, so
    that a second time nothing changes."""
    out = frames.copy(deep=False)
    told = _told(frames)
    code = told.groupby(list(told), sort=False, dropna=False).ngroup().to_numpy(np.int64)
    rows = told.iloc[np.unique(code, return_index=True)[1]].astype(object)
    settled = _settled(rows.where(rows.notna(), None), np.bincount(code, minlength=len(rows)))
    columns = {
        name: np.array([one[name] for one in settled], float if name in _FIGURES else object)[code]
        for name in settled[0]
    }
    columns |= {name: told[name].to_numpy() for name in ("file_source", "told_pitch_um")}
    # A pitch that the file's own tags tell stays theirs.
    basis = words(frames, "pitch_basis")
    apart = np.abs(columns["told_pitch_um"] / columns["pixel_pitch_um"] - 1)
    own = np.isin(basis.astype(str), ("focal-plane", "maker")) & (apart <= SAME_FIGURE)
    columns["pitch_basis"] = np.where(own, basis, columns["pitch_basis"])
    for name, column in columns.items():
        if name in out or name in ("source", "pixel_pitch_um", "pitch_basis"):
            like = "object" if column.dtype == object else None
            out[name] = pd.Series(column, index=out.index, dtype=like)
    return out


def _told(frames: pd.DataFrame) -> pd.DataFrame:
    """What every frame says of itself, named as in `Settings`; bodies by number, see `_cameras`."""
    own, writer = words(frames, "file_source"), words(frames, "source", "unknown")
    # Tables made by hand give the pitch that tags tell as the frame's own.
    by_tags = (own == "") & np.isin(words(frames, "pitch_basis").astype(str), _BY_TAGS)
    tagged, pitch = numbers(frames, "told_pitch_um"), numbers(frames, "pixel_pitch_um")
    focal, equivalent = numbers(frames, "focal_length_mm"), numbers(frames, "focal_35mm")
    with np.errstate(all="ignore"):
        view_mm = FULL_FRAME_DIAGONAL_MM * focal / equivalent
    return pd.DataFrame({
        "body": _cameras(frames, view_mm),
        "file_source": np.where(own == "", writer, own),
        "told_pitch_um": np.where(np.isnan(tagged) & by_tags, pitch, tagged),
        "view_mm": _stepped(view_mm),
        "whole_side_px": _stepped(numbers(frames, "whole_side_px")),
        "year": pd.to_numeric(texts(frames, "taken").str[:4], errors="coerce").to_numpy(float),
        **{name: numbers(frames, name) for name in _READ},
    })  # fmt: skip


_BY_TAGS: Final = ("focal-plane", "maker", "")


def _stepped(values: NDArray[np.float64]) -> NDArray[np.float64]:
    with np.errstate(all="ignore"):
        return np.exp(np.round(np.log(values) / STEP) * STEP)


MOST_CAMERAS: Final = 5
"""No telephone has more (common practice, no source)."""
LONGEST_OF_SMALL_MM: Final = 20.0
"""No telephone's camera has a longer focal length (common practice, no source)."""
OTHER_VIEW: Final = 1.1
"""Largest over smallest diagonal of a body's focal lengths from which it has several sensors."""


def _cameras(frames: pd.DataFrame, view_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Cameras by number, NaN without a name: a body each, but telephones have several under one name. Few focal
    lengths that tell of different diagonals are a camera each, unless the body's sensor is known to be large.
    """
    focal = numbers(frames, "focal_length_mm")
    rows = pd.DataFrame({
        "body": pd.factorize(frames["body"].astype("object"))[0],
        "focal": _stepped(np.where(focal < LONGEST_OF_SMALL_MM, focal, np.nan)),
        "view": view_mm,
    })  # fmt: skip
    views = rows.dropna().groupby(["body", "focal"])["view"].median().groupby("body")
    apart = views.max() > views.min() * OTHER_VIEW
    several = apart.index[apart & (views.size() <= MOST_CAMERAS)]
    large = rows["body"][numbers(frames, "sensor_diagonal_mm") > SMALL_MM]
    parted = rows["body"].isin(several.difference(large))
    rows["focal"] = rows["focal"].where(parted)
    number = rows.groupby(["body", "focal"], sort=False, dropna=False).ngroup()
    return number.where(rows["body"] >= 0).to_numpy(float)


def _settled(rows: pd.DataFrame, frames: NDArray[np.int64]) -> list[dict[str, Any]]:
    """What is settled of each row; frames without a known size stay whose they were."""
    told = list(rows.itertuples(index=False))
    seen = [evidence_of(r, r.view_mm, r.year) for r in told]  # type: ignore[arg-type]
    bodies: dict[object, list[tuple[Evidence, int]]] = {}
    by_camera = set()
    for r, e, n in zip(told, seen, frames.tolist(), strict=True):
        if e is not None and r.body is not None:
            bodies.setdefault(r.body, []).append((e, n))
            if e.source == "camera" and e.recoded is False:
                by_camera.add((r.body, e.long, e.short))
    sensors = {body: _known_sensor(found) for body, found in bodies.items()}
    out = []
    for r, e in zip(told, seen, strict=True):
        if e is None:
            kind: FileKind = "raw" if r.file_source == "raw" else "unknown"
            unsized = Verdict(r.file_source, kind, "its size is not known")  # type: ignore[arg-type]
            out.append(figures(unsized, Sensor(), None))
            continue
        if e.source == "edited" and (r.body, e.long, e.short) in by_camera:
            e = dataclasses.replace(e, cameras_size=True)
        sensor = sensors.get(r.body, Sensor())
        basis = "consensus" if sensor.basis in ("tagged", "equivalent") else sensor.basis
        out.append(figures(judge(e, sensor), sensor, basis))
    return out


FEWEST: Final = 2
"""One frame of a size may be enlarged or stitched."""
SHAPES: Final = (1.2, 1.6)
"""Long over short side of sensors (common practice, no source): tags of another shape tell the size of a stitched or
cut picture."""

Rows = Sequence[tuple[Evidence, int]]
"""What a body's files say, and how many say so: few, so that plain Python is quicker than tables."""
Sizes = Mapping[Size, Counter[str]]
"""Frames of every size by who wrote them, the smallest size first."""


def _known_sensor(rows: Rows) -> Sensor:
    """The sensor of a body from its frames."""
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
        larger = written is not None and written[0] > size[0] * (1 + SAME_SIZE)
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
        and SHAPES[0] < e.written[0] / e.written[1] < SHAPES[1]
    ]
    return max(found, key=math.prod, default=None)


def _left_in_tags(rows: Rows) -> Size | None:
    """Full size by tags of the sensor's pixel that programs left, beside the sensor's size in mm."""
    found = []
    for e, _ in rows:
        if e.tagged_um and e.diagonal_mm:
            bare = Evidence(
                e.long, e.short, "edited", tagged_um=e.tagged_um, diagonal_mm=e.diagonal_mm
            )
            if size := sensor_alone(bare).size:
                found.append(size)
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
    whole = [(e, n) for e, n in rows if size is None or abs(_span(e, size) - 1) <= SAME_SIZE]
    views = [(e, n) for e, n in whole if e.view_mm and e.source != "resized"]
    by_view = _median((e.view_mm or math.nan, n) for e, n in views)
    basis = "database"
    if math.isnan(diagonal) or another_sensor(diagonal, by_view):
        diagonal, basis = by_view, "equivalent"
    unsized = Sensor(None, None, None if math.isnan(diagonal) else diagonal, basis)
    if size is None:
        return unsized
    # Between two pitches the smaller, for doubled ones are a known fault.
    tagged = _median((e.tagged_um, n) for e, n in whole if e.tagged_um)
    agreeing = sum(n for e, n in whole if e.tagged_um and _same(e.tagged_um, tagged))
    shape = size[0] / size[1]
    sides = sensor_sides(diagonal, shape if shape < LONGEST_SHAPE else None)
    scale = min(sides[0] / size[0], sides[1] / size[1]) * 1000
    if scale > LARGEST_PITCH_UM and not any(e.native for e, _ in rows):
        return unsized
    apart = abs(math.log(tagged / scale))
    if basis == "database":
        if apart <= SAME_SIZE:
            return Sensor(size, tagged, diagonal, "tagged", True)
        return Sensor(size, scale, diagonal, basis, confirmed)
    contradicted = apart > CLOSE_VIEW and sum(n for _, n in views) >= max(FEWEST, agreeing)
    if math.isnan(tagged) or contradicted:
        if math.isnan(scale):
            return _left_over(rows, size)
        return Sensor(size, scale, diagonal, basis, confirmed)
    return Sensor(size, tagged, math.hypot(*size) * tagged / 1000, "tagged", confirmed)


def _left_over(rows: Rows, size: Size) -> Sensor:
    """A sensor without any figure at its full size: tags that the camera's reduced files bear follow their
    size; those that programs left in files which still tell the full size are of that."""
    tagged = [(e, e.tagged_um) for e, _ in rows if e.tagged_um]
    pixels = [um * min(_span(e, size), 1) for e, um in tagged if e.source == "camera"]
    if not pixels:
        pixels = [um for e, um in tagged if e.written and _same(e.written[0], size[0])]
    if not pixels:
        return Sensor(size)
    pixel = float(median(pixels))
    return Sensor(size, pixel, math.hypot(*size) * pixel / 1000, "tagged")
