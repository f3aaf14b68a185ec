"""Edge profiles against the family: weighted least squares for all edges and members at once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.sharpness.family import MIDDLE, OFFSETS, SHAPES, edge_family
from auditor.measure.sharpness.profile_equations import (
    TERMS,
    Design,
    Residuals,
    design_of,
    residuals_of,
)
from auditor.robust import SHEPPARD

__all__ = ["ProfileFit", "RoughFit", "fit_profiles", "rough_fit"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

_STRIDE: Final = 2
"""Of the family every so many levels are fitted; what lies between is interpolated."""
_FINER: Final = 6
"""Points that an interval between two fitted levels is divided into."""
_ROUGH_STRIDE: Final = 6
"""Of the family every so many levels are tried for the rough fit."""
_AT_ONCE: Final = 80
"""Edges of like blur fitted at once, about at most: few levels then do for all of them."""
_FAINTEST: Final = -60.0
"""Logarithm of a density, over the highest, below which it counts as this: single precision ends there."""
_HALFWAY: Final = 8
"""A parabola lies halfway between two points this part of its second difference below their mean."""
_CATMULL_ROM: Final = ((0, -0.5, 1, -0.5), (1, 0, -2.5, 1.5), (0, 0.5, 2, -1.5), (0, 0, -0.5, 0.5))
"""How much each of four points in a row counts between the inner two: its factors on the powers 0 to 3 of
the way from the one to the other (cubic convolution; Keys, IEEE Trans. ASSP 29, 1981, from memory)."""
_SEARCH: Final = 0.4
"""Levels so far (ln MTF50) to either side of the rough value are tried."""


@dataclass(frozen=True)
class ProfileFit:
    """Outcome per edge.

    Attributes
    ----------
    by_share : (n, 3, SHARES) ndarray of float64
        Under each share of diffraction (`edge_records.SHARES` of them): log evidence,
        posterior mean of ln MTF50 over levels, and its variance.
    member : (n,) ndarray of int
        Index of the best member (level * shapes + shape).
    step, base : (n,) ndarray of float64
        Amplitude and lower plateau of the best member, in light.
    shift : (n,) ndarray of float64
        Pixels by which the profile lies off zero.
    chi2 : (n,) ndarray of float64
        Weighted sum of squared residuals per degree of freedom.
    """

    by_share: Floats
    member: NDArray[np.int_]
    step: Floats
    base: Floats
    shift: Floats
    chi2: Floats


@dataclass(frozen=True)
class RoughFit:
    """The nearest member of a thinned family, per edge.

    Attributes
    ----------
    log_mtf50 : (n,) ndarray of float64
        Blur level, ln MTF50 (c/px).
    member : (n,) ndarray of int
        Index of the member in the family.
    step, base : (n,) ndarray of float64
        Amplitude and lower plateau, in light.
    """

    log_mtf50: Floats
    member: NDArray[np.int_]
    step: Floats
    base: Floats

    def take(self, index: NDArray[np.generic]) -> RoughFit:
        """The fits of a mask or of indices."""
        return RoughFit(
            self.log_mtf50[index], self.member[index], self.step[index], self.base[index]
        )


@cache
def _design() -> Design:
    """Of every `_STRIDE`-th level of the family."""
    family = edge_family()
    bins = len(OFFSETS)
    return design_of(
        family.edge[::_STRIDE].reshape(-1, bins), family.line[::_STRIDE].reshape(-1, bins)
    )


@cache
def _rough_design() -> tuple[Design, NDArray[np.int_]]:
    """Of a thinned family with one shape only, and its members' numbers."""
    family = edge_family()
    members = np.arange(0, len(family.mtf50_cpp), _ROUGH_STRIDE) * len(SHAPES) + MIDDLE
    return design_of(
        family.edge[::_ROUGH_STRIDE, MIDDLE], family.line[::_ROUGH_STRIDE, MIDDLE]
    ), members


@cache
def _interpolation(points: int, factor: int) -> Singles:
    """(points, fine) matrix of cubic (Catmull-Rom) interpolation to `factor` points per interval."""
    at = np.arange((points - 1) * factor + 1) / factor
    base = np.minimum(at.astype(int), points - 2)
    f = at - base
    matrix = np.zeros((points, len(at)))
    for shift, (a, b, c, d) in enumerate(_CATMULL_ROM, -1):
        value = a + b * f + c * f**2 + d * f**3
        np.add.at(matrix, (np.clip(base + shift, 0, points - 1), np.arange(len(at))), value)
    return matrix.astype(np.float32)


def _member_fit(residuals: Residuals) -> tuple[NDArray[np.int_], Floats]:
    best = residuals.residual_ss.argmin(0)
    return best, residuals.factors.solution(best)


def rough_fit(profile: Floats, weight: Floats, scale: Floats) -> RoughFit:
    """Fit the nearest member of a thinned family, enough to lay the line along the edge.

    Parameters
    ----------
    profile : (n, bins) ndarray of float64
        Edge-spread functions: mean light per bin on `family.OFFSETS`, dark side first.
    weight : (n, bins) ndarray of float64
        Inverse variance of those means, 0 where a bin is not used.
    scale : (n,) ndarray of float64
        Rough step, which gives the priors their unit.

    Returns
    -------
    RoughFit
        Without errors.
    """
    family = edge_family()
    design, members = _rough_design()
    s = residuals_of(profile, weight, scale, design)
    best, a = _member_fit(s)
    level = np.log(family.mtf50_cpp)[members[best] // len(SHAPES)]
    return RoughFit(level, members[best], a[2] * scale, a[0] * scale + s.mean)


def fit_profiles(profile: Floats, weight: Floats, scale: Floats, rough: Floats) -> ProfileFit:
    """Fit every family member near the rough value to every edge-spread function, by weighted least squares.

    Model: base + step * edge(d - shift) + a slope on either side with a weak prior. The posterior
    of ln MTF50 (flat prior) gives mean and variance under each share of diffraction; which share
    holds is for the whole frame to say (`edge_records.pool_shares`). Residuals above what the noise
    explains widen it (chi2 > 1).

    Parameters
    ----------
    profile : (n, bins) ndarray of float64
        Mean light per bin on `family.OFFSETS`, dark side first.
    weight : (n, bins) ndarray of float64
        Inverse variance of those means, 0 where a bin is empty or not used.
    scale : (n,) ndarray of float64
        Rough step, which gives the priors on slopes and shift their unit.
    rough : (n,) ndarray of float64
        Rough ln MTF50; levels within 50% of it are tried.

    Returns
    -------
    ProfileFit
        In the order given.
    """
    n = len(profile)
    groups = [g for g in np.array_split(np.argsort(rough), 1 + n // _AT_ONCE) if len(g)]
    parts = [_group_fit(profile[g], weight[g], scale[g], rough[g]) for g in groups]
    back = np.empty(n, int)
    back[np.concatenate(groups)] = np.arange(n)
    names = ProfileFit.__dataclass_fields__
    return ProfileFit(**{k: np.concatenate([getattr(p, k) for p in parts])[back] for k in names})


def _group_fit(profile: Floats, weight: Floats, scale: Floats, rough: Floats) -> ProfileFit:
    family = edge_family()
    shapes, n = len(SHAPES), len(profile)
    log_level = np.log(family.mtf50_cpp[::_STRIDE])
    first = int(np.searchsorted(log_level, rough.min() - _SEARCH, "right")) - 1
    first = max(first, 0)
    last = int(np.searchsorted(log_level, rough.max() + _SEARCH)) + 1
    level = log_level[first:last]
    s = residuals_of(
        profile, weight, scale, _design().part(first * shapes, first * shapes + len(level) * shapes)
    )
    best, a = _member_fit(s)
    dof = np.maximum(s.bins - TERMS - 2, 1)  # level and shape are found as well
    chi2 = np.maximum(s.residual_ss[best, np.arange(n)], 1e-9) / dof
    residual_ss = s.residual_ss / np.maximum(chi2, 1.0).astype(np.float32)
    residual_ss -= residual_ss.min(0)
    residual_ss = residual_ss.reshape(len(level), shapes * n)
    density = np.asarray(_interpolation(len(level), _FINER).T @ residual_ss, np.float32).reshape(
        -1, shapes, n
    )
    density -= density.min((0, 1))
    density *= np.float32(-0.5)
    np.exp(np.maximum(density, _FAINTEST, out=density), out=density)
    level = np.linspace(level[0], level[-1], len(density))
    member = (first + best // shapes) * _STRIDE * shapes + best % shapes
    with np.errstate(divide="ignore", invalid="ignore"):
        shift = a[3] / a[2]
    base, step = a[0] * scale + s.mean, a[2] * scale
    return ProfileFit(_by_share(level, density), member, step, base, shift, chi2)


def _by_share(level: Floats, density: Singles) -> Floats:
    """Log evidence, mean and variance of ln MTF50, (edges, 3, SHARES).

    `density` is (levels, shapes of the family, edges). What lies between the family's shapes is
    interpolated in these three, which are smooth; at one level the density is not: its peak moves
    from shape to shape by more than its width.
    """
    moments = np.stack([np.ones_like(level), level, level**2]).astype(np.float32)
    total, first, second = np.tensordot(moments, density, 1).astype(float)
    total = np.maximum(total, 1e-25)
    mean = first / total
    variance = np.maximum(second / total - mean**2, 0) + (level[1] - level[0]) ** 2 / SHEPPARD
    fine = _midpoints(np.stack([np.log(total), mean, np.log(variance)], axis=1))
    fine[:, 2] = np.exp(fine[:, 2])
    return fine.transpose(2, 1, 0)


def _midpoints(values: Floats) -> Floats:
    """Points between neighbours along the first axis, curved no more than either side of them.

    The evidence drops abruptly where a profile's tails no longer fit; a plain cubic would ring.
    """
    bend = np.diff(values, 2, axis=0)
    before, after = np.concatenate([bend[:1], bend]), np.concatenate([bend, bend[-1:]])
    smaller = np.where(np.abs(before) < np.abs(after), before, after) * (before * after > 0)
    out = np.empty((2 * len(values) - 1, *values.shape[1:]))
    out[::2] = values
    out[1::2] = (values[:-1] + values[1:]) / 2 - smaller / _HALFWAY
    return out
