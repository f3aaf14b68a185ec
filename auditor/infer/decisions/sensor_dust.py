"""Dust on the sensor: dark round places that stay where they are while the scenes change.

A frame's map says of every place how far it is darker than its surroundings, and how restless these are
(`measure/dust_shadows`). Maps of a body's frames are stacked, over all of its time and over halves,
quarters and so on of it. What stands out further than chance has it anywhere is dust; the frames' own
figures at that place say since when it is there, and whether it has gone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from auditor.infer.decisions.common import MOST_FRAMES, iso_day
from auditor.infer.enough import SAMPLED
from auditor.infer.frame_values import days, evenly, usable
from auditor.infer.lenses.scene_groups import scenes_of
from auditor.model import DustSpot
from auditor.record import DUST_F_NUMBER, Dust, dust_shape, unpack_dust
from auditor.record.pictures import PictureSource, fetch_pictures
from auditor.record.pools import SAME_SCALE
from auditor.record.values import as_texts, numbers, rows_by_names
from auditor.robust import scale_of

__all__ = ["REFERENCE_F_NUMBER", "find_dust"]

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]
Plane = NDArray[np.float32]

_FALSE_ALARM: Final = 0.01
"""Chance, over all places and times of a body, at which a coincidence is taken for dust."""
_SCENES: Final = 4
"""Scenes that must be there at least, and of which all but one must show a spot."""
_CLIP_SD: Final = 3.0
"""Standard deviations at which a frame's z-score is clipped: no bird, cloud's edge or branch can make a
spot by itself."""
_SPOT_RADIUS: Final = 4
"""Places of the map within which what stands out is one spot."""
_DECISIVE: Final = 4.0
"""Log likelihood ratio above which a spot is taken to have gone, or not to be there yet: a single frame, which
has no more, does not tell."""
_DIAMETER: Final = 2.6
"""Width of a shadow in places of the map."""
_ROUNDS: Final = 3
"""Rounds in which depth and time of a spot settle."""
REFERENCE_F_NUMBER: Final = 16
"""The f-number to which depths refer (a grain's shadow is as deep as the square of the f-number), small enough to
show dust and wide enough for most lenses."""


@dataclass(frozen=True, slots=True)
class _Shots:
    """Frames of one body, one of each scene, by time: (m,) each."""

    day: Floats
    f_number: Floats
    packed: Sequence[bytes]
    shape: tuple[int, int]
    """Of the largest map, on which all are laid."""

    def maps(self, first: int, end: int) -> Iterator[tuple[Plane, Plane]]:
        """Maps of some frames: the z-score of every place (0 where nothing is known), and its noise as at f/16
        (infinite there).
        """
        for i in range(first, end):
            dust = unpack_dust(self.packed[i])
            if dust is None:
                yield np.zeros(self.shape, np.float32), np.full(self.shape, np.inf, np.float32)
            else:
                yield _resampled(dust, self.shape, float(self.f_number[i]))

    def at(self, spots: Sequence[_Spot]) -> tuple[Floats, Floats]:
        """Depth at some places and its standard deviation, both as at f/16, (spots, m) each."""
        error = np.full((len(spots), len(self.day)), np.inf)
        depth = np.zeros_like(error)
        where = np.array([s.row for s in spots]), np.array([s.col for s in spots])
        for i, (z, noise) in enumerate(self.maps(0, len(self.day)) if spots else ()):
            error[:, i] = noise[where]
            known = np.isfinite(error[:, i])
            depth[known, i] = z[where][known] * error[known, i]
        return depth, error


_Sensor = tuple[str, str | None]
"""Body and its serial."""


@dataclass(frozen=True, slots=True)
class _Spot:
    row: int
    col: int
    first: int
    end: int
    """Frames over which it stands out most."""
    z: float


def find_dust(frames: pd.DataFrame, pictures: PictureSource | None = None) -> list[DustSpot]:
    """Spots of dust by body, the deepest first.

    Maps of one frame per scene are stacked, over all of a body's time and over halves, quarters and so on of
    it (weights of inverse variance, clipped z-scores). A local maximum is a spot where its p-value, over all
    places and windows of time, is `_FALSE_ALARM` at most; a likelihood ratio over frames says since when it
    is there and whether it has gone.

    Parameters
    ----------
    frames : DataFrame
        Frame table: `record.COLUMNS` and the columns of `crawl.relate`.
    pictures : DataFrame or callable, optional
        The frames' `dust_map` by `file_id`, or what gives such a table for some ids.

    Returns
    -------
    list of DustSpot
        Each has body, body_serial, `x` and `y` (shares of width and height of a frame held level, from the
        top left), `diameter_px` (the width that was looked for, by the aperture) and `depth` at `f_number`
        (the smallest aperture that shows it), `since` and `last` (days on which it was first and last seen),
        `not_before` (the last day before it, where days before show it was not there), `gone_by` (the first day
        of those that show it has gone, or None), `frames` that show it (one of each scene is used), `p` and
        `text`. Empty without maps.
    """
    out: list[DustSpot] = []
    for sensor, shots, width in _bodies(frames, pictures):
        spots = _spots(shots)
        with_depth = zip(spots, *shots.at([s for s, _ in spots]), strict=True)
        found = [_entry(sensor, shots, s, p, width, d, error) for (s, p), d, error in with_depth]
        out += sorted((f for f in found if f is not None), key=lambda f: -f["depth"])
    return out


def _bodies(
    frames: pd.DataFrame, pictures: PictureSource | None
) -> Iterator[tuple[_Sensor, _Shots, int]]:
    if pictures is None or "file_id" not in frames:
        return
    day, f_number = days(frames), numbers(frames, "f_number")
    width, height = numbers(frames, "width_px"), numbers(frames, "height_px")
    long, short = np.maximum(width, height), np.minimum(width, height)
    eligible = usable(frames) & np.isfinite(day) & (f_number >= DUST_F_NUMBER) & (short > 0)
    chosen: list[tuple[_Sensor, Rows]] = []
    for (body, serial), every in sorted(rows_by_names(frames, ("body", "body_serial")).items()):
        rows = every[eligible[every]]
        if not body or len(rows) < _SCENES:
            continue
        # Of a picture whose pixels a program has turned nobody knows which way.
        tall = height[rows] > width[rows]
        rows = rows[tall == (2 * tall.sum() > len(rows))]
        aspect = long[rows] / short[rows]
        # Crops put their places elsewhere.
        rows = rows[np.abs(np.log(aspect / np.median(aspect))) < SAME_SCALE]
        rows = rows[np.argsort(day[rows], kind="stable")]
        rows = _one_of_each_scene(frames, rows[evenly(len(rows), MOST_FRAMES)], f_number)
        if len(rows) >= _SCENES:
            chosen.append(((body, serial or None), rows))
    all_rows = np.concatenate([rows for _, rows in chosen] or [np.empty(0, np.int64)])
    # Asked for together: the frames of many bodies lie beside each other in the store.
    maps = _maps(pictures, as_texts(frames["file_id"].iloc[all_rows]).tolist())
    for sensor, rows in chosen:
        packed, maps = maps[: len(rows)], maps[len(rows) :]
        shapes = [dust_shape(p) for p in packed]
        known = [i for i, shape in enumerate(shapes) if shape is not None]
        if len(known) < _SCENES:
            continue
        largest = np.max([shape for shape in shapes if shape is not None], axis=0)
        shots = _Shots(
            day[rows[known]], f_number[rows[known]], [packed[i] for i in known],
            (int(largest[0]), int(largest[1])),
        )  # fmt: skip
        yield sensor, shots, int(np.median(long[rows]))


def _one_of_each_scene(frames: pd.DataFrame, rows: Rows, f_number: Floats) -> Rows:
    """A scene's frames show the same things at the same places: the one at the smallest aperture stands
    for all. `rows` by time, and so again."""
    scene = scenes_of(frames.filter(["signature", "outing", "burst"]).iloc[rows])
    order = np.lexsort((-f_number[rows], scene))
    _, first = np.unique(scene[order], return_index=True)
    chosen = rows[np.sort(order[first])]
    return chosen[evenly(len(chosen), SAMPLED)]


def _maps(pictures: PictureSource, ids: list[str]) -> list[bytes]:
    """Packed maps, empty where there is none."""
    kept = {
        key: bytes(found["dust_map"])
        for key, found in fetch_pictures(pictures, ids)
        if isinstance(found.get("dust_map"), (bytes, bytearray, memoryview))
    }
    return [kept.get(i, b"") for i in ids]


def _resampled(dust: Dust, shape: tuple[int, int], f_number: float) -> tuple[Plane, Plane]:
    """A map on places of another size (nearest neighbour): z-scores, and their noise as it would be at f/16."""
    z, noise = (
        cv2.resize(plane, shape[::-1], interpolation=cv2.INTER_NEAREST_EXACT)
        for plane in (dust.significance, dust.local_sd)
    )
    noise = noise * np.float32((REFERENCE_F_NUMBER / f_number) ** 2)
    known = np.isfinite(z) & (noise > 0)
    return np.where(known, z, np.float32(0)), np.where(known, noise, np.float32(np.inf))


def _spots(shots: _Shots) -> list[tuple[_Spot, float]]:
    """Local maxima of all windows of time, the largest z-score first, with the p-value of as large a one
    anywhere at any time.
    """
    found: list[_Spot] = []
    windows = [0]

    def sums(first: int, end: int) -> tuple[Plane, Plane]:
        """Weighted sums of z-scores, and of squared weights, over some frames; collects their maxima too."""
        # The shortest windows hold twice the scenes that there must be.
        if end - first < 4 * _SCENES:
            total, weights = np.zeros((2, *shots.shape), np.float32)
            for z, noise in shots.maps(first, end):
                # A spot's z-score in a frame goes as one over that frame's noise.
                weight = 1 / noise
                total += weight * np.clip(z, -_CLIP_SD, _CLIP_SD)
                weights += weight * weight
        else:
            middle = (first + end) // 2
            total, weights = (
                a + b for a, b in zip(sums(first, middle), sums(middle, end), strict=True)
            )
        windows[0] += 1
        found.extend(_local_maxima(total, weights, first, end))
        return total, weights

    sums(0, len(shots.day))
    kept: list[_Spot] = []
    for spot in sorted(found, key=lambda s: -s.z):
        if all(max(abs(spot.row - k.row), abs(spot.col - k.col)) > _SPOT_RADIUS for k in kept):
            kept.append(spot)
    places = shots.shape[0] * shots.shape[1] * windows[0]
    z = [(s, min(float(ndtr(-s.z)) * places, 1.0)) for s in kept]
    return [(s, p) for s, p in z if p <= _FALSE_ALARM]


def _local_maxima(total: Plane, weights: Plane, first: int, end: int) -> Iterator[_Spot]:
    """Places that are darker than chance has it over these frames."""
    z = total / np.sqrt(np.maximum(weights, 1e-12))
    inner = z[weights > 0]
    if not len(inner):
        return
    # Noise that differs from what the frames state shows in the whole map.
    z = z / max(scale_of(inner), 1.0)
    neighbours = np.ones((2 * _SPOT_RADIUS + 1, 2 * _SPOT_RADIUS + 1), np.uint8)
    maxima = (z > -ndtri(_FALSE_ALARM / z.size)) & (z >= cv2.dilate(z, neighbours))
    for row, col in np.argwhere(maxima):
        yield _Spot(int(row), int(col), first, end, float(z[row, col]))


def _entry(
    sensor: _Sensor, shots: _Shots, spot: _Spot, p: float, width_px: int,
    depth: Floats, error: Floats,
) -> DustSpot | None:  # fmt: skip
    """What to tell of a spot, from the depth that each frame shows at its place and that depth's error."""
    first, last = spot.first, spot.end - 1
    # It may have been there for only a part of the time over which it stands out.
    for _ in range(_ROUNDS):
        depth16 = _mean_depth(depth[first : last + 1], error[first : last + 1])
        if depth16 <= 0:
            return None
        ratio = np.clip((depth * depth16 - depth16**2 / 2) / error**2, -_DECISIVE, _DECISIVE)
        first, last = _best_run(ratio)
    present = np.flatnonzero(ratio[first : last + 1] > 0) + first
    if len(present) < _SCENES - 1:
        return None
    smallest = float(shots.f_number[present].max())
    entry: DustSpot = {
        "body": sensor[0], "body_serial": sensor[1],
        "x": round((spot.col + 0.5) / shots.shape[1], 4),
        "y": round((spot.row + 0.5) / shots.shape[0], 4),
        "f_number": smallest,
        "diameter_px": round(_DIAMETER / shots.shape[1] * width_px),
        "depth": round(depth16 * (smallest / REFERENCE_F_NUMBER) ** 2, 4),
        "since": iso_day(shots.day[first]), "last": iso_day(shots.day[last]),
        "not_before": iso_day(shots.day[first - 1]) if -ratio[:first].sum() > _DECISIVE else None,
        "gone_by": iso_day(shots.day[last + 1]) if -ratio[last + 1 :].sum() > _DECISIVE else None,
        "frames": len(present), "p": p, "text": "",
    }  # fmt: skip
    entry["text"] = _text(entry)
    return entry


def _mean_depth(depth: Floats, error: Floats) -> float:
    """Mean weighted by inverse variance; a frame that is far off (a branch, a bird) is clipped at `_CLIP_SD`. 0
    where nothing is known.
    """
    known = np.isfinite(error)
    if not known.any():
        return 0.0
    depth, error = depth[known], error[known]
    median, weight = np.median(depth), 1 / error**2
    clipped = np.clip(depth, median - _CLIP_SD * error, median + _CLIP_SD * error)
    return float((weight * clipped).sum() / weight.sum())


def _best_run(ratio: Floats) -> tuple[int, int]:
    """First and last frame of the run of largest sum, where the spot is likeliest (Bentley, Communications of the
    ACM 27, 1984)."""
    total = np.concatenate([[0.0], np.cumsum(ratio)])
    low = np.minimum.accumulate(total)
    last = int((total[1:] - low[:-1]).argmax())
    return int(total[: last + 1].argmin()), last


def _text(entry: DustSpot) -> str:
    text = (
        f"A spot of dust {entry['x']:.0%} from the left and {entry['y']:.0%} from the top of a frame "
        f"held level, about {entry['depth']:.1%} deep at f/{entry['f_number']:g}: seen from "
        f"{entry['since']} to {entry['last']}"
    )
    if entry["not_before"]:
        text += f", not yet on {entry['not_before']}"
    if entry["gone_by"]:
        text += f", gone by {entry['gone_by']}"
    return f"{text}; in {entry['frames']} frames"
