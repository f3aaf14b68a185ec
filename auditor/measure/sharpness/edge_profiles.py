"""Edge profiles against the family: weighted least squares for all edges and members at once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import combinations_with_replacement
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.sharpness.family import OFFSETS, edge_family
from auditor.robust import SHEPPARD

__all__ = ["ProfileFit", "RoughFit", "fit_profiles", "rough_fit"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

_SLOPE_SD: Final = 0.01
"""Expected slope of the plateaus per px as a share of the step (shading); keeps slope and blur apart."""
_SHIFT_SD: Final = 0.3
"""Expected shift (px) of a profile off the line that was laid along its edge."""
_TERMS: Final = 5
"""Terms of a fit: base, slope, step, shift, and what the slope changes by from the dark side to the light one."""
_LEAST: Final = 1e-6
"""Added to the sum of a profile's weights, lest it be nothing."""
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
    """Outcome per edge, arrays (n,) unless said.

    Attributes:
        by_share: (n, 3, SHARES) under each share of diffraction from 0 to 1 (`shares.SHARES` of
            them): log evidence, posterior mean of ln MTF50 over levels, and its variance.
        member: index of the best member (level * shares + share).
        step, base: amplitude and lower plateau of the best member.
        shift: px by which the profile lies off zero.
        chi2: weighted squares left, per degree of freedom.
    """

    by_share: Floats
    member: NDArray[np.int_]
    step: Floats
    base: Floats
    shift: Floats
    chi2: Floats


@dataclass(frozen=True)
class RoughFit:
    """Blur level (ln MTF50), member, step and lower plateau per edge, arrays (n,)."""

    log_mtf50: Floats
    member: NDArray[np.int_]
    step: Floats
    base: Floats

    def take(self, index: NDArray[np.generic]) -> RoughFit:
        """The fits of a mask or of indices."""
        return RoughFit(
            self.log_mtf50[index], self.member[index], self.step[index], self.base[index]
        )


@dataclass(frozen=True)
class _Design:
    """What a fit sums over the bins, (planes, members, bins).

    Attributes:
        terms: the edge, its shift and the edge times the distance; base and slope, which every member has
            beside them, are sums for each profile alone.
        products: of the distance with the three, then of these with each other.
    """

    terms: Singles
    products: Singles

    def part(self, first: int, last: int) -> _Design:
        return _Design(self.terms[:, first:last], self.products[:, first:last])


def _design_of(edge: Floats, line: Floats) -> _Design:
    terms = np.stack([edge, -line, OFFSETS * edge])
    pairs = [terms[i] * terms[j] for i, j in combinations_with_replacement(range(len(terms)), 2)]
    products = np.stack([*(OFFSETS * terms), *pairs])
    return _Design(terms.astype(np.float32), products.astype(np.float32))


@cache
def _design() -> _Design:
    """Of every `_STRIDE`-th level of the family."""
    family = edge_family()
    bins = len(OFFSETS)
    return _design_of(
        family.edge[::_STRIDE].reshape(-1, bins), family.line[::_STRIDE].reshape(-1, bins)
    )


@cache
def _rough_design() -> tuple[_Design, NDArray[np.int_]]:
    """Of a thinned family with one share only, and its members' numbers."""
    family = edge_family()
    share = len(family.shares) // 2
    members = np.arange(0, len(family.mtf50_cpp), _ROUGH_STRIDE) * len(family.shares) + share
    return _design_of(
        family.edge[::_ROUGH_STRIDE, share], family.line[::_ROUGH_STRIDE, share]
    ), members


@dataclass(frozen=True)
class _Half:
    """Many 5 x 5 systems, half solved (Cholesky): of base and slope, (n,) each, for they are the same for every
    member, and of edge, shift and bent edge, (members, n) each.

    Attributes:
        low: elements of the lower triangle by the numbers of row and column, on its diagonal their reciprocals.
        z: the right sides solved by it; that of the base is 0, for profiles are taken about their means.
    """

    low: dict[tuple[int, int], Singles]
    z: list[Singles]

    def of(self, member: NDArray[np.int_]) -> Floats:
        """The solutions (5, n) of one member for each profile."""
        at = member, np.arange(len(member))
        low = {place: x if x.ndim == 1 else x[at] for place, x in self.low.items()}
        out = [x if x.ndim == 1 else x[at] for x in self.z]
        for c in reversed(range(_TERMS)):
            for r in range(c + 1, _TERMS):
                out[c] = out[c] - low[r, c] * out[r]
            out[c] = out[c] * low[c, c]
        return np.stack(out).astype(float)


def _half_solved(w: Floats, wy: Floats, ridge: Floats, design: _Design) -> _Half:
    """Systems of every member and profile: `w` weights and `wy` weighted values (n, bins), `ridge` (n,) what a
    unit of prior precision adds."""
    slope = ridge / _SLOPE_SD**2
    base = 1 / np.sqrt(w.sum(1) + _LEAST)
    across = w @ OFFSETS * base
    # The slope on the light side is that on the dark one and what bends the edge; the prior is on both.
    straight = 1 / np.sqrt(w @ OFFSETS**2 + 2 * slope - across**2)
    low = {(0, 0): base, (1, 0): across, (1, 1): straight}
    # Single precision is that of the sums: it moves no MTF50 by more than 0.03%, nor an error by 0.1%.
    low = {place: x.astype(np.float32) for place, x in low.items()}
    z = [np.zeros(len(w), np.float32), (wy @ OFFSETS * straight).astype(np.float32)]
    terms, right = _applied(design.terms, w), _applied(design.terms, wy)
    products = _applied(design.products, w)
    products[(2, 8), :] += slope.astype(np.float32)
    products[6] += (ridge / _SHIFT_SD**2).astype(np.float32)
    spare = np.empty_like(terms[0])
    for r in range(2, _TERMS):
        low[r, 0], low[r, 1] = terms[r - 2], products[r - 2]
        low[r, 0] *= low[0, 0]
        low[r, 1] -= np.multiply(low[r, 0], low[1, 0], out=spare)
        low[r, 1] *= low[1, 1]
    pairs = combinations_with_replacement(range(2, _TERMS), 2)
    low |= {(r, c): value for (c, r), value in zip(pairs, products[3:], strict=True)}
    for c in range(2, _TERMS):
        for r in range(c, _TERMS):
            for k in range(c):
                low[r, c] -= np.multiply(low[r, k], low[c, k], out=spare)
        inverse = low[c, c]
        np.sqrt(np.maximum(inverse, 1e-9, out=inverse), out=inverse)
        np.divide(1, inverse, out=inverse)
        for r in range(c + 1, _TERMS):
            low[r, c] *= inverse
        value = right[c - 2]
        for k in range(1, c):
            value -= np.multiply(low[c, k], z[k], out=spare)
        value *= inverse
        z.append(value)
    return _Half(low, z)


@cache
def _finer(points: int, factor: int) -> Singles:
    """(points, fine) matrix of cubic (Catmull-Rom) interpolation to `factor` points per interval."""
    at = np.arange((points - 1) * factor + 1) / factor
    base = np.minimum(at.astype(int), points - 2)
    f = at - base
    matrix = np.zeros((points, len(at)))
    for shift, (a, b, c, d) in enumerate(_CATMULL_ROM, -1):
        value = a + b * f + c * f**2 + d * f**3
        np.add.at(matrix, (np.clip(base + shift, 0, points - 1), np.arange(len(at))), value)
    return matrix.astype(np.float32)


@dataclass(frozen=True)
class _Squares:
    """What is left of every profile under every member tried, (members, n), and its half-solved systems."""

    left: Singles
    half: _Half
    middle: Floats
    bins: NDArray[np.int_]


def _applied(planes: Singles, weight: Floats) -> Singles:
    """Sums over bins of every plane (k, members, bins) times every weight (n, bins): (k, members, n)."""
    return np.asarray(np.matmul(planes, weight.astype(np.float32).T))


def _squares(profile: Floats, weight: Floats, scale: Floats, design: _Design) -> _Squares:
    bins = np.count_nonzero(weight > 0, axis=1)
    unit = np.maximum(weight.max(1), 1e-30)
    w = weight / unit[:, None]
    middle = (w * profile).sum(1) / np.maximum(w.sum(1), 1e-30)
    y = (profile - middle[:, None]) / scale[:, None]
    wy = w * y
    half = _half_solved(w, wy, 1 / np.maximum(unit * scale**2, 1e-30), design)
    # y'Wy - b'x is what is left, the priors' share included; b'x is z'z.
    told = half.z[2] ** 2
    for part in half.z[3:]:
        told += part * part
    left = ((wy * y).sum(1) - half.z[1] ** 2).astype(np.float32) - told
    left *= (unit * scale**2).astype(np.float32)
    return _Squares(left, half, middle, bins)


def _member_fit(squares: _Squares) -> tuple[NDArray[np.int_], Floats]:
    best = squares.left.argmin(0)
    return best, squares.half.of(best)


def rough_fit(profile: Floats, weight: Floats, scale: Floats) -> RoughFit:
    """The nearest member of a thinned family, enough to lay the line along the edge."""
    family = edge_family()
    design, members = _rough_design()
    s = _squares(profile, weight, scale, design)
    best, a = _member_fit(s)
    level = np.log(family.mtf50_cpp)[members[best] // len(family.shares)]
    return RoughFit(level, members[best], a[2] * scale, a[0] * scale + s.middle)


def fit_profiles(profile: Floats, weight: Floats, scale: Floats, rough: Floats) -> ProfileFit:
    """Fit every family member near the rough value to every profile.

    Arguments:
        profile: (n, bins) mean light per bin on `OFFSETS`, dark side first.
        weight: (n, bins) inverse variance of those means, 0 where a bin is empty or not used.
        scale: (n,) rough step, which gives the priors on slopes and shift their unit.
        rough: (n,) rough ln MTF50; levels within 50% of it are tried.

    Model: base + step * edge(d - shift) + a slope on either side with a weak prior. The posterior
    of ln MTF50 (flat prior) gives mean and variance under each share of diffraction; which share
    holds is for the whole frame to say (`shares.settle`). Squares left above what the noise
    explains widen it (chi2 > 1).
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
    shares, n = len(family.shares), len(profile)
    log_level = np.log(family.mtf50_cpp[::_STRIDE])
    first = int(np.searchsorted(log_level, rough.min() - _SEARCH, "right")) - 1
    first = max(first, 0)
    last = int(np.searchsorted(log_level, rough.max() + _SEARCH)) + 1
    level = log_level[first:last]
    s = _squares(
        profile, weight, scale, _design().part(first * shares, first * shares + len(level) * shares)
    )
    best, a = _member_fit(s)
    free = np.maximum(s.bins - _TERMS - 2, 1)  # level and share of diffraction are found as well
    chi2 = np.maximum(s.left[best, np.arange(n)], 1e-9) / free
    left = s.left / np.maximum(chi2, 1.0).astype(np.float32)
    left -= left.min(0)
    left = left.reshape(len(level), shares * n)
    density = np.asarray(_finer(len(level), _FINER).T @ left, np.float32).reshape(-1, shares, n)
    density -= density.min((0, 1))
    density *= np.float32(-0.5)
    np.exp(np.maximum(density, _FAINTEST, out=density), out=density)
    level = np.linspace(level[0], level[-1], len(density))
    member = (first + best // shares) * _STRIDE * shares + best % shares
    with np.errstate(divide="ignore", invalid="ignore"):
        shift = a[3] / a[2]
    base, step = a[0] * scale + s.middle, a[2] * scale
    return ProfileFit(_by_share(level, density), member, step, base, shift, chi2)


def _by_share(level: Floats, density: Singles) -> Floats:
    """Log evidence, mean and variance of ln MTF50, (edges, 3, SHARES).

    `density` is (levels, shares of the family, edges). What lies between the family's shares is
    interpolated in these three, which are smooth; at one level the density is not: its peak moves
    from share to share by more than its width.
    """
    moments = np.stack([np.ones_like(level), level, level**2]).astype(np.float32)
    total, first, second = np.tensordot(moments, density, 1).astype(float)
    total = np.maximum(total, 1e-25)
    mean = first / total
    variance = np.maximum(second / total - mean**2, 0) + (level[1] - level[0]) ** 2 / SHEPPARD
    fine = _halved(np.stack([np.log(total), mean, np.log(variance)], axis=1))
    fine[:, 2] = np.exp(fine[:, 2])
    return fine.transpose(2, 1, 0)


def _halved(values: Floats) -> Floats:
    """Points between neighbours along the first axis, curved no more than either side of them.

    The evidence falls off a cliff where a profile's foot no longer fits; a plain cubic would ring.
    """
    bend = np.diff(values, 2, axis=0)
    left, right = np.concatenate([bend[:1], bend]), np.concatenate([bend, bend[-1:]])
    least = np.where(np.abs(left) < np.abs(right), left, right) * (left * right > 0)
    out = np.empty((2 * len(values) - 1, *values.shape[1:]))
    out[::2] = values
    out[1::2] = (values[:-1] + values[1:]) / 2 - least / _HALFWAY
    return out
