"""Which frames belong to one curve: same lens, body, converter and kind of file; focal ranges.

Works on plain columns, so that a million frames take seconds.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from auditor.infer.frame_values import group_numbers
from auditor.record.pools import EXPORTS, pool_words, pools
from auditor.record.values import flags, numbers, rows_by_names, words

__all__ = [
    "CLUSTER_FRAMES",
    "ENOUGH",
    "ENOUGH_OUTINGS",
    "PITCHES_UM",
    "PITCH_UNKNOWN_UM",
    "PRIME",
    "SAME_PITCH",
    "LensGroup",
    "cut_out",
    "focal_clusters",
    "lens_groups",
    "of_commonest_size",
    "rows_of_lenses",
    "whole_field",
    "within_range",
    "zoom_thirds",
]

Floats = NDArray[np.float64]

TRUST: Final = ("raw", "camera", "unknown", "edited")
"""Kinds of file from the most to the least trusted. Exports enter a curve, of their own and by their
size, only where a lens has nothing else."""

_WIDE_ZOOM: Final = 2.0
"""Range of focal lengths over which a zoom is another lens at either end."""
_RANGE_MARGIN: Final = 0.03
"""A focal range reaches so much further than the frames behind it: cameras round focal lengths."""
PITCHES_UM: Final = (0.3, 50.0)
"""Pixel pitches beyond these are mistakes of tags."""
SAME_PITCH: Final = 0.03
"""Difference of ln pitch below which two pictures have one size."""
_FOCAL_STEP: Final = 0.03
"""Step of ln focal length in which frames are counted: cameras round it no finer."""
PRIME: Final = 1.06
"""Focal lengths within this factor are one: a prime's own, as cameras write it."""
_CLUSTER_SPREAD: Final = 1.4
"""Factor that the focal lengths of one cluster span at most."""
CLUSTER_FRAMES: Final = 15
"""Frames that a cluster has at least; a part of a zoom with fewer is said to have few."""
PITCH_UNKNOWN_UM: Final = 4.0
"""Pixel pitch by which diffraction is worked out where it is unknown."""
ENOUGH: Final = 24
"""Frames from which a kind of file is preferred over a less trusted one with more frames, and pictures of the
whole field over cropped ones."""
ENOUGH_OUTINGS: Final = 4
"""Outings from which it is: one afternoon of raw files is no reason to leave out years of JPEGs. From so many on
what each outing shares averages out between apertures; fewer are said to be few."""
_WHOLE_FIELD: Final = 0.8
"""Share of the sensor that a picture shows at least whose corners are the lens's: 16:9 cut out of 3:2 shows 0.84."""


@dataclass(frozen=True, slots=True)
class LensGroup:
    """Frames of one lens on one body, in one kind of file.

    Attributes
    ----------
    lens, body : str
        Names; 'unknown lens', 'unknown body'.
    converter, lens_serial : str or None
        The serial only where one name has several copies.
    pixel_pitch_um : float or None
        The commonest one, in micrometres.
    source : str
        Kind of file.
    frames_by_source : dict of int
        Frames of each kind of file, those left out included.
    rows : ndarray of int64
        Positions in the frame table.
    reasons : list of str
        What was left out, in words.
    pool : str
        See `record.pools`: keeps sizes of exports apart.
    """

    lens: str
    body: str
    converter: str | None
    lens_serial: str | None
    pixel_pitch_um: float | None
    source: str
    frames_by_source: dict[str, int]
    rows: NDArray[np.int64]
    reasons: list[str]
    pool: str


def lens_groups(frames: pd.DataFrame) -> Iterator[LensGroup]:
    """Groups of frames that one curve may describe.

    Parameters
    ----------
    frames : DataFrame
        Frame table: `record.COLUMNS` and the columns of `crawl.relate`.

    Yields
    ------
    LensGroup
        In order of lens, body, converter and serial: measured frames of one kind of file and one pixel pitch;
        frames set aside and enlarged files stay out, and `reasons` say what else was left out.
    """
    status = words(frames, "status") == "measured"
    usable = status & flags(frames, "best", True) & ~flags(frames, "upsampled", False)
    source = words(frames, "source", "unknown")
    pool = pools(frames)
    usable &= pool != ""
    names = ("lens", "body", "converter")
    table = frames[[n for n in names if n in frames]].assign(serial=_serials(frames))
    columns = pd.DataFrame({
        "source": source, "pool": pool, "pitch": numbers(frames, "pixel_pitch_um"),
        "part": cut_out(frames), "outing": group_numbers(frames, "outing"),
    })  # fmt: skip
    for key, rows in rows_by_names(table, (*names, "serial")).items():
        own = rows[usable[rows]]
        if len(own):
            yield _one_group(key, columns.iloc[own])


def _serials(frames: pd.DataFrame) -> NDArray[np.object_]:
    """Serial of a lens where one name has several copies, else the empty string."""
    serial, lens = words(frames, "lens_serial"), words(frames, "lens")
    known = serial != ""
    copies = pd.Series(serial[known]).groupby(lens[known]).nunique()
    several = copies.index[copies > 1]
    serial[~pd.Series(lens).isin(several).to_numpy(bool)] = ""
    return serial


def _one_group(key: tuple[str, ...], frames: pd.DataFrame) -> LensGroup:
    """The group of one lens, body, converter and serial from its usable frames' kind of file (`source`), size of export
    (`pool`), pixel `pitch`, `outing`, and whether they show a `part` of the field alone."""
    by_source = frames["source"].value_counts().sort_index()
    frames = frames[frames["source"] == _trusted(frames, by_source)]
    reasons: list[str] = []

    def kept(keep: NDArray[np.bool_], others: str) -> pd.DataFrame:
        if not keep.all():
            reasons.append(f"{int((~keep).sum())} {others} left out")
        return frames[keep]

    pool = frames["pool"].value_counts().sort_index().idxmax()
    frames = kept((frames["pool"] == pool).to_numpy(bool), "exports of other sizes")
    pitch = frames["pitch"].where(frames["pitch"].between(*PITCHES_UM))
    commonest = of_commonest_size(np.log(pitch.to_numpy(float)))
    frames = kept(commonest, "frames of another picture size (pixel pitch)")
    pitch_um = float(pitch[commonest].median())
    if math.isnan(pitch_um):
        reasons.append("pixel pitch unknown: diffraction taken as with pixels of 4 µm")
    whole = whole_field(frames["part"].to_numpy(bool))
    cropped = frames["part"].to_numpy(bool)[~whole].any()
    frames = kept(
        whole,
        "cropped frames (their corners are not the lens's)"
        if cropped
        else "frames of the whole field",
    )
    lens, body, converter, serial = key
    return LensGroup(
        lens or "unknown lens", body or "unknown body", converter or None, serial or None,
        None if math.isnan(pitch_um) else round(pitch_um, 4), frames["source"].iloc[0],
        by_source.to_dict(), frames.index.to_numpy(), reasons, pool,
    )  # fmt: skip


def _trusted(frames: pd.DataFrame, by_source: pd.Series) -> str:
    """The most trusted kind of file of which there is enough, by frames and outings of each; exports only where
    there is nothing else."""
    kinds = by_source.drop(EXPORTS, errors="ignore") if len(by_source) > 1 else by_source
    outings = frames.groupby("source")["outing"].nunique()
    most, common = kinds.max(), kinds.idxmax()
    for kind in TRUST:
        enough = kinds.get(kind, 0) >= min(ENOUGH, most / 3)
        if enough and outings[kind] >= min(ENOUGH_OUTINGS, outings[common]):
            return kind
    return str(common)


def of_commonest_size(log_size: Floats) -> NDArray[np.bool_]:
    """Which pictures are of the size that most have: alike within `SAME_PITCH`.

    Parameters
    ----------
    log_size : ndarray of float64, shape (n,)
        ln pixel pitch, or of another measure of size; not finite where unknown, which counts as that of most.

    Returns
    -------
    ndarray of bool, shape (n,)
        The largest group within `SAME_PITCH`; of groups of as many pictures, that of the smallest figure.
    """
    known = np.isfinite(log_size)
    if not known.any():
        return ~known
    ordered = np.sort(log_size[known])
    alike = np.searchsorted(ordered, ordered + SAME_PITCH, "right") - np.arange(len(ordered))
    above = log_size - ordered[alike.argmax()]
    return np.asarray(~known | ((above >= 0) & (above <= SAME_PITCH)))


def cut_out(frames: pd.DataFrame) -> NDArray[np.bool_]:
    """Which frames show a part of the field alone, cut out in the camera or later.

    Parameters
    ----------
    frames : DataFrame
        Columns `file_kind` and `sensor_share`.

    Returns
    -------
    ndarray of bool, shape (n,)
        False where nothing is known of it.
    """
    whole = numbers(frames, "sensor_share") >= _WHOLE_FIELD
    return np.asarray((words(frames, "file_kind") == "cropped") & ~whole)


def whole_field(part: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which pictures are kept where of some a part was cut out: their corners are not the lens's.

    Parameters
    ----------
    part : ndarray of bool, shape (n,)
        Which pictures show a part alone (`cut_out`).

    Returns
    -------
    ndarray of bool, shape (n,)
        Those of the whole field; cropped ones alone where there is little else.
    """
    cut = int(part.sum())
    return part if len(part) - cut < min(ENOUGH, cut) else ~part


def zoom_thirds(focal_mm: Floats) -> NDArray[np.int64]:
    """Short, middle or long third of a zoom's range in log focal length.

    Parameters
    ----------
    focal_mm : ndarray of float64, shape (n,)
        Focal length, NaN where unknown.

    Returns
    -------
    ndarray of int64, shape (n,)
        0, 1, 2 for frames of a zoom used over more than a factor `_WIDE_ZOOM`; 0 for all frames of any other
        lens; -1 where the length is unknown.
    """
    known = np.isfinite(focal_mm) & (focal_mm > 0)
    out = np.where(known, 0, -1)
    if known.any():
        low, high = float(focal_mm[known].min()), float(focal_mm[known].max())
        if high > _WIDE_ZOOM * low:
            place = np.log(focal_mm[known] / low) / np.log(high / low)
            out[known] = np.minimum((3 * place).astype(np.int64), 2)
    return out


def within_range(bounds: Sequence[float], focal_mm: ArrayLike) -> NDArray[np.bool_]:
    """Which focal lengths lie in a focal range.

    Parameters
    ----------
    bounds : sequence of float
        Shortest and longest focal length behind the range, mm.
    focal_mm : array_like
        Focal lengths, mm.

    Returns
    -------
    ndarray of bool
        True within the bounds and `_RANGE_MARGIN` beyond them; False for NaN.
    """
    low, high = bounds
    focal = np.asarray(focal_mm, float)
    return np.asarray((focal >= low * (1 - _RANGE_MARGIN)) & (focal <= high * (1 + _RANGE_MARGIN)))


def rows_of_lenses(
    frames: pd.DataFrame, lenses: Sequence[Mapping[str, Any]]
) -> Iterator[NDArray[np.int64]]:
    """Frames that the curves of each lens of a profile tell of.

    Parameters
    ----------
    frames : DataFrame
        Frame table: names of gear, `lens_serial`, `pixel_pitch_um`, `source` and the columns of `record.pools`.
    lenses : sequence of mapping
        The profile's `lenses`.

    Yields
    ------
    ndarray of int64
        Positions of the frames of the same lens, body, converter, copy, kind and size of file as the entry.
    """
    serial, source = words(frames, "lens_serial"), words(frames, "source", "unknown")
    pitch = numbers(frames, "pixel_pitch_um")
    pool, kinds = pd.factorize(pools(frames))
    files = np.array([pool_words(k) for k in kinds], dtype=object)[pool]
    rows_of = rows_by_names(frames, ("lens", "body", "converter"))
    for lens in lenses:
        key = (lens["lens"] or "", lens["body"] or "", lens.get("converter") or "")
        rows = np.asarray(rows_of.get(key, []), dtype=np.int64)
        for name, column in (("lens_serial", serial), ("source", source), ("files", files)):
            if lens.get(name):
                rows = rows[column[rows] == lens[name]]
        if lens.get("pixel_pitch_um"):
            # Of a smaller picture size a cycle per pixel is another one on the sensor.
            with np.errstate(divide="ignore", invalid="ignore"):
                other = np.abs(np.log(pitch[rows] / lens["pixel_pitch_um"])) > SAME_PITCH
            rows = rows[~other]
        yield rows


def focal_clusters(focal_mm: Floats) -> NDArray[np.int64]:
    """Cluster frames by focal length.

    Log focal length is split in two where that leaves the least squares and `CLUSTER_FRAMES` on either side, and so
    again each part that spans more than a factor `_CLUSTER_SPREAD`.

    Parameters
    ----------
    focal_mm : ndarray of float64, shape (n,)
        Focal length, NaN where unknown.

    Returns
    -------
    ndarray of int64, shape (n,)
        Number of the cluster, ascending with focal length; -1 where it is unknown.
    """
    out = np.full(len(focal_mm), -1, np.int64)
    known = np.isfinite(focal_mm) & (focal_mm > 0)
    if not known.any():
        return out
    bins, code = np.unique(np.round(np.log(focal_mm[known]) / _FOCAL_STEP), return_inverse=True)
    counts = np.bincount(code).astype(float)
    x = bins * _FOCAL_STEP
    label = np.searchsorted(_starts(x, counts), np.arange(len(x)), side="right") - 1
    out[known] = label[code]
    return out


def _starts(x: Floats, weight: Floats, at: int = 0) -> list[int]:
    """First index of each cluster, counted from `at`."""
    mass, total = np.cumsum(weight)[:-1], np.cumsum(weight * x)[:-1]
    rest = weight.sum() - mass
    enough = np.minimum(mass, rest) >= CLUSTER_FRAMES
    if x[-1] - x[0] <= np.log(_CLUSTER_SPREAD) + 1e-9 or not enough.any():
        return [at]
    between = total**2 / mass + (weight @ x - total) ** 2 / rest
    cut = int(np.where(enough, between, -np.inf).argmax()) + 1
    return _starts(x[:cut], weight[:cut], at) + _starts(x[cut:], weight[cut:], at + cut)
