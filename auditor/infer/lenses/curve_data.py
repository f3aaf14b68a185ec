"""From frame table to the arrays that a fit takes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.infer.lenses.grouping import PITCH_UNKNOWN_UM, LensGroup
from auditor.infer.lenses.table import Table
from auditor.robust import group_medians

__all__ = ["CurveData", "cell_sums", "curve_data", "sums_of_cells"]

Floats = NDArray[np.float64]

_LEAST_ERROR: Final = 0.008
"""Least standard error (ln MTF50) of a figure, whatever it states."""
_ERROR_UNKNOWN: Final = 0.05
"""Standard error of a figure that states none."""


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
        None when no frame has both an aperture and a figure. Standard errors are at least `_LEAST_ERROR`, and
        `_ERROR_UNKNOWN` where a frame states none.
    """
    rows = table.sample(rows)
    if not len(rows):
        return None
    aperture = np.unique(table.aperture[rows], return_inverse=True)[1]
    f_numbers = group_medians(table.f_number[rows], aperture)
    stderr = table.relative_stderr[rows].astype(float)
    stderr = np.where(np.isnan(stderr), _ERROR_UNKNOWN, np.maximum(stderr, _LEAST_ERROR))
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
