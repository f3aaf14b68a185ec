"""Scenes offer different edges: what the frames of one scene share is taken off the comparison.

Each scene with two frames or more has an effect per zone, a random shift of log MTF50 with a
variance learnt from the archive (a mixed model, Henderson's best linear unbiased prediction). Where
one scene was taken at several apertures, the differences within it then carry the weight that they
deserve: the natural experiments of an archive.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from auditor.infer.lenses.mixture import CurveData, Expectation

__all__ = ["SceneEffects", "absorbed_information", "no_effects", "update_effects"]

Floats = NDArray[np.float64]

_PRIOR_VARIANCE = 0.015**2
_PRIOR_WEIGHT = 8.0


@dataclass(frozen=True, slots=True)
class SceneEffects:
    """Shifts of log MTF50 by scene. n frames, Z zones, S scenes of two frames or more."""

    code: NDArray[np.int64]
    """n, number of the frame's scene or -1 where it stands alone."""
    count: int
    variance: float
    offset: Floats
    """n x Z, the effect of the frame's scene; 0 where it stands alone."""

    def extra_variance(self) -> Floats:
        """n x 1: frames that stand alone carry their scene's variance themselves."""
        return np.where(self.code < 0, self.variance, 0.0)[:, None]


def no_effects(data: CurveData) -> SceneEffects:
    """Scenes of the data, all effects 0."""
    _, code, counts = np.unique(data.scene, return_inverse=True, return_counts=True)
    several = counts > 1
    number = np.where(several, np.cumsum(several) - 1, -1)
    zeros = np.zeros_like(data.log_mtf50)
    return SceneEffects(number[code], int(several.sum()), _PRIOR_VARIANCE, zeros)


def _sums(effects: SceneEffects, values: Floats) -> Floats:
    """Sums of n x Z values by scene, S x Z."""
    inside = effects.code >= 0
    code = effects.code[inside]
    columns = [np.bincount(code, v, effects.count) for v in values[inside].T]
    return np.stack(columns, axis=1)


def update_effects(look: Expectation, effects: SceneEffects) -> tuple[SceneEffects, Floats]:
    """Effects for the curve as it stands, and the frames' gradient (n x Z) after them."""
    if effects.count == 0:
        return effects, look.gradient
    inside = effects.code >= 0
    code = effects.code[inside]
    pull, weight = _sums(effects, look.gradient), _sums(effects, look.curvature)
    now = np.zeros((effects.count, look.gradient.shape[1]))
    now[code] = effects.offset[inside]
    spread = 1 / (weight + 1 / effects.variance)
    new = now + (pull - now / effects.variance) * spread
    offset = np.zeros_like(effects.offset)
    offset[inside] = new[code]
    gradient = look.gradient - look.curvature * (offset - effects.offset)
    # Only scenes whose figures weigh more than a single one tell scene from frame.
    frames = _sums(effects, look.in_core)
    tells = frames > 1.5
    total = float((new**2 + spread)[tells].sum()) + _PRIOR_WEIGHT * _PRIOR_VARIANCE
    variance = total / (float(tells.sum()) + _PRIOR_WEIGHT)
    variance = float(np.clip(variance, 0.003**2, 0.3**2))
    return SceneEffects(effects.code, effects.count, variance, offset), gradient


def absorbed_information(
    data: CurveData, curvature: Floats, effects: SceneEffects, rows: NDArray[np.bool_] | None = None
) -> Floats:
    """Information about the curve (ZK square) that unknown scene effects take from the data.

    The Schur complement of the effects: sum over scenes of d d' / (1/variance + sum d), with d the
    curvature of a scene's frames by aperture. `rows` restricts it to some frames.
    """
    zones, k = data.log_mtf50.shape[1], len(data.f_numbers)
    out = np.zeros((zones * k, zones * k))
    if effects.count == 0:
        return out
    inside = effects.code >= 0
    if rows is not None:
        inside = inside & rows
    cell = effects.code[inside] * k + data.aperture[inside]
    for z in range(zones):
        d = np.bincount(cell, curvature[inside, z], effects.count * k).reshape(-1, k)
        scaled = d / (1 / effects.variance + d.sum(1, keepdims=True))
        block = slice(z * k, (z + 1) * k)
        out[block, block] = d.T @ scaled
    return out
