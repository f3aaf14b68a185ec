"""Edge profiles against the family: weighted least squares for all edges and members at once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.sharpness.family import OFFSETS, edge_family

__all__ = ["ProfileFit", "fit_profiles"]

Floats = NDArray[np.float64]

_SLOPE_SD: Final = 0.01
"""Expected slope of the plateaus per px as a share of the step (shading); keeps slope and blur apart."""
_SHIFT_SD: Final = 0.3
_TERMS: Final = 5


@dataclass(frozen=True)
class ProfileFit:
    """Outcome per edge, arrays (n,) unless said.

    Attributes:
        log_mtf50: posterior mean of ln MTF50 over levels and shares.
        stderr: its posterior standard deviation.
        member: index of the best member (level * shares + share).
        step, base: amplitude and lower plateau of the best member.
        shift: px by which the profile lies off zero.
        chi2: weighted squares left, per degree of freedom.
        bins: bins used.
    """

    log_mtf50: Floats
    stderr: Floats
    member: NDArray[np.int_]
    step: Floats
    base: Floats
    shift: Floats
    chi2: Floats
    bins: NDArray[np.int_]


@cache
def _design() -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Terms (members, 5, bins) and their products (members * 15, bins)."""
    family = edge_family()
    edge = family.edge.reshape(-1, len(OFFSETS))
    line = family.line.reshape(-1, len(OFFSETS))
    d = np.broadcast_to(OFFSETS, edge.shape)
    terms = np.stack([np.ones_like(edge), edge, -line, d * (1 - edge), d * edge], axis=1)
    i, j = np.triu_indices(_TERMS)
    products = terms[:, i] * terms[:, j]
    return terms.astype(np.float32), products.reshape(-1, len(OFFSETS)).astype(np.float32)


def _solve(normal: NDArray[np.float64], right: NDArray[np.float64]) -> NDArray[np.float64]:
    """Cholesky solution of many 5 x 5 systems; `normal` (15, ...) upper triangle, `right` (5, ...)."""
    i, j = np.triu_indices(_TERMS)
    a = {(int(p), int(q)): normal[k] for k, (p, q) in enumerate(zip(i, j, strict=True))}
    low: dict[tuple[int, int], NDArray[np.float64]] = {}
    z: list[NDArray[np.float64]] = []
    for c in range(_TERMS):
        pivot = a[c, c].copy()
        for k in range(c):
            pivot -= low[c, k] ** 2
        inverse = 1 / np.sqrt(np.maximum(pivot, 1e-9))
        value = right[c].copy()
        for k in range(c):
            value -= low[c, k] * z[k]
        z.append(value * inverse)
        low[c, c] = inverse
        for r in range(c + 1, _TERMS):
            value = a[c, r].copy()
            for k in range(c):
                value -= low[r, k] * low[c, k]
            low[r, c] = value * inverse
    out = [np.empty(0)] * _TERMS
    for c in reversed(range(_TERMS)):
        value = z[c]
        for r in range(c + 1, _TERMS):
            value = value - low[r, c] * out[r]
        out[c] = value * low[c, c]
    return np.stack(out)


def fit_profiles(
    profile: Floats, weight: Floats, half_px: Floats, scale: Floats, levels: slice = slice(None)
) -> ProfileFit:
    """Fit every family member to every profile inside its window.

    Arguments:
        profile: (n, bins) mean light per bin on `OFFSETS`, dark side first.
        weight: (n, bins) inverse variance of those means, 0 where a bin is empty.
        half_px: (n,) half width of the window used.
        scale: (n,) rough step, which gives the priors on slopes and shift their unit.
        levels: blur levels to try.

    Model: base + step * edge(d - shift) + a slope on either side with a weak prior. The posterior
    over members, flat in ln MTF50, gives mean and standard deviation; squares left above what the noise explains
    widen it (chi2 > 1).
    """
    family = edge_family()
    shares = len(family.shares)
    terms, products = _design()
    first, last, _ = levels.indices(len(family.mtf50_cpp))
    members = slice(first * shares, last * shares)
    terms = terms[members]
    products = products[members.start * 15 : members.stop * 15]
    n, count = len(profile), len(terms)
    inside = np.abs(OFFSETS) <= half_px[:, None]
    w = np.where(inside, weight, 0.0)
    bins = np.count_nonzero(w > 0, axis=1)
    unit = np.maximum(w.max(1), 1e-30)
    w = w / unit[:, None]
    middle = (w * profile).sum(1) / np.maximum(w.sum(1), 1e-30)
    y = (profile - middle[:, None]) / scale[:, None]
    wy = (w * y).astype(np.float32)
    normal = (w.astype(np.float32) @ products.T).reshape(n, count, 15).transpose(2, 0, 1)
    right = (wy @ terms.reshape(-1, len(OFFSETS)).T).reshape(n, count, 5).transpose(2, 0, 1)
    normal, right = normal.astype(np.float64), right.astype(np.float64)
    ridge = 1 / np.maximum(unit * scale**2, 1e-30)
    normal[9] += (ridge / _SHIFT_SD**2)[:, None]
    normal[12] += (ridge / _SLOPE_SD**2)[:, None]
    normal[14] += (ridge / _SLOPE_SD**2)[:, None]
    normal[0] += 1e-6
    answer = _solve(normal, right)
    total = (w * y * y).sum(1)
    # y'Wy - b'x is what is left including the priors' share.
    left = (total[:, None] - (answer * right).sum(0)) * (unit * scale**2)[:, None]
    best = left.argmin(1)
    rows = np.arange(n)
    chi2 = np.maximum(left[rows, best], 1e-9) / np.maximum(bins - 7, 1)
    spread = np.maximum(chi2, 1.0)
    log_p = -0.5 * (left - left[rows, best][:, None]) / spread[:, None]
    p = np.exp(np.maximum(log_p, -60.0))
    p /= p.sum(1, keepdims=True)
    level = np.log(np.repeat(family.mtf50_cpp[first:last], shares))
    mean = p @ level
    variance = np.maximum(p @ level**2 - mean**2, 0) + np.diff(level[::shares]).mean() ** 2 / 12
    step = answer[1][rows, best] * scale
    with np.errstate(divide="ignore", invalid="ignore"):
        shift = answer[2][rows, best] / answer[1][rows, best]
    base = answer[0][rows, best] * scale + middle
    return ProfileFit(mean, np.sqrt(variance), best + members.start, step, base, shift, chi2, bins)
