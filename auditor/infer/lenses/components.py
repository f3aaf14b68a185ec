"""How much frames of one outing, and of one scene, have in common.

Method of moments on the scores of the data term (sums of residual over variance), pooled over
zones and apertures. The fit has absorbed a part of what outings share; its hat matrix says how
much, and the moments are corrected for it (as in the unbiased estimate of a variance component).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["Components", "variance_components"]

Floats = NDArray[np.float64]

_PRIOR: Final = 0.010
"""Standard deviation (log MTF50) assumed for outing and scene, with the weight of `_TRUST`."""
_TRUST: Final = 4.0
_LARGE: Final = 800
"""Clusters beyond which the fit's share is negligible and not worked out."""


@dataclass(frozen=True, slots=True)
class Components:
    """Variances of log MTF50 between outings and between scenes of an outing."""

    outing: float
    scene: float


def variance_components(
    outing_score: Floats, outing_information: Floats,
    scene_score: Floats, scene_information: Floats, scene_outing: NDArray[np.int64],
    inverse: Floats, data_information: Floats,
) -> Components:  # fmt: skip
    """Scores and information are clusters x Z x K; `scene_outing` gives each scene's outing row.

    `inverse` (Z x K x K) is the inverse of the penalised information of each zone's curve,
    `data_information` (Z x K x K) the data's own part of it.
    """
    zones = outing_score.shape[1]
    outings = len(outing_score)
    rows = np.zeros((2, 2))
    left = np.zeros(2)
    for z in range(zones):
        for level, (score, info) in enumerate(
            ((outing_score[:, z], outing_information[:, z]),
             (scene_score[:, z], scene_information[:, z]))
        ):  # fmt: skip
            hat, noise = _hat(info, inverse[z], data_information[z])
            total = score.sum(1)
            left[level] += float((total**2).sum() - noise.sum())
            square = hat**2 if hat.ndim == 2 else None
            if square is None:
                rows[level] += float((hat**2).sum())
                continue
            if level == 1:
                rows[1, 1] += float(square.sum())
                by_outing = np.zeros((outings, hat.shape[1]))
                np.add.at(by_outing, scene_outing, hat)
                rows[1, 0] += float((by_outing**2).sum())
            else:
                rows[0, 0] += float(square.sum())
                rows[0, 1] += _scene_share(hat, scene_information[:, z], scene_outing, info)
    return _solve(rows, left, outings, len(scene_score))


def _hat(info: Floats, inverse: Floats, data: Floats) -> tuple[Floats, Floats]:
    """What a cluster's shift adds to each cluster's summed score (C x C), and the noise in it."""
    own = info.sum(1)
    if len(info) > _LARGE:
        return own, own
    moved = info @ inverse
    hat = np.diag(own) - moved @ info.T
    noise = own - 2 * (moved * info).sum(1) + np.einsum("ci,ij,cj->c", moved, data, moved)
    return hat, noise


def _scene_share(
    hat: Floats, scene_information: Floats, scene_outing: NDArray[np.int64], info: Floats
) -> float:
    """How the scenes' variance enters the outings' moments: their shifts average out."""
    own = np.maximum(info.sum(1), 1e-12)
    squares = np.bincount(scene_outing, scene_information.sum(1) ** 2, len(own)) / own**2
    return float((hat**2 * squares[None, :]).sum())


def _solve(rows: Floats, left: Floats, outings: int, scenes: int) -> Components:
    """Non-negative solution, shrunk towards the prior as the clusters are few."""
    outing = scene = 0.0
    if outings > 1:
        try:
            outing, scene = (float(v) for v in np.linalg.solve(rows, left))
        except np.linalg.LinAlgError:
            outing = scene = 0.0
        if scene < 0:
            outing, scene = left[0] / max(rows[0, 0], 1e-12), 0.0
    elif rows[1, 1] > 0:
        scene = (left[1] - rows[1, 0] * _PRIOR**2) / rows[1, 1]
    outing, scene = max(outing, 0.0), max(scene, 0.0)
    return Components(
        ((outings - 1) * outing + _TRUST * _PRIOR**2) / (outings - 1 + _TRUST),
        ((scenes - 1) * scene + _TRUST * _PRIOR**2) / (scenes - 1 + _TRUST),
    )
