"""What an archive's frames tell of each body's sensor: its full size in pixels and its scale."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
import pandas as pd

from auditor.settings.kinds import (
    CLOSE_VIEW,
    LARGEST_PITCH_UM,
    PANORAMA,
    SAME_SIZE,
    Evidence,
    Sensor,
    sensor_alone,
)
from auditor.settings.sensors import SMALL_MM, sensor_sides

__all__ = ["known_sensors"]

OFTEN: Final = 0.15
"""Share of the frames of a program's commonest size that makes a larger size no exception."""
SAME_SENSOR: Final = 0.04
"""Difference of logarithms within which focal-plane tags confirm the database."""
SHAPES: Final = (1.2, 1.6)
"""Long over short side of sensors (common practice, no source); others are cut."""
DOUBLED: Final = 0.2
"""Difference of logarithms from which most 35 mm equivalents outvote focal-plane tags."""

Size = tuple[float, float]


def known_sensors(e: pd.DataFrame) -> dict[tuple[int, float], Sensor]:
    """The sensor of every unit (body, and focal length where a body has several sensors).

    Args:
        e: evidence of frames, alike ones in one row with their number in `frames` (`scale`).
    """
    found: dict[tuple[int, float], Sensor] = {}
    for body, part in e.groupby("body"):
        size, sure = _native_size(part) if int(str(body)) >= 0 else (None, False)
        for unit, rows in part.groupby("unit"):
            key = (int(unit[0]), float(unit[1]))  # type: ignore[index]
            if int(str(body)) < 0 or not (part["short"] > 0).any():
                found[key] = Sensor()
            else:
                found[key] = _sensor(rows, size, sure)
    return found


def _sizes(part: pd.DataFrame) -> pd.DataFrame:
    """Sizes with the number of frames that the camera wrote, raw ones, and all."""
    camera = part["source"].isin(["raw", "camera"])
    table = pd.DataFrame(
        {
            "long": part["long"], "short": part["short"], "all": part["frames"],
            "own": part["frames"].where(camera, 0),
            "raw": part["frames"].where(part["source"] == "raw", 0),
        }
    )  # fmt: skip
    table = table[(part["short"] > 0) & (part["long"] < PANORAMA * part["short"])]
    table = table[part.loc[table.index, "source"] != "resized"]
    sizes = table.groupby(["long", "short"], as_index=False).sum()
    sizes["area"] = sizes["long"] * sizes["short"]
    return sizes.sort_values("area")


def _near(sizes: pd.DataFrame, size: Size) -> pd.Series:
    across, down = sizes["long"] / size[0], sizes["short"] / size[1]
    return (across - 1).abs().le(SAME_SIZE) & (down - 1).abs().le(SAME_SIZE)


def _shown(sizes: pd.DataFrame, size: Size) -> Size:
    """The camera's own pictures lack the border that raw files and notes have; copies are made of
    these: the commonest size of camera files close to a size, else that size."""
    near = sizes[_near(sizes, size)]
    for count in ("own", "all"):
        rendered = near[count] - near["raw"]
        if (rendered > 0).any():
            best = near.loc[rendered.idxmax()]
            return float(best["long"]), float(best["short"])
    return size


def _native_size(part: pd.DataFrame) -> tuple[Size | None, bool]:
    """Full size of a body, and whether that is sure.

    Makers' notes know it. Else it is the largest size that the camera writes: one that several frames
    have or half a percent of many, so that one enlarged or stitched picture does not count. Where
    programs wrote all frames, the size that tags were left over from, or the largest usual one.
    """
    told = part[part["native_long"] > 0].groupby(["native_long", "native_short"])["frames"].sum()
    sizes = _sizes(part)
    if len(told):
        size = told.idxmax()
        return _shown(sizes, (float(size[0]), float(size[1]))), True
    own = sizes[sizes["own"] > 0]
    enough = own[(own["own"] >= max(2.0, 0.005 * own["own"].sum())) | (own["raw"] > 0)]
    written = _written(part)
    for table in (enough, own):
        if len(table):
            top = table.iloc[-1]
            size = _shown(sizes, (float(top["long"]), float(top["short"])))
            larger = written is not None and written[0] > size[0] * (1 + SAME_SIZE)
            return (written, False) if larger else (size, table is enough)
    by_tags = _left_in_tags(part)
    if by_tags is not None:
        return _shown(sizes, by_tags), True
    return written or _usual(sizes), False


def _written(part: pd.DataFrame) -> Size | None:
    """The largest size that tags of changed files were left over from."""
    rows = part[(part["written_long"] > 0) & part["source"].isin(["edited", "resized"])]
    rows = rows[(rows["written_long"] / rows["long"] - 1).abs() > SAME_SIZE]
    shape = rows["written_long"] / rows["written_short"]
    rows = rows[(shape > SHAPES[0]) & (shape < SHAPES[1])]
    if rows.empty:
        return None
    top = rows.loc[(rows["written_long"] * rows["written_short"]).idxmax()]
    return float(top["written_long"]), float(top["written_short"])


def _left_in_tags(part: pd.DataFrame) -> Size | None:
    """Full size by tags of the sensor's pixel that programs left, beside the sensor's size in mm."""
    rows = part[(part["told"] > 0) & (part["diagonal"] > 0) & (part["short"] > 0)]
    alone = [
        sensor_alone(Evidence(r.long, r.short, "edited", told_um=r.told, diagonal_mm=r.diagonal))
        for r in rows.itertuples()
    ]
    found = sorted(s.size for s in alone if s.size is not None)
    return found[len(found) // 2] if found else None


def _usual(sizes: pd.DataFrame) -> Size | None:
    """The largest size that programs wrote often, where nothing else tells."""
    if sizes.empty:
        return None
    usual = sizes[sizes["all"] >= max(2.0, OFTEN * sizes["all"].max())]
    top = (usual if len(usual) else sizes).iloc[-1]
    return float(top["long"]), float(top["short"])


def _median(values: pd.Series, weights: pd.Series) -> float:
    order = np.argsort(values.to_numpy())
    total = np.cumsum(weights.to_numpy()[order])
    return float(values.to_numpy()[order][np.searchsorted(total, total[-1] / 2)])


def _told(rows: pd.DataFrame, size: Size) -> tuple[float, float]:
    """The pitch at full size that most focal-plane tags tell, and how many agree: the median of the
    largest cluster; between equals the smaller, for doubled ones are a known fault."""
    spans = np.maximum(rows["long"] / size[0], rows["short"] / size[1])
    rows = rows[(rows["told"] > 0) & ((spans - 1).abs() <= SAME_SIZE)]
    if rows.empty:
        return math.nan, 0.0
    step = np.round(np.log(rows["told"]) / 0.02)
    sizes = rows.groupby(step).agg(n=("frames", "sum"), um=("told", "median")).reset_index()
    top = sizes.sort_values(["n", "um"], ascending=[True, False]).iloc[-1]
    close = rows[(rows["told"] / top["um"] - 1).abs() <= 0.03]
    return _median(close["told"], close["frames"]), float(close["frames"].sum())


def _sensor(rows: pd.DataFrame, size: Size | None, sure: bool) -> Sensor:
    """Size and scale of one sensor from its frames, the database before tags."""
    known = rows[rows["diagonal"] > 0]
    diagonal = _median(known["diagonal"], known["frames"]) if len(known) else None
    whole = rows["source"] != "resized"
    if size is not None:
        spans = np.maximum(rows["long"] / size[0], rows["short"] / size[1])
        if diagonal is None:
            whole &= (spans - 1).abs() <= SAME_SIZE
    seen = rows[(rows["view"] > 0) & whole]
    view = _median(seen["view"], seen["frames"]) if len(seen) else None
    views = float(seen["frames"].sum())
    small = diagonal is not None and diagonal < SMALL_MM
    if diagonal and view and small and views >= 2 and abs(math.log(diagonal / view)) > CLOSE_VIEW:
        diagonal = None  # another of the body's sensors
    if size is None:
        if diagonal:
            return Sensor(None, None, diagonal, "database")
        rough = bool(seen["rough"].all()) if view else False
        return Sensor(None, None, view, "equivalent", rough=rough)
    told, agreeing = _told(rows, size)
    shape = size[0] / size[1]
    reach = diagonal or view
    scale = math.nan
    if reach:
        sides = sensor_sides(reach, shape if shape < 1.55 else None)
        scale = min(sides[0] / size[0], sides[1] / size[1]) * 1000
    if scale > LARGEST_PITCH_UM and not (rows["native_long"] > 0).any():
        return Sensor(None, None, reach, "database" if diagonal else "equivalent")
    if diagonal:
        if abs(math.log(told / scale)) <= SAME_SENSOR:
            return Sensor(size, told, diagonal, "told", True)
        return Sensor(size, scale, diagonal, "database", sure)
    against = abs(math.log(told / scale)) > DOUBLED and views >= max(2.0, agreeing)
    if math.isnan(told) or against:
        if math.isnan(scale):
            return _left_over(rows, size)
        rough = bool(seen["rough"].all())
        return Sensor(size, scale, view, "equivalent", sure and views >= 5, rough)
    return Sensor(size, told, math.hypot(*size) * told / 1000, "told", sure)


def _left_over(rows: pd.DataFrame, size: Size) -> Sensor:
    """A sensor without any figure at its full size: tags of reduced files that follow their size."""
    touched: Any = rows[(rows["told"] > 0) & (rows["source"] == "camera")]
    if touched.empty:
        return Sensor(size)
    spans = np.maximum(touched["long"] / size[0], touched["short"] / size[1])
    pixel = float(np.median(touched["told"] * np.minimum(spans, 1)))
    return Sensor(size, pixel, math.hypot(*size) * pixel / 1000, "told")
