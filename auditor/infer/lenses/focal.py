"""Focal ranges of a zoom: neighbours whose curves do not differ are one range."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from auditor.infer.frame_values import aperture_index
from auditor.infer.lenses.fit import CurveFit
from auditor.infer.lenses.intervals import Draws
from auditor.record import ZONES

__all__ = ["FittedRange", "curves_differ", "merged_ranges", "shared_cells"]

_RELEVANT: Final = 0.05
"""Difference (log MTF50, root mean square) that a photographer could care about."""
_SIGNIFICANCE: Final = 0.01
"""Chance of a difference as large from equal curves, below which it counts as one."""
_MODEL_SD: Final = 0.01
"""Error (log MTF50) that every difference of two curves has besides: their shapes are only a model."""


@dataclass(frozen=True, slots=True)
class FittedRange:
    """A focal range: rows of the frame table, its ends in mm where known, and the curve through it."""

    rows: NDArray[np.int64]
    focal_mm: tuple[float, float] | None
    draws: Draws


def merged_ranges(
    parts: Sequence[FittedRange],
    refit: Callable[[NDArray[np.int64]], FittedRange | None],
) -> list[FittedRange]:
    """Merge neighbouring focal ranges, the most similar first, until every pair of neighbours differs.

    Parameters
    ----------
    parts : sequence of FittedRange
        By focal length.
    refit : callable
        From rows of the frame table to the range that they are, or None.

    Returns
    -------
    list of FittedRange
        By focal length.
    """
    out = list(parts)
    while len(out) > 1:
        differences = [curves_differ(out[i].draws, out[i + 1].draws) for i in range(len(out) - 1)]
        closest = int(np.argmin(differences))
        if differences[closest] >= 1:
            break
        joined = refit(np.sort(np.concatenate([out[closest].rows, out[closest + 1].rows])))
        if joined is None:
            break
        out[closest : closest + 2] = [joined]
    return out


def curves_differ(one: Draws, other: Draws) -> float:
    """How clearly centre and corner of two curves differ at the apertures in common.

    A difference must be significant (chi squared test over the cells in common, `_SIGNIFICANCE`) and large
    enough to matter (root mean square, `_RELEVANT`).

    Parameters
    ----------
    one, other : Draws
        Curves with their covariances.

    Returns
    -------
    float
        1 and more is a difference; 1 without apertures in common, where nothing can be said and nothing is
        merged.
    """
    a, b = one.fit, other.fit
    cells = [
        np.stack([z * len(a.data.f_numbers) + i, z * len(b.data.f_numbers) + j])
        for z in (ZONES.index("centre"), ZONES.index("corner"))
        for i, j in (shared_cells(a, b, z),)
    ]
    i, j = np.concatenate(cells, axis=1)
    if not len(i):
        return 1.0
    gap = a.curve.ravel()[i] - b.curve.ravel()[j]
    covariance = one.covariance[np.ix_(i, i)] + other.covariance[np.ix_(j, j)]
    covariance += np.eye(len(gap)) * _MODEL_SD**2
    statistic = float(gap @ np.linalg.solve(covariance, gap))
    significance = statistic / float(chdtri(len(gap), _SIGNIFICANCE))
    relevance = float(np.sqrt((gap**2).mean())) / _RELEVANT
    return min(significance, relevance)


def shared_cells(
    a: CurveFit, b: CurveFit, zone: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Apertures at which two curves both have figures in a zone.

    Parameters
    ----------
    a, b : CurveFit
        The fits.
    zone : int
        Index into `record.ZONES`.

    Returns
    -------
    i, j : ndarray of int64
        Positions among the apertures of `a` and of `b`.
    """
    _, i, j = np.intersect1d(
        aperture_index(a.data.f_numbers), aperture_index(b.data.f_numbers), return_indices=True
    )
    both = _measured_at(a, zone)[i] & _measured_at(b, zone)[j]
    return i[both], j[both]


def _measured_at(fit: CurveFit, zone: int) -> NDArray[np.bool_]:
    known = ~np.isnan(fit.data.log_mtf50[:, zone])
    return np.bincount(fit.data.aperture[known], minlength=len(fit.data.f_numbers)) > 0
