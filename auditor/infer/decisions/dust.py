"""Dust on the sensor: dark round places that stay where they are while the scenes change.

Single frames give candidates and say how faint a spot each part of them would show (`measure/dust`).
What recurs at one place through more scenes than chance allows is dust; which frames could have shown
it and did not says since when it is there, and whether it has gone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.stats import poisson

from auditor.infer.criteria import Criteria
from auditor.infer.decisions.common import column, days, iso_day, names, usable
from auditor.infer.lenses.scenes import find_scenes
from auditor.record import DUST_GRID, dust_limits, dust_spots

__all__ = ["find_dust"]

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]

_NEAR: Final = 0.002
"""Distance over the diagonal within which candidates are one spot: some pixels of error. Far from
the centre a shadow moves by more from lens to lens, as exit pupils lie nearer or farther."""
_SCENES: Final = 3
"""Scenes that must show a spot."""
_WRONG: Final = 0.01
"""Chance, over all places of a body, at which a coincidence is taken for dust."""
_OFTEN: Final = 0.4
"""Share of the frames that could show a spot in which it must be seen while it is there."""
_SHOWN: Final = 0.7
"""A frame could show a spot where its limit lies below this share of the spot's depth: candidates
close to the limit are missed every other time."""
_GONE: Final = 0.02
"""Chance of so many misses in a row below which a spot has gone, or was not there yet."""
_MOST_FRAMES: Final = 3000
_SAME_SHAPE: Final = 0.02


@dataclass(frozen=True, slots=True)
class _Shots:
    """Frames of one body that were looked at, by time: (m,) each, and (m, cells) limits."""

    day: Floats
    scene: Rows
    f_number: Floats
    limits: Floats
    aspect: float


@dataclass(frozen=True, slots=True)
class _Spots:
    """Candidates of these frames, (c,) each; depth as it would be at f/16."""

    frame: Rows
    place: Floats
    """(c, 2) over the diagonal."""
    share: Floats
    """(c, 2) over width and height."""
    diameter: Floats
    depth: Floats


def find_dust(frames: pd.DataFrame, criteria: Criteria) -> list[dict[str, Any]]:
    """Spots of dust by body, the deepest first.

    Each has body, body_serial, `x` and `y` (shares of width and height of a frame held level, from
    the top left), `diameter_px` and `depth` at `f_number` (the smallest aperture that shows it),
    `since` and `last` (days on which it was first and last seen), `not_before` (the last day on which
    it would have shown and did not), `gone_by` (the first day of those that show it has gone, or
    None), `frames` that show it, `could_show`, scenes, `p` and `text`.
    """
    out = []
    for subject, shots, spots, width in _bodies(frames):
        found = [
            _entry(subject, shots, spots, hit, p, width) for hit, p in _recurring(shots, spots)
        ]
        out += sorted((f for f in found if f is not None), key=lambda f: -f["depth"])
    return out


def _bodies(frames: pd.DataFrame) -> Iterator[tuple[dict[str, Any], _Shots, _Spots, int]]:
    if "dust_limits" not in frames:
        return
    text, limits = names(frames, "dust_spots"), names(frames, "dust_limits")
    day, f_number = days(frames), column(frames, "f_number")
    long = np.maximum(column(frames, "width_px"), column(frames, "height_px"))
    short = np.minimum(column(frames, "width_px"), column(frames, "height_px"))
    good = usable(frames) & (limits != "") & np.isfinite(day) & np.isfinite(f_number)
    good &= np.isfinite(long) & (short > 0)
    table = pd.DataFrame({k: names(frames, k) for k in ("body", "body_serial")})[good]
    place = np.flatnonzero(good)
    for key, local in table.groupby(["body", "body_serial"], sort=True).indices.items():
        body, serial = (str(k) for k in key)
        rows = place[local]
        aspect = long[rows] / short[rows]
        # Crops put their places elsewhere.
        rows = rows[np.abs(np.log(aspect / np.median(aspect))) < _SAME_SHAPE]
        rows = rows[np.argsort(day[rows], kind="stable")]
        rows = rows[:: max(1, -(-len(rows) // _MOST_FRAMES))]
        if not body or len(rows) < _SCENES:
            continue
        ratio = float(np.median(long[rows] / short[rows]))
        cells = DUST_GRID[0] * DUST_GRID[1]
        shots = _Shots(
            day[rows], _scenes(frames, rows), f_number[rows],
            np.stack([dust_limits(str(t), cells) for t in limits[rows]]), ratio,
        )  # fmt: skip
        subject = {"body": body, "body_serial": serial or None}
        yield subject, shots, _spots(text[rows], shots), int(np.median(long[rows]))


def _scenes(frames: pd.DataFrame, rows: Rows) -> Rows:
    outing, burst = column(frames, "outing")[rows], column(frames, "burst")[rows]
    lone = -1.0 - np.arange(len(rows))
    signature = names(frames, "signature")[rows]
    return find_scenes(
        signature,
        np.where(np.isnan(outing), lone, outing).astype(np.int64),
        np.where(np.isnan(burst), lone, burst).astype(np.int64),
    )


def _spots(texts: NDArray[np.object_], shots: _Shots) -> _Spots:
    parts = [dust_spots(str(t)) for t in texts]
    frame = np.repeat(np.arange(len(parts)), [len(p) for p in parts])
    rows = np.concatenate(parts) if parts else np.empty((0, 4))
    share = rows[:, :2]
    diagonal = np.hypot(shots.aspect, 1)
    place = share * np.array([shots.aspect, 1]) / diagonal
    # A grain's shadow is as deep as the square of the f-number, and as wide as its inverse.
    depth = rows[:, 3] * (16 / shots.f_number[frame]) ** 2
    return _Spots(frame, place, share, rows[:, 2], depth)


def _recurring(shots: _Shots, spots: _Spots) -> Iterator[tuple[Rows, float]]:
    """Candidates of one spot at a time and the chance of such a coincidence, the commonest first."""
    left = np.arange(len(spots.frame))
    while len(left) >= _SCENES:
        tree = cKDTree(spots.place[left])
        near = tree.query_ball_point(spots.place[left], _NEAR)
        scenes = [len(np.unique(shots.scene[spots.frame[left[n]]])) for n in near]
        best = int(np.argmax(scenes))
        if scenes[best] < _SCENES:
            return
        middle = np.median(spots.place[left[near[best]]], axis=0)
        local = np.asarray(tree.query_ball_point(middle, _NEAR))
        hit = left[local] if len(local) else left[near[best]]
        p = _coincidence(shots, spots, hit)
        if p <= _WRONG:
            yield hit, p
        left = np.setdiff1d(
            left, left[near[best]] if not len(local) else np.union1d(hit, left[near[best]])
        )


def _coincidence(shots: _Shots, spots: _Spots, hit: Rows) -> float:
    """Chance that candidates of so many scenes meet anywhere, as if each lay at random in the smooth
    parts of its frame (Poisson); the first of them may lie where it likes."""
    count = np.bincount(spots.frame, minlength=len(shots.day)).astype(float)
    height = 1 / np.hypot(shots.aspect, 1)
    area = shots.aspect * height * height
    smooth = np.maximum((shots.limits < 0.05).mean(1), 1 / shots.limits.shape[1]) * area
    chance = np.minimum(count * np.pi * _NEAR**2 / smooth, 1.0)
    # A scene's frames show the same things at the same places.
    by_scene = pd.Series(chance).groupby(shots.scene).max()
    scenes = len(np.unique(shots.scene[spots.frame[hit]]))
    return float(min(poisson.sf(scenes - 2, by_scene.sum()) * max(len(spots.frame), 1), 1.0))


def _entry(
    subject: dict[str, Any], shots: _Shots, spots: _Spots, hit: Rows, p: float, width_px: int
) -> dict[str, Any] | None:  # fmt: skip
    share = np.median(spots.share[hit], axis=0)
    depth16 = float(np.median(spots.depth[hit]))
    seen = np.zeros(len(shots.day), bool)
    seen[spots.frame[hit]] = True
    columns, rows = DUST_GRID
    cell = min(int(share[1] * rows), rows - 1) * columns + min(int(share[0] * columns), columns - 1)
    expected = depth16 * (shots.f_number / 16) ** 2
    could = (shots.limits[:, cell] <= _SHOWN * expected) | seen
    first, last = (int(f(np.flatnonzero(seen))) for f in (np.min, np.max))
    while_there = could[first : last + 1]
    rate = float(seen[first : last + 1].sum() / while_there.sum())
    if rate < _OFTEN:
        return None
    smallest = float(shots.f_number[seen].max())
    here = spots.frame[hit][shots.f_number[spots.frame[hit]] == smallest]
    at = hit[np.isin(spots.frame[hit], here)]
    before, after = np.flatnonzero(could[:first]), last + 1 + np.flatnonzero(could[last + 1 :])
    entry = subject | {
        "x": round(float(share[0]), 4), "y": round(float(share[1]), 4),
        "f_number": smallest,
        "diameter_px": round(float(np.median(spots.diameter[at])) * width_px),
        "depth": round(depth16 * (smallest / 16) ** 2, 4),
        "since": iso_day(shots.day[first]), "last": iso_day(shots.day[last]),
        "not_before": _missed(shots, before[::-1], rate),
        "gone_by": _missed(shots, after, rate),
        "frames": int(seen.sum()), "could_show": int(could[first : last + 1].sum()),
        "scenes": len(np.unique(shots.scene[seen])), "p": p,
    }  # fmt: skip
    return entry | {"text": _text(entry)}


def _missed(shots: _Shots, rows: Rows, rate: float) -> str | None:
    """Day of the first of frames that could show a spot and do not, where so many misses say that it
    was not there; scenes count, not frames."""
    scenes = len(np.unique(shots.scene[rows]))
    if not scenes or (1 - min(rate, 0.95)) ** scenes > _GONE:
        return None
    return iso_day(shots.day[rows[0]])


def _text(entry: dict[str, Any]) -> str:
    said = (
        f"A spot of dust {entry['x']:.0%} from the left and {entry['y']:.0%} from the top of a frame "
        f"held level, about {entry['diameter_px']} px wide and {entry['depth']:.1%} deep at "
        f"f/{entry['f_number']:g}: seen from {entry['since']} to {entry['last']}"
    )
    if entry["not_before"]:
        said += f", not yet on {entry['not_before']}"
    if entry["gone_by"]:
        said += f", gone by {entry['gone_by']}"
    return f"{said}; {entry['frames']} of the {entry['could_show']} frames that could show it"
