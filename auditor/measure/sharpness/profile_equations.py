"""Least squares of edge profiles: normal equations of every profile under every member, solved at once."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations_with_replacement
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.sharpness.family import OFFSETS

__all__ = ["TERMS", "Design", "Factors", "Residuals", "design_of", "residuals_of"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

_SLOPE_SD: Final = 0.006
"""Expected slope of the plateaus per px as a share of the step (shading). A free slope passes for long tails, and
edges read soft (with 0.01 those of lenses rendered from wavefronts 0.3% more than with this); with none photographs
behind known optics read 10% sharp, for their plateaus do slope."""
_SHIFT_SD: Final = 0.3
"""Expected shift (px) of a profile off the line that was laid along its edge."""
TERMS: Final = 5
"""Terms of a fit: base, slope, step, shift, and what the slope changes by from the dark side to the light one."""
_LEAST: Final = 1e-6
"""Added to the sum of a profile's weights, lest it be nothing."""


@dataclass(frozen=True)
class Design:
    """Products that a least-squares fit sums over the bins.

    Attributes
    ----------
    terms : (3, members, bins) ndarray of float32
        The edge, its shift and the edge times the distance; base and slope, which every member has beside
        them, are sums for each profile alone.
    products : (9, members, bins) ndarray of float32
        Of the distance with the three, then of these with each other.
    """

    terms: Singles
    products: Singles

    def part(self, first: int, last: int) -> Design:
        """Some members.

        Parameters
        ----------
        first, last : int
            Range of rows, the last one not included.

        Returns
        -------
        Design
            Views.
        """
        return Design(self.terms[:, first:last], self.products[:, first:last])


def design_of(edge: Floats, line: Floats) -> Design:
    """Products for members given by their edge- and line-spread functions.

    Parameters
    ----------
    edge, line : (members, bins) ndarray of float64
        On `family.OFFSETS`.

    Returns
    -------
    Design
        For `residuals_of`.
    """
    terms = np.stack([edge, -line, OFFSETS * edge])
    pairs = [terms[i] * terms[j] for i, j in combinations_with_replacement(range(len(terms)), 2)]
    products = np.stack([*(OFFSETS * terms), *pairs])
    return Design(terms.astype(np.float32), products.astype(np.float32))


@dataclass(frozen=True)
class Factors:
    """Cholesky factors of many 5 x 5 normal equations, and their right sides after forward substitution.

    Unknowns are base and slope, which are the same for every member and have (n,) elements, and edge, shift
    and bent edge with (members, n) each.

    Attributes
    ----------
    lower : dict
        Elements of the lower triangle by (row, column); the diagonal holds reciprocals.
    z : list of ndarray of float32
        The right sides; that of the base is 0, for profiles are taken about their means.
    """

    lower: dict[tuple[int, int], Singles]
    z: list[Singles]

    def solution(self, member: NDArray[np.int_]) -> Floats:
        """Solutions of one member for each profile, by back substitution.

        Parameters
        ----------
        member : (n,) ndarray of int
            Row of the member among those tried.

        Returns
        -------
        (5, n) ndarray of float64
            Base, slope, step, shift times step, and change of slope, over the profile's scale.
        """
        at = member, np.arange(len(member))
        lower = {place: x if x.ndim == 1 else x[at] for place, x in self.lower.items()}
        out = [x if x.ndim == 1 else x[at] for x in self.z]
        for c in reversed(range(TERMS)):
            for r in range(c + 1, TERMS):
                out[c] = out[c] - lower[r, c] * out[r]
            out[c] = out[c] * lower[c, c]
        return np.stack(out).astype(float)


def _factorised(w: Floats, wy: Floats, ridge: Floats, design: Design) -> Factors:
    """Normal equations of every member and profile, factorised.

    Parameters
    ----------
    w, wy : (n, bins) ndarray of float64
        Weights, and weighted values.
    ridge : (n,) ndarray of float64
        What a unit of prior precision adds to the diagonal.
    design : Design
        Members tried.

    Returns
    -------
    Factors
        Ready for back substitution.
    """
    slope = ridge / _SLOPE_SD**2
    base = 1 / np.sqrt(w.sum(1) + _LEAST)
    across = w @ OFFSETS * base
    # The slope on the light side is that on the dark one and what bends the edge; the prior is on both.
    straight = 1 / np.sqrt(w @ OFFSETS**2 + 2 * slope - across**2)
    lower = {(0, 0): base, (1, 0): across, (1, 1): straight}
    # Single precision is that of the sums: it moves no MTF50 by more than 0.03%, nor an error by 0.1%.
    lower = {place: x.astype(np.float32) for place, x in lower.items()}
    z = [np.zeros(len(w), np.float32), (wy @ OFFSETS * straight).astype(np.float32)]
    terms, right = _applied(design.terms, w), _applied(design.terms, wy)
    products = _applied(design.products, w)
    products[(2, 8), :] += slope.astype(np.float32)
    products[6] += (ridge / _SHIFT_SD**2).astype(np.float32)
    spare = np.empty_like(terms[0])
    for r in range(2, TERMS):
        lower[r, 0], lower[r, 1] = terms[r - 2], products[r - 2]
        lower[r, 0] *= lower[0, 0]
        lower[r, 1] -= np.multiply(lower[r, 0], lower[1, 0], out=spare)
        lower[r, 1] *= lower[1, 1]
    pairs = combinations_with_replacement(range(2, TERMS), 2)
    lower |= {(r, c): value for (c, r), value in zip(pairs, products[3:], strict=True)}
    for c in range(2, TERMS):
        for r in range(c, TERMS):
            for k in range(c):
                lower[r, c] -= np.multiply(lower[r, k], lower[c, k], out=spare)
        inverse = lower[c, c]
        np.sqrt(np.maximum(inverse, 1e-9, out=inverse), out=inverse)
        np.divide(1, inverse, out=inverse)
        for r in range(c + 1, TERMS):
            lower[r, c] *= inverse
        value = right[c - 2]
        for k in range(1, c):
            value -= np.multiply(lower[c, k], z[k], out=spare)
        value *= inverse
        z.append(value)
    return Factors(lower, z)


@dataclass(frozen=True)
class Residuals:
    """Residual sum of squares of every profile under every member tried, and the factorised equations.

    Attributes
    ----------
    residual_ss : (members, n) ndarray of float32
        Weighted, the priors' share included.
    factors : Factors
        From which solutions follow.
    mean : (n,) ndarray of float64
        Weighted mean of each profile, which was taken off.
    bins : (n,) ndarray of int
        Bins with weight.
    """

    residual_ss: Singles
    factors: Factors
    mean: Floats
    bins: NDArray[np.int_]


def _applied(planes: Singles, weight: Floats) -> Singles:
    """Sums over bins of every plane (k, members, bins) times every weight (n, bins): (k, members, n)."""
    return np.asarray(np.matmul(planes, weight.astype(np.float32).T))


def residuals_of(profile: Floats, weight: Floats, scale: Floats, design: Design) -> Residuals:
    """Fit every member to every profile by weighted least squares with weak priors on slopes and shift.

    Parameters
    ----------
    profile, weight : (n, bins) ndarray of float64
        Edge-spread functions and the inverse variances of their bins.
    scale : (n,) ndarray of float64
        Rough step, which gives the priors their unit.
    design : Design
        Members tried.

    Returns
    -------
    Residuals
        Of every member.
    """
    bins = np.count_nonzero(weight > 0, axis=1)
    unit = np.maximum(weight.max(1), 1e-30)
    w = weight / unit[:, None]
    mean = (w * profile).sum(1) / np.maximum(w.sum(1), 1e-30)
    y = (profile - mean[:, None]) / scale[:, None]
    wy = w * y
    factors = _factorised(w, wy, 1 / np.maximum(unit * scale**2, 1e-30), design)
    # The residual sum of squares is y'Wy - b'x, the priors' share included; b'x is z'z.
    explained = factors.z[2] ** 2
    for part in factors.z[3:]:
        explained += part * part
    residual_ss = ((wy * y).sum(1) - factors.z[1] ** 2).astype(np.float32) - explained
    residual_ss *= (unit * scale**2).astype(np.float32)
    return Residuals(residual_ss, factors, mean, bins)
