"""What several rooms of inference work out of a frame's columns: sharpness, shutter, aperture."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray
from pandas.util import hash_array

from auditor.exposure import F_NUMBERS, f_number_place
from auditor.infer.enough import CHUNK
from auditor.record import LOWER_SIDE, OPPOSITE_SIDE, SHARE_COLUMNS, SIGNAL_BIN_EDGES
from auditor.record.values import flags, numbers, texts, words
from auditor.settings.sensors import FULL_FRAME_DIAGONAL_MM
from auditor.units import DAY_S, SECOND_CHARACTERS

__all__ = [
    "DAYS",
    "EDGES",
    "OPPOSITE_EDGE",
    "SHARE_COLUMNS",
    "aperture_index",
    "days",
    "draw_order",
    "evenly",
    "group_numbers",
    "histograms",
    "log_sharpness",
    "near_and_far",
    "nominal_from_index",
    "scene_ev100",
    "sharpness_and_error",
    "shutter_stops",
    "signal_quantile",
    "usable",
]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

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


def group_numbers(frames: pd.DataFrame, name: str) -> NDArray[np.int64]:
    """Numbers of a column that groups frames, such as outings or bursts.

    Parameters
    ----------
    frames : DataFrame
        Frame table; a missing column is one without any number.
    name : str
        The column.

    Returns
    -------
    ndarray of int64, shape (n,)
        Its value; below 0, and of its own, for a frame whose group is unknown.
    """
    known = numbers(frames, name)
    return np.where(np.isnan(known), -1.0 - np.arange(len(known)), known).astype(np.int64)


def usable(frames: pd.DataFrame) -> NDArray[np.bool_]:
    """Frames that represent their exposure.

    Parameters
    ----------
    frames : DataFrame
        Columns `status`, `source`, `best`, `upsampled`, as far as there are any.

    Returns
    -------
    ndarray of bool, shape (n,)
        Measured, the best file of a capture, not resized or enlarged.
    """
    good = np.ones(len(frames), bool)
    if "status" in frames:
        good = words(frames, "status") == "measured"
    good &= words(frames, "source") != "resized"
    return np.asarray(good & flags(frames, "best", True) & ~flags(frames, "upsampled", False))


def draw_order(
    frames: pd.DataFrame, figures: NDArray[np.float32], seed: int = 0
) -> NDArray[np.uint64]:
    """Random order in which frames are taken into a sample.

    A frame's place depends on the frame alone: the same frames give the same sample whatever others the table
    holds and wherever they stand in it.

    Parameters
    ----------
    frames : DataFrame
        Column `file_id`, the hash of a file's content, where there is one.
    figures : ndarray of float32, shape (n, k)
        What was measured, which tells frames without that hash apart; NaN where nothing was.
    seed : int
        Another one draws another sample.

    Returns
    -------
    ndarray of uint64, shape (n,)
        Spread evenly over all numbers of 64 bits.
    """
    order = np.zeros(len(frames), np.uint64)
    nameless = np.ones(len(frames), bool)
    if "file_id" in frames:
        nameless = frames["file_id"].isna().to_numpy(bool)
        ids = frames["file_id"].to_numpy(object)
        order = hash_array(ids, categorize=False)
    if nameless.any():
        own = np.zeros(nameless.sum(), np.uint64)
        for column in np.nan_to_num(figures[nameless]).T:
            own = hash_array(own ^ hash_array(np.ascontiguousarray(column)))
        order[nameless] = own
    return hash_array(order ^ np.uint64(seed))


def evenly(n: int, most: int) -> NDArray[np.int64]:
    """Evenly spread positions, both ends among them.

    Parameters
    ----------
    n : int
        How many there are to choose from.
    most : int
        Size of the choice at most, 2 or more.

    Returns
    -------
    ndarray of int64
        Ascending; all of them where they are no more than `most`.
    """
    count = min(n, most)
    return np.rint(np.arange(count) * (n - 1) / max(count - 1, 1)).astype(np.int64)


def histograms(frames: pd.DataFrame, rows: NDArray[np.int64]) -> Floats32:
    """Stored histograms of linear signal of some rows.

    Parameters
    ----------
    frames : DataFrame
        Frame table; columns `SHARE_COLUMNS` (missing ones count as unmeasured).
    rows : ndarray of int64, shape (n,)
        Row numbers.

    Returns
    -------
    ndarray of float32, shape (n, bins)
        Share of pixels in each bin of `record.SIGNAL_BIN_EDGES`; NaN where none was stored.
    """
    shares = np.empty((len(SHARE_COLUMNS), len(rows)), np.float32).T  # filled column by column
    for i, name in enumerate(SHARE_COLUMNS):
        shares[:, i] = numbers(frames, name)[rows]
    return shares


def signal_quantile(shares: Floats | Floats32, quantile: float) -> Floats:
    """Quantile of the signal of frames, from their stored histograms.

    Parameters
    ----------
    shares : ndarray of float, shape (n, bins)
        Share of pixels in each bin of `record.SIGNAL_BIN_EDGES`.
    quantile : float
        Between 0 and 1.

    Returns
    -------
    ndarray of float64, shape (n,)
        log2 signal (1 = white) below which that share of the pixels lies, linear within a bin; NaN of NaN.
    """
    if len(shares) > CHUNK:  # in pieces, four times as quick: their sums stay near the processor
        pieces = (shares[i : i + CHUNK] for i in range(0, len(shares), CHUNK))
        return np.concatenate([signal_quantile(piece, quantile) for piece in pieces])
    edges = np.asarray(SIGNAL_BIN_EDGES)
    full = np.zeros((len(shares), len(edges)))
    np.cumsum(shares, axis=1, out=full[:, 1:])
    full /= np.maximum(full[:, -1:], 1e-12)
    at = np.clip((full <= quantile).sum(axis=1) - 1, 0, len(edges) - 2)
    low, high = np.take_along_axis(full, at[:, None] + np.arange(2), axis=1).T
    within = np.clip((quantile - low) / np.maximum(high - low, 1e-12), 0, 1)
    return np.asarray(edges[at] + within * (edges[at + 1] - edges[at]))


def days(frames: pd.DataFrame) -> Floats:
    """Local time at which frames were taken.

    Parameters
    ----------
    frames : DataFrame
        Column `taken` (ISO 8601 text), or `DAYS` where it is worked out already.

    Returns
    -------
    ndarray of float64, shape (n,)
        Days since 1970, NaN unknown.
    """
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


def sharpness_and_error(frames: pd.DataFrame, place: str) -> tuple[Floats, Floats]:
    """MTF50 by which frames are pooled and compared, with the measurement's own standard error.

    Parameters
    ----------
    frames : DataFrame
        Columns `{place}_mtf50_cpp`, `{place}_seen_stderr_cpp`, `{place}_stderr_cpp`.
    place : str
        Zone or side.

    Returns
    -------
    mtf50, stderr : ndarray of float64, shape (n,)
        Cycles per pixel, NaN unmeasured. The whole error stands in where that of the measurement is missing.
    """
    value, stderr = (
        numbers(frames, f"{place}_mtf50_cpp"),
        numbers(frames, f"{place}_seen_stderr_cpp"),
    )
    unknown = np.isnan(stderr)
    stderr[unknown] = numbers(frames, f"{place}_stderr_cpp")[unknown]
    return value, stderr


def log_sharpness(frames: pd.DataFrame, place: str) -> Floats:
    """ln MTF50 by which frames are compared.

    Parameters
    ----------
    frames : DataFrame
        Column `{place}_mtf50_cpp`.
    place : str
        Zone or edge.

    Returns
    -------
    ndarray of float64, shape (n,)
        ln of cycles per pixel, NaN where unmeasured or not between `_LEAST_CPP` and 1.
    """
    value = numbers(frames, f"{place}_mtf50_cpp")
    value[~((value > _LEAST_CPP) & (value < 1.0))] = np.nan
    return np.log(value)


def near_and_far(frames: pd.DataFrame) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """Sharpness of a frame's lower and upper edge as it was held: near and far parts of a landscape.

    Parameters
    ----------
    frames : DataFrame
        MTF50 of the four sides, and `orientation` (Exif).

    Returns
    -------
    near, far : ndarray of float64, shape (n,)
        ln MTF50, NaN unmeasured.
    below : ndarray of int64, shape (n,)
        The edge that was below, an index into `EDGES`.
    """
    orientation = numbers(frames, "orientation")
    below = _BELOW[
        np.where((orientation >= 1) & (orientation <= 8), orientation, 1).astype(np.int64)
    ]
    edge, at = np.stack([log_sharpness(frames, e) for e in EDGES]), np.arange(len(frames))
    return edge[below, at], edge[OPPOSITE_EDGE[below], at], below


def _full_frame_focal_mm(frames: pd.DataFrame) -> Floats:
    """Focal length of the same view on 36 x 24 mm, (n,): as Exif states it, else by the picture's diagonal on the
    sensor; NaN where neither is known, for 6 mm are a wide angle on one sensor and a tele lens on another."""
    stated = numbers(frames, "focal_35mm")
    pixels = np.hypot(numbers(frames, "width_px"), numbers(frames, "height_px"))
    diagonal = pixels * numbers(frames, "pixel_pitch_um") / 1000
    with np.errstate(divide="ignore", invalid="ignore"):
        by_diagonal = numbers(frames, "focal_length_mm") * FULL_FRAME_DIAGONAL_MM / diagonal
        focal = np.where(stated > 0, stated, by_diagonal)
        return np.where((focal > 0) & np.isfinite(focal), focal, np.nan)


def scene_ev100(frames: pd.DataFrame) -> Floats:
    """EV100 of the light that a scene had of its own.

    Parameters
    ----------
    frames : DataFrame
        Columns `ev100` and `flash`.

    Returns
    -------
    ndarray of float64, shape (n,)
        NaN where unknown or where a flash lit it: shutter, aperture and ISO then say what was chosen to go
        with the flash.
    """
    return np.where(flags(frames, "flash", False), np.nan, numbers(frames, "ev100"))


def shutter_stops(frames: pd.DataFrame) -> Floats:
    """Stops by which a shutter is slower than 1 / focal length in full-frame terms.

    The rule of thumb for a camera held by hand (common practice, no source).

    Parameters
    ----------
    frames : DataFrame
        Columns `exposure_time_s`, `flash`, `focal_35mm`, `focal_length_mm`, `width_px`, `height_px`,
        `pixel_pitch_um`.

    Returns
    -------
    ndarray of float64, shape (n,)
        NaN where unknown, and where a flash fired: its light sets how long such a frame took, not the
        shutter.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        stops = np.log2(numbers(frames, "exposure_time_s") * _full_frame_focal_mm(frames))
    return np.where(np.isfinite(stops) & ~flags(frames, "flash", False), stops, np.nan)


def aperture_index(f_number: Floats) -> NDArray[np.int64]:
    """Index of the nominal third of a stop.

    Parameters
    ----------
    f_number : ndarray of float64
        F-numbers as tags state them.

    Returns
    -------
    ndarray of int64
        Index into `exposure.F_NUMBERS`; -1 where missing or impossible.
    """
    good = np.isfinite(f_number) & (f_number >= F_NUMBERS[0])
    safe = np.where(good, f_number, 1.0)
    index = np.rint(f_number_place(safe)).astype(np.int64)
    return np.where(good & (index < len(F_NUMBERS)), index, -1)


def nominal_from_index(index: int) -> float:
    """The engraved aperture of an index.

    Parameters
    ----------
    index : int
        From `aperture_index`, 0 or more.

    Returns
    -------
    float
        F-number.
    """
    return F_NUMBERS[index]
