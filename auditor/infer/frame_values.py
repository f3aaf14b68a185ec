"""What several rooms of inference work out of a frame's columns: sharpness, shutter, aperture."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from auditor.exposure import F_NUMBERS, f_number_place
from auditor.record import LOWER_SIDE, OPPOSITE_SIDE, SHARE_COLUMNS, SIGNAL_BIN_EDGES
from auditor.record.values import flags, numbers, texts
from auditor.settings.sensors import FULL_FRAME_DIAGONAL_MM
from auditor.units import DAY_S, SECOND_CHARACTERS

__all__ = [
    "DAYS",
    "EDGES",
    "OPPOSITE_EDGE",
    "SHARE_COLUMNS",
    "alone_where_unknown",
    "aperture_index",
    "days",
    "full_frame_focal_mm",
    "log_sharpness",
    "near_and_far",
    "nominal_from_index",
    "scene_ev100",
    "shown_sharpness",
    "shutter_stops",
    "signal_quantile",
    "some_of",
]

Floats = NDArray[np.float64]

_MOST_F_NUMBER: Final = 128.0
"""F-numbers beyond this are mistakes of tags (pinholes; common practice, no source)."""


_LEAST_CPP: Final = 0.005
"""MTF50 in cycles per pixel below which a figure is no sharpness but haze or nothing at all."""
_FIRST_YEAR_S: Final = -62_135_596_800
"""Where the year 1 begins, in seconds since 1970: clocks and pandas know none before (proleptic Gregorian
calendar, ISO 8601)."""
DAYS: Final = "_days_since_1970"
"""Column of `days`, which a profile works out once for all that ask."""
EDGES: Final = ("bottom", "top", "left", "right")
"""A frame's edges on the sensor, by their number."""
OPPOSITE_EDGE: Final = np.array([EDGES.index(OPPOSITE_SIDE[e]) for e in EDGES])
_BELOW: Final = np.array([EDGES.index(LOWER_SIDE.get(turn, "bottom")) for turn in range(9)])
"""Edge that was below, by the tag Orientation."""


def alone_where_unknown(frames: pd.DataFrame, name: str) -> NDArray[np.int64]:
    """Numbers of a column that groups frames (outing, burst), (n,); a frame of which none is known has one of its
    own, below 0."""
    known = numbers(frames, name)
    return np.where(np.isnan(known), -1.0 - np.arange(len(known)), known).astype(np.int64)


def some_of(rows: NDArray[np.int64], most: int) -> NDArray[np.int64]:
    """At most so many of the rows, by chance but always the same ones."""
    if len(rows) <= most:
        return rows
    return np.sort(np.random.default_rng(0).choice(rows, most, replace=False))


def signal_quantile(shares: Floats, quantile: float) -> Floats:
    """log2 signal below which a share of each row's pixels lies, (n,), linear within a bin of the stored
    histograms (n, bins)."""
    edges = np.asarray(SIGNAL_BIN_EDGES)
    full = np.zeros((len(shares), len(edges)))
    np.cumsum(shares, axis=1, out=full[:, 1:])
    full /= np.maximum(full[:, -1:], 1e-12)
    at = np.clip((full <= quantile).sum(axis=1) - 1, 0, len(edges) - 2)
    row = np.arange(len(full))
    low, high = full[row, at], full[row, at + 1]
    within = np.clip((quantile - low) / np.maximum(high - low, 1e-12), 0, 1)
    return np.asarray(edges[at] + within * (edges[at + 1] - edges[at]))


def days(frames: pd.DataFrame) -> Floats:
    """Days since 1970 of the local time at which each frame was taken, (n,), NaN unknown: the column `DAYS`
    where a table has it."""
    if DAYS in frames:
        return numbers(frames, DAYS)
    text = texts(frames, "taken").str.slice(0, SECOND_CHARACTERS)
    try:  # Arrow reads what holds nothing else several times as quickly
        known = pc.cast(pa.array(text.where(text != "", None)), pa.timestamp("s"))
        seconds = np.asarray(known.cast(pa.int64()).to_numpy(zero_copy_only=False), float)
        if not (seconds < _FIRST_YEAR_S).any():
            return seconds / DAY_S
    except pa.ArrowInvalid:
        pass
    stamps = pd.to_datetime(text, errors="coerce", format="ISO8601")
    # In seconds: clocks may say any year from 1 to 9999, and nanoseconds reach from 1678 to 2261 only.
    epoch = pd.Timestamp(0).as_unit("s")
    return ((stamps - epoch) / pd.Timedelta(days=1)).to_numpy(float)


def shown_sharpness(frames: pd.DataFrame, place: str) -> tuple[Floats, Floats]:
    """MTF50 of a zone or side, and the measurement's standard error, c/px: what frames are pooled and
    compared by. Where a table lacks that error, the whole error stands in."""
    value, stderr = (
        numbers(frames, f"{place}_mtf50_cpp"),
        numbers(frames, f"{place}_seen_stderr_cpp"),
    )
    unknown = np.isnan(stderr)
    stderr[unknown] = numbers(frames, f"{place}_stderr_cpp")[unknown]
    return value, stderr


def log_sharpness(frames: pd.DataFrame, place: str) -> Floats:
    """Log MTF50 (c/px) by which frames are compared, of a zone or edge, (n,), NaN unmeasured."""
    value = numbers(frames, f"{place}_mtf50_cpp")
    value[~((value > _LEAST_CPP) & (value < 1.0))] = np.nan
    return np.log(value)


def near_and_far(frames: pd.DataFrame) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """Log MTF50 of a frame's lower and upper edge as it was held, (n,) each, and the edge that was below.
    What lies below is near, as a rule."""
    turned = numbers(frames, "orientation")
    below = _BELOW[np.where((turned >= 1) & (turned <= 8), turned, 1).astype(np.int64)]
    edge, at = np.stack([log_sharpness(frames, e) for e in EDGES]), np.arange(len(frames))
    return edge[below, at], edge[OPPOSITE_EDGE[below], at], below


def full_frame_focal_mm(frames: pd.DataFrame) -> Floats:
    """Focal length of the same view on 36 x 24 mm: as Exif's FocalLengthIn35mmFilm tells it, else by the
    picture's diagonal on the sensor; NaN where neither is known, for 6 mm are a wide angle on one sensor
    and a tele lens on another."""
    told = numbers(frames, "focal_35mm")
    pixels = np.hypot(numbers(frames, "width_px"), numbers(frames, "height_px"))
    diagonal = pixels * numbers(frames, "pixel_pitch_um") / 1000
    with np.errstate(divide="ignore", invalid="ignore"):
        seen = numbers(frames, "focal_length_mm") * FULL_FRAME_DIAGONAL_MM / diagonal
        focal = np.where(told > 0, told, seen)
        return np.where((focal > 0) & np.isfinite(focal), focal, np.nan)


def scene_ev100(frames: pd.DataFrame) -> Floats:
    """EV100 of the light that a scene had of its own, (n,), NaN where unknown or where a flash lit it: shutter,
    aperture and ISO then say what was chosen to go with the flash."""
    return np.where(flags(frames, "flash", False), np.nan, numbers(frames, "ev100"))


def shutter_stops(frames: pd.DataFrame) -> Floats:
    """Stops by which a shutter is slower than 1 / focal length in full-frame terms, the rule of thumb for a
    camera held by hand (common practice, no source); NaN where unknown, and where a flash fired: its light
    tells how long such a frame took, not the shutter."""
    with np.errstate(divide="ignore", invalid="ignore"):
        stops = np.log2(numbers(frames, "exposure_time_s") * full_frame_focal_mm(frames))
    return np.where(np.isfinite(stops) & ~flags(frames, "flash", False), stops, np.nan)


def aperture_index(f_number: Floats) -> NDArray[np.int64]:
    """Index of the nominal third of a stop; -1 where the f-number is missing or impossible."""
    good = np.isfinite(f_number) & (f_number >= F_NUMBERS[0]) & (f_number <= _MOST_F_NUMBER)
    safe = np.where(good, f_number, 1.0)
    index = np.rint(f_number_place(safe)).astype(np.int64)
    return np.where(good & (index < len(F_NUMBERS)), index, -1)


def nominal_from_index(index: int) -> float:
    """The engraved aperture of an index of `aperture_index`."""
    return F_NUMBERS[index]
