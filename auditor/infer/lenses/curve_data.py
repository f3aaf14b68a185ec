"""From frame table to the arrays that a fit takes: columns of all frames, then those of one curve."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.frame_values import (
    aperture_index,
    draw_order,
    group_numbers,
    sharpness_and_error,
)
from auditor.infer.lenses.grouping import PITCH_UNKNOWN_UM, LensGroup
from auditor.record import ZONES
from auditor.record.values import numbers
from auditor.robust import group_medians

__all__ = ["CurveData", "Table", "cell_sums", "curve_data", "read_table", "sums_of_cells"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Rows = NDArray[np.int64]

CELL_LIMIT: Final = 60
"""Frames at one aperture beyond which a random sample is taken: what more frames could
still change is far below what they share (scene, outing, the measurement itself)."""
_ERROR_UNKNOWN: Final = 0.05
"""Standard error of a figure that states none."""


@dataclass(frozen=True, slots=True)
class Table:
    """Columns that curves need: n rows, Z zones, NaN where unmeasured.

    Attributes
    ----------
    log_mtf50 : ndarray of float32, shape (n, Z)
        ln MTF50 in cycles per pixel, over `record.ZONES`.
    relative_stderr : ndarray of float32, shape (n, Z)
        Standard error of the measurement, ln.
    object_error : ndarray of float32, shape (n, Z)
        What is added to that error for objects that may be soft themselves, ln.
    aperture : ndarray of int64, shape (n,)
        Index of the nominal third of a stop, -1 where unusable.
    f_number, focal_mm : ndarray of float, shape (n,)
        As the files state them.
    outing : ndarray of int64, shape (n,)
        Number of the outing; below 0, and of its own, where unknown.
    failed : ndarray of bool, shape (n,)
        Shaken or out of focus: what they show says nothing of the lens.
    order : ndarray of uint64, shape (n,)
        Random order in which rows are taken into a sample (`draw_order`).
    """

    log_mtf50: Singles
    relative_stderr: Singles
    object_error: Singles
    aperture: Rows
    f_number: Floats
    focal_mm: Floats
    outing: Rows
    failed: NDArray[np.bool_]
    order: NDArray[np.uint64]

    def usable(self, rows: Rows) -> Rows:
        """Rows with an aperture and a figure that did not fail.

        Parameters
        ----------
        rows : ndarray of int64
            Positions.

        Returns
        -------
        ndarray of int64
            Those of them.
        """
        known = (self.aperture[rows] >= 0) & ~self.failed[rows]
        return rows[known & ~np.isnan(self.log_mtf50[rows]).all(1)]

    def sample(self, rows: Rows) -> Rows:
        """Usable rows, a random sample where there are many.

        Parameters
        ----------
        rows : ndarray of int64
            Positions.

        Returns
        -------
        ndarray of int64
            At most `CELL_LIMIT` of each aperture; of a part of `rows` the sample holds every row that the sample
            of all of them holds.
        """
        rows = self.usable(rows)
        aperture = self.aperture[rows]
        if not len(rows) or np.bincount(aperture).max() <= CELL_LIMIT:
            return rows
        order = np.lexsort((self.order[rows], aperture))
        counts = np.bincount(aperture)
        start = np.concatenate([[0], np.cumsum(counts)[:-1]])
        rank = np.arange(len(rows)) - start[aperture[order]]
        return rows[np.sort(order[rank < CELL_LIMIT])]


def read_table(
    frames: pd.DataFrame, seed: int = 0, failed: NDArray[np.bool_] | None = None
) -> Table:
    """Columns of the frame table that curves need; impossible figures count as missing.

    Parameters
    ----------
    frames : DataFrame
        Columns of `record.ZONES` (`*_mtf50_cpp` and both standard errors), `f_number`, `focal_length_mm`,
        `outing`, `file_id`.
    seed : int
        Seed of the order in which samples are drawn.
    failed : ndarray of bool, shape (n,), optional
        Frames that were judged to be shaken or out of focus; none where not given.

    Returns
    -------
    Table
        n rows, NaN where unmeasured.
    """
    value, stderr = (
        np.stack(figures, axis=1).astype(np.float32)
        for figures in zip(*(sharpness_and_error(frames, z) for z in ZONES), strict=True)
    )
    value[~((value > 0.005) & (value < 1.0))] = np.nan
    whole = np.stack([numbers(frames, f"{z}_stderr_cpp") for z in ZONES], axis=1)
    objects = np.sqrt(np.maximum(whole.astype(np.float32) ** 2 - stderr**2, 0)) / value
    stderr /= value
    stderr[~((stderr > 0) & (stderr < 5))] = np.nan
    f_number = numbers(frames, "f_number")
    order = draw_order(frames, np.concatenate([value, stderr], axis=1), seed)
    focal = numbers(frames, "focal_length_mm")
    focal[~((focal > 0.5) & (focal < 20_000))] = np.nan
    return Table(
        np.log(value, out=value), stderr, objects, aperture_index(f_number),
        f_number, focal, group_numbers(frames, "outing"),
        np.zeros(len(frames), bool) if failed is None else failed, order,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class CurveData:
    """The frames of one curve: n frames, Z zones, K apertures.

    Attributes
    ----------
    log_mtf50 : ndarray of float64, shape (n, Z)
        ln MTF50 in cycles per pixel, NaN where a zone was not measured.
    stderr : ndarray of float64, shape (n, Z)
        Standard error of the measurement, ln.
    object_error : ndarray of float64, shape (n, Z)
        Standard error, ln, that is added for objects that may be soft themselves; NaN where unknown.
    aperture : ndarray of int64, shape (n,)
        Index into `f_numbers`.
    f_numbers : ndarray of float64, shape (K,)
        Apertures, ascending, as the files state them.
    pitch_um : float
        Pixel pitch in micrometres.
    source : str
        Kind of file.
    outing : ndarray of int64, shape (n,)
        Number of each frame's outing.
    row : ndarray of int64, shape (n,)
        Position in the frame table.
    """

    log_mtf50: Floats
    stderr: Floats
    object_error: Floats
    aperture: NDArray[np.int64]
    f_numbers: Floats
    pitch_um: float
    source: str
    outing: NDArray[np.int64]
    row: NDArray[np.int64]


def curve_data(table: Table, group: LensGroup, rows: NDArray[np.int64]) -> CurveData | None:
    """Arrays of the frames of one curve.

    Parameters
    ----------
    table : Table
        Columns of all frames (`read_table`).
    group : LensGroup
        Lens, body and kind of file; its pixel pitch, or `PITCH_UNKNOWN_UM`, is taken.
    rows : ndarray of int64, shape (n,)
        Positions in the table; a sample of `table.CELL_LIMIT` per aperture stands for more.

    Returns
    -------
    CurveData or None
        None when no frame has both an aperture and a figure. Standard errors are `_ERROR_UNKNOWN` where a frame
        states none.
    """
    rows = table.sample(rows)
    if not len(rows):
        return None
    aperture = np.unique(table.aperture[rows], return_inverse=True)[1]
    f_numbers = group_medians(table.f_number[rows], aperture)
    stderr = table.relative_stderr[rows].astype(float)
    stderr[np.isnan(stderr)] = _ERROR_UNKNOWN
    return CurveData(
        table.log_mtf50[rows].astype(float), stderr, table.object_error[rows].astype(float),
        aperture, f_numbers,
        group.pixel_pitch_um or PITCH_UNKNOWN_UM, group.source,
        table.outing[rows], rows,
    )  # fmt: skip


def cell_sums(data: CurveData, values: Floats) -> Floats:
    """Sums over the frames of each aperture.

    Parameters
    ----------
    data : CurveData
        n frames at K apertures.
    values : ndarray of float64, shape (n, Z, ...)
        What to sum.

    Returns
    -------
    ndarray of float64, shape (Z, K, ...)
        Sums.
    """
    return sums_of_cells(data.aperture, (len(data.f_numbers),), values)


def sums_of_cells(cell: NDArray[np.int64], shape: tuple[int, ...], values: Floats) -> Floats:
    """Sums over the rows of each cell, for one curve or several.

    Parameters
    ----------
    cell : ndarray of int64, shape (n,)
        Index into cells of this `shape`, flattened.
    shape : tuple of int
        (..., K): leading axes of curves, then apertures.
    values : ndarray of float64, shape (n, Z, ...)
        What to sum.

    Returns
    -------
    ndarray of float64, shape (..., Z, K, ...)
        Sums, the zone before the apertures.
    """
    columns = values.reshape(len(values), -1).T
    sums = np.array([np.bincount(cell, column, math.prod(shape)) for column in columns], float)
    sums = sums.reshape(*values.shape[1:], *shape)
    # The zone goes before the apertures, what follows it behind them.
    leading, rest = len(shape) - 1, values.ndim - 2
    curves = range(rest + 1, rest + 1 + leading)
    return sums.transpose(*curves, 0, rest + 1 + leading, *range(1, rest + 1))
