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

_SLOPE_SD: Final = 0.01
"""Expected slope of the plateaus per px as a share of the step (shading); keeps slope and blur apart."""
_SHIFT_SD: Final = 0.3
"""Expected shift (px) of a profile off the line that was laid along its edge."""
_TERMS: Final = 5
"""Terms of a fit: base, step, shift, and a slope on either side."""
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
        slope: steepest plateau, change per px as a share of the step.
        chi2: weighted squares left, per degree of freedom.
    """

    by_share: Floats
    member: NDArray[np.int_]
    step: Floats
    base: Floats
    shift: Floats
    slope: Floats
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
    """Terms (members, 5, bins) and their products (members, 15, bins): those of neighbouring members lie
    side by side, so that their sums are one product of matrices."""

    terms: NDArray[np.float32]
    products: NDArray[np.float32]

    def part(self, first: int, last: int) -> _Design:
        return _Design(self.terms[first:last], self.products[first:last])


def _design_of(edge: Floats, line: Floats) -> _Design:
    d = np.broadcast_to(OFFSETS, edge.shape)
    terms = np.stack([np.ones_like(edge), edge, -line, d * (1 - edge), d * edge], axis=1)
    i, j = np.triu_indices(_TERMS)
    products = terms[:, i] * terms[:, j]
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


_PLACE: Final = {ij: k for k, ij in enumerate(combinations_with_replacement(range(_TERMS), 2))}
"""Where the element (i, j) of a symmetric matrix stands in its upper triangle."""

_Triangle = dict[tuple[int, int], Floats]


def _forward(normal: Floats, right: Floats) -> tuple[_Triangle, list[Floats]]:
    """First half of the Cholesky solution of many 5 x 5 systems, in place: the lower triangle, with
    reciprocals on its diagonal, and the right sides solved by it. `normal` (15, ...) upper triangle,
    `right` (5, ...)."""
    low: _Triangle = {}
    z: list[Floats] = []
    spare = np.empty_like(right[0])
    for c in range(_TERMS):
        for r in range(c, _TERMS):
            value = normal[_PLACE[c, r]]
            for k in range(c):
                value -= np.multiply(low[r, k], low[c, k], out=spare)
            low[r, c] = value
        inverse = low[c, c]
        np.sqrt(np.maximum(inverse, 1e-9, out=inverse), out=inverse)
        np.divide(1, inverse, out=inverse)
        for r in range(c + 1, _TERMS):
            low[r, c] *= inverse
        value = right[c]
        for k in range(c):
            value -= np.multiply(low[c, k], z[k], out=spare)
        value *= inverse
        z.append(value)
    return low, z


def _backward(low: _Triangle, z: list[Floats]) -> Floats:
    """Second half: the solutions (5, ...)."""
    out = [np.empty(0)] * _TERMS
    for c in reversed(range(_TERMS)):
        value = z[c]
        for r in range(c + 1, _TERMS):
            value = value - low[r, c] * out[r]
        out[c] = value * low[c, c]
    return np.stack(out)


@cache
def _finer(points: int, factor: int) -> NDArray[np.float64]:
    """(points, fine) matrix of cubic (Catmull-Rom) interpolation to `factor` points per interval."""
    at = np.arange((points - 1) * factor + 1) / factor
    base = np.minimum(at.astype(int), points - 2)
    f = at - base
    matrix = np.zeros((points, len(at)))
    for shift, (a, b, c, d) in enumerate(_CATMULL_ROM, -1):
        value = a + b * f + c * f**2 + d * f**3
        np.add.at(matrix, (np.clip(base + shift, 0, points - 1), np.arange(len(at))), value)
    return matrix


@dataclass(frozen=True)
class _Squares:
    """What is left of every profile under every member tried, (members, n), and its half-solved systems."""

    left: Floats
    low: _Triangle
    z: list[Floats]
    middle: Floats
    bins: NDArray[np.int_]


def _applied(planes: NDArray[np.float32], weight: Floats) -> Floats:
    """Sums over bins of every plane (members, k, bins) times every weight (n, bins): (k, members, n)."""
    members, k, bins = planes.shape
    found = (planes.reshape(-1, bins) @ weight.astype(np.float32).T).reshape(members, k, -1)
    return found.transpose(1, 0, 2).astype(np.float64, order="C")


def _squares(profile: Floats, weight: Floats, scale: Floats, design: _Design) -> _Squares:
    bins = np.count_nonzero(weight > 0, axis=1)
    unit = np.maximum(weight.max(1), 1e-30)
    w = weight / unit[:, None]
    middle = (w * profile).sum(1) / np.maximum(w.sum(1), 1e-30)
    y = (profile - middle[:, None]) / scale[:, None]
    normal = _applied(design.products, w)
    right = _applied(design.terms, w * y)
    ridge = 1 / np.maximum(unit * scale**2, 1e-30)
    normal[9] += ridge / _SHIFT_SD**2
    normal[12] += ridge / _SLOPE_SD**2
    normal[14] += ridge / _SLOPE_SD**2
    normal[0] += 1e-6
    low, z = _forward(normal, right)
    # y'Wy - b'x is what is left, the priors' share included; b'x is z'z.
    told = z[0] * z[0]
    for part in z[1:]:
        told += part * part
    left = (w * y * y).sum(1) - told
    return _Squares(left * (unit * scale**2), low, z, middle, bins)


def _member_fit(squares: _Squares) -> tuple[NDArray[np.int_], Floats]:
    best = squares.left.argmin(0)
    at = best, np.arange(len(best))
    low = {place: element[at] for place, element in squares.low.items()}
    return best, _backward(low, [part[at] for part in squares.z])


def rough_fit(profile: Floats, weight: Floats, scale: Floats) -> RoughFit:
    """The nearest member of a thinned family, enough to lay the line along the edge."""
    family = edge_family()
    design, members = _rough_design()
    s = _squares(profile, weight, scale, design)
    best, a = _member_fit(s)
    level = np.log(family.mtf50_cpp)[members[best] // len(family.shares)]
    return RoughFit(level, members[best], a[1] * scale, a[0] * scale + s.middle)


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
    left = (s.left / np.maximum(chi2, 1.0)).reshape(len(level), shares * n)
    fine = (_finer(len(level), _FINER).T @ left).reshape(-1, shares, n)
    fine -= fine.min((0, 1))
    density = fine.astype(np.float32)
    density *= np.float32(-0.5)
    np.exp(np.maximum(density, _FAINTEST, out=density), out=density)
    level = np.linspace(level[0], level[-1], len(density))
    member = (first + best // shares) * _STRIDE * shares + best % shares
    with np.errstate(divide="ignore", invalid="ignore"):
        shift = a[2] / a[1]
        slope = np.maximum(np.abs(a[3]), np.abs(a[4])) / np.abs(a[1])
    base, step = a[0] * scale + s.middle, a[1] * scale
    return ProfileFit(_by_share(level, density), member, step, base, shift, slope, chi2)


def _by_share(level: Floats, density: NDArray[np.float32]) -> Floats:
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
