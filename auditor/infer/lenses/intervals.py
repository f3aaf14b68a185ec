"""Intervals of a fitted curve, by resampling outings.

Frames of one scene, burst or outing share light, wind, focus habits: they are not independent. The
score of the data term is summed over each outing; resampling outings with replacement gives draws
of the score, and one Newton step from the solution turns each into a curve. With few outings a
resample knows too little, so it is blended with draws from variance components (between outings,
between scenes) that are pooled over apertures and zones, and widened like Student's t. The penalty
of optics contributes its own uncertainty, so that thin stretches are not overconfident.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri, stdtrit

from auditor.infer.lenses.components import outing_variance
from auditor.infer.lenses.fit import CurveFit, cell_sums, look_at
from auditor.infer.lenses.mixture import EXTRA_PX
from auditor.infer.lenses.scene_effects import absorbed_information, update_effects

__all__ = ["Draws", "draw_curves", "scene_excess"]

Floats = NDArray[np.float64]

_STEP: Final = 0.004
_POOLED: Final = 8.0
"""Outings' worth of trust in pooled variance components."""

_CLEAN_SCATTER: Final = 0.045
"""Scatter (log MTF50) of sound frames where subjects are sharp: 0.037 to 0.039 on rendered scenes."""
_SLIGHT_PX: Final = 0.7
_SLIGHTLY_SOFT: Final = (0.05, 0.10)
"""Share of frames with so little blur on top from which scenes are suspected, and are believed to be
the reason: 0.13 to 0.20 where photographs are the scenes, 0.03 where only frames failed."""
_SCENE_LEVEL: Final = 1.4
_SCENE_SHAPE: Final = 0.5
"""What scenes share, and what an aperture's scenes alone share, against what they differ in."""

_LEAST_KNOWN: Final = 0.15
"""Share of the complete-data information that frames of unsure standing keep at least."""


@dataclass(frozen=True, slots=True)
class Draws:
    """B plausible curves: `curve` B x Z x K and the parameters of optics `theta` B x P."""

    curve: Floats
    theta: Floats
    covariance: Floats
    """ZK x ZK, of the curve alone, without `doubt`."""
    doubt: Floats
    """B x Z x K, the part of `curve` that comes from scenes of unknown softness."""


def _data_information(fit: CurveFit) -> Floats:
    """Observed information of the data term, scene effects given: K x Z x Z by aperture."""
    zones, k = fit.curve.shape
    out = np.empty((k, zones, zones))
    for z in range(zones):
        shift = np.zeros((zones, 1))
        shift[z] = _STEP
        up, down = (
            cell_sums(fit.data, look_at(fit.data, fit.curve + s, fit.state, fit.effects).gradient)
            for s in (shift, -shift)
        )
        out[:, :, z] = ((down - up) / (2 * _STEP)).T
    out = (out + out.transpose(0, 2, 1)) / 2
    # Where a mixture is undecided the likelihood may be convex: keep a part of the complete-data
    # information, so that the solution stays a maximum.
    floor = 0.1 * cell_sums(fit.data, fit.look.curvature).T
    values, vectors = np.linalg.eigh(out)
    values = np.maximum(values, floor.min(axis=1, keepdims=True).clip(0))
    return np.asarray(np.einsum("kij,kj,klj->kil", vectors, values, vectors))


def _embed(blocks: Floats) -> Floats:
    """K x Z x Z blocks as one ZK x ZK matrix, zone by zone."""
    k, zones, _ = blocks.shape
    out = np.zeros((zones, k, zones, k))
    index = np.arange(k)
    out[:, index, :, index] = blocks
    return np.asarray(out.reshape(zones * k, zones * k))


def _cluster_sums(fit: CurveFit, cluster: NDArray[np.int64], values: Floats) -> Floats:
    """Sums of n x Z values over each cluster's frames of each aperture: C x ZK."""
    zones, k = fit.curve.shape
    _, code = np.unique(cluster, return_inverse=True)
    count = int(code.max()) + 1
    cell = code * k + fit.data.aperture
    sums = [np.bincount(cell, values[:, z], count * k) for z in range(zones)]
    table = np.stack([s.reshape(count, k) for s in sums], axis=1)
    return np.asarray(table.reshape(count, zones * k))


def draw_curves(fit: CurveFit, interval: float, seed: int, count: int = 400) -> Draws:
    """Draws of curve and optics whose central `interval` is the reported interval."""
    rng = np.random.default_rng(seed)
    zones, k = fit.curve.shape
    size = zones * k
    blocks = _data_information(fit)
    full = fit.prior_information.copy()
    curvature = _effective_curvature(fit, blocks)
    known = _at_least(
        _embed(blocks) - absorbed_information(fit.data, curvature, fit.effects),
        np.diag(cell_sums(fit.data, fit.look.curvature).ravel())
        - absorbed_information(fit.data, fit.look.curvature, fit.effects),
        _LEAST_KNOWN,
    )
    full[:size, :size] += known
    inverse = np.asarray(np.linalg.inv(full), np.float64)
    _, gradient = update_effects(fit.look, fit.effects)
    _, outing = np.unique(fit.data.outing, return_inverse=True)
    score = _cluster_sums(fit, outing, gradient)
    groups = len(score)
    known_score = _dispersion(fit, gradient, known, inverse[:size, :size]) * known
    meat: Floats = np.asarray(
        known_score + _shared(fit, outing, score, curvature, known_score, inverse[:size, :size])
    )
    pooled = rng.standard_normal((count, size)) @ _root(meat).T
    effective = _outings_per_aperture(fit)
    share = max(effective - 1, 0.0) / (max(effective - 1, 0.0) + _POOLED)
    noise = np.sqrt(1 - share) * pooled
    if groups > 1 and share > 0:
        picked = rng.integers(0, groups, (count, groups))
        weights = np.stack([np.bincount(row, minlength=groups) for row in picked]) - 1.0
        noise += np.sqrt(share * groups / (groups - 1)) * (weights @ score)
    prior_noise = rng.standard_normal((count, len(full))) @ _root(fit.prior_information).T
    total = prior_noise
    total[:, :size] += noise
    tail = 0.5 + interval / 2
    widen = stdtrit(effective - 1 + _POOLED, tail) / ndtri(tail)
    steps = widen * total @ inverse
    unknowns = fit.unknowns() + steps
    centred = steps[:, :size] - steps[:, :size].mean(0)
    # What scenes lack in common they lack at every focal length and with a converter as well.
    shared = np.random.default_rng([seed, 1]).standard_normal((count, zones, 1))
    doubt = _scene_doubt(fit, shared, rng.standard_normal((count, zones, k)))
    return Draws(
        unknowns[:, :size].reshape(count, zones, k) + doubt,
        unknowns[:, size:],
        centred.T @ centred / (count - 1),
        doubt,
    )


def scene_excess(fit: CurveFit) -> Floats:
    """Z, by how much (log MTF50) sound figures scatter more than those of sharp subjects do, where
    scenes are the likely reason: then many frames are a little softer than the sharpest, in all their
    zones, as neither missed focus nor an uneven measurement makes them."""
    excess = np.sqrt(np.maximum(fit.state.scatter**2 - _CLEAN_SCATTER**2, 0.0))
    slightly = float(fit.look.extra_weight[:, EXTRA_PX < _SLIGHT_PX].sum(1).mean())
    low, high = _SLIGHTLY_SOFT
    return np.asarray(excess * np.clip((slightly - low) / (high - low), 0.0, 1.0))


def _scene_doubt(fit: CurveFit, shared: Floats, own: Floats) -> Floats:
    """Draws (B x Z x K) of what scenes of their own softness may have done to the curve, from normal
    deviates that all apertures share (B x Z x 1) and that each has for itself (B x Z x K).

    Where sound figures scatter more than those of sharp subjects do, scenes differ in softness, and
    what they have in common cannot be told from the lens: it is doubted by about as much as they
    differ. The softness of a scene adds about a constant to 1 / MTF50^2, so that it costs most where
    the lens is sharpest.
    """
    excess = scene_excess(fit)[:, None]
    cost = np.exp(2 * (fit.curve - fit.curve.max(axis=1, keepdims=True)))
    return np.asarray((_SCENE_LEVEL * shared + _SCENE_SHAPE * own) * excess * cost)


def _dispersion(fit: CurveFit, gradient: Floats, known: Floats, inverse: Floats) -> float:
    """Variance of the frames' scores against the information: 1 if the model were exact.

    As in quasi-likelihood: the squared scores over the information, pooled over the curve, with the
    fit's own degrees of freedom given back. Scenes enter through their sums.
    """
    code = np.where(
        fit.effects.code >= 0, fit.effects.code, fit.effects.count + np.arange(len(gradient))
    )
    squares = (_cluster_sums(fit, code, gradient) ** 2).sum()
    spent = float(np.trace(inverse @ known)) / len(known)
    frames = max(float(fit.look.in_core.sum()), 1.0)
    spent = min(spent * len(known) / frames, 0.8)
    found = float(squares) / max(float(np.trace(known)), 1e-12) / (1 - spent)
    # A few frames tell little: lean on 1.
    return (frames * found + 30.0) / (frames + 30.0)


def _shared(
    fit: CurveFit, outing: NDArray[np.int64], score: Floats, curvature: Floats, known: Floats,
    inverse: Floats,
) -> Floats:  # fmt: skip
    """Variance of the score (ZK square) from what the frames of an outing share."""
    zones, k = fit.curve.shape
    count = len(score)
    out = np.zeros((zones * k, zones * k))
    information = np.zeros((count, zones, k, k))
    for o in range(count):
        rows = outing == o
        full = np.diag(cell_sums(fit.data, curvature * rows[:, None]).ravel())
        full -= absorbed_information(fit.data, curvature, fit.effects, rows)
        for z in range(zones):
            block = slice(z * k, (z + 1) * k)
            information[o, z] = full[block, block]
    variance = outing_variance(
        score.reshape(count, zones, k),
        information,
        np.stack([inverse[z * k : (z + 1) * k, z * k : (z + 1) * k] for z in range(zones)]),
        np.stack([known[z * k : (z + 1) * k, z * k : (z + 1) * k] for z in range(zones)]),
    )
    for z in range(zones):
        block = slice(z * k, (z + 1) * k)
        shift = information[:, z].sum(2)
        out[block, block] += variance * shift.T @ shift
    return out


def _effective_curvature(fit: CurveFit, blocks: Floats) -> Floats:
    """n x Z: each frame's complete-data information, scaled to what its aperture really tells."""
    complete = cell_sums(fit.data, fit.look.curvature)
    real = np.stack([blocks[:, z, z] for z in range(len(complete))])
    ratio = np.clip(real / np.maximum(complete, 1e-12), 0.0, 1.0)
    return np.asarray(fit.look.curvature * ratio.T[fit.data.aperture])


def _at_least(known: Floats, complete: Floats, share: float) -> Floats:
    """`known` with at least a share of the complete-data information in every direction.

    What scenes absorb and what failed frames leave unsaid are counted on their own; where they
    overlap, the difference can fall to nothing or below, and one direction (the level that all
    apertures have in common) would be left to roam. The eigenvalues relative to `complete` are
    bounded from below instead.
    """
    ridge = 1e-9 * max(float(np.trace(complete)) / len(complete), 1e-12)
    lower = np.linalg.cholesky(_positive(complete) + ridge * np.eye(len(complete)))
    inner = np.linalg.solve(lower, np.linalg.solve(lower, known).T)
    values, vectors = np.linalg.eigh((inner + inner.T) / 2)
    half = lower @ (vectors * np.sqrt(np.maximum(values, share)))
    return np.asarray(half @ half.T)


def _positive(matrix: Floats) -> Floats:
    root = _root(matrix)
    return np.asarray(root @ root.T)


def _root(matrix: Floats) -> Floats:
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0)))


def _outings_per_aperture(fit: CurveFit) -> float:
    k = len(fit.data.f_numbers)
    pairs = np.unique(np.stack([fit.data.aperture, fit.data.outing]), axis=1)
    return float(np.median(np.bincount(pairs[0], minlength=k)))
