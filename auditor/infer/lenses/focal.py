"""Focal ranges of a zoom: neighbours whose curves do not differ are one range."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from auditor.infer.frame_values import aperture_index
from auditor.infer.lenses.fit import CurveFit
from auditor.infer.lenses.intervals import Draws
from auditor.record import ZONES

__all__ = ["Part", "curves_differ", "merged_ranges", "shared_cells"]

Part = tuple[NDArray[np.int64], CurveFit, Draws]
"""Rows of the frame table, and the curve through them."""

_MATTERS: Final = 0.05
"""Difference (log MTF50, root mean square) that a photographer could care about."""
_CERTAIN: Final = 0.01
"""Chance of a difference as large from equal curves, below which it counts as one."""
_ALIKE_SD: Final = 0.01
"""Error (log MTF50) that every difference of two curves has besides: their shapes are only a model."""


def merged_ranges(
    parts: Sequence[Part],
    refit: Callable[[NDArray[np.int64]], Part | None],
) -> list[Part]:
    """Merge neighbours, the most alike first, until every pair of neighbours differs."""
    out = list(parts)
    while len(out) > 1:
        odds = [curves_differ(out[i], out[i + 1]) for i in range(len(out) - 1)]
        alike = int(np.argmin(odds))
        if odds[alike] >= 1:
            break
        rows = np.sort(np.concatenate([out[alike][0], out[alike + 1][0]]))
        joined = refit(rows)
        if joined is None:
            break
        out[alike : alike + 2] = [joined]
    return out


def curves_differ(one: Part, other: Part) -> float:
    """How surely centre and corner differ at the apertures in common: 1 and more is a difference.

    A difference must be beyond chance (chi squared over the cells in common) and large enough to
    matter; without apertures in common nothing can be told, and nothing is merged.
    """
    a, b = one[1], other[1]
    cells = [
        np.stack([z * len(a.data.f_numbers) + i, z * len(b.data.f_numbers) + j])
        for z in (ZONES.index("centre"), ZONES.index("corner"))
        for i, j in (shared_cells(a, b, z),)
    ]
    left, right = np.concatenate(cells, axis=1)
    if not len(left):
        return 1.0
    gap = a.curve.ravel()[left] - b.curve.ravel()[right]
    covariance = one[2].covariance[np.ix_(left, left)] + other[2].covariance[np.ix_(right, right)]
    covariance += np.eye(len(gap)) * _ALIKE_SD**2
    statistic = float(gap @ np.linalg.solve(covariance, gap))
    surely = statistic / float(chdtri(len(gap), _CERTAIN))
    matters = float(np.sqrt((gap**2).mean())) / _MATTERS
    return min(surely, matters)


def shared_cells(
    a: CurveFit, b: CurveFit, zone: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Positions, in either curve, of the apertures at which both have figures in a zone."""
    _, left, right = np.intersect1d(
        aperture_index(a.data.f_numbers), aperture_index(b.data.f_numbers), return_indices=True
    )
    both = _seen(a, zone)[left] & _seen(b, zone)[right]
    return left[both], right[both]


def _seen(fit: CurveFit, zone: int) -> NDArray[np.bool_]:
    known = ~np.isnan(fit.data.log_mtf50[:, zone])
    return np.bincount(fit.data.aperture[known], minlength=len(fit.data.f_numbers)) > 0
