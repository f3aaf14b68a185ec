"""What is known of a frame's edges once they are judged, and how much of its blur is diffraction: one answer for all.

A profile of a given MTF50 may overshoot (sharpening), have short tails (Gaussian blur) or long ones (diffraction),
and one noisy edge tells little of it. The frame's edges together do.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.sharpness.family import SHAPES

__all__ = ["SHARES", "Edges", "no_edges", "pool_shares"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Edges:
    """Measured edges of a frame.

    Attributes
    ----------
    y, x : (n,) ndarray of float64
        Centre of the edge in full-size pixels.
    angle : (n,) ndarray of float64
        Direction of the normal (from dark to light), radians, x to the right, y down.
    log_mtf50, stderr : (n,) ndarray of float64
        Natural logarithm of MTF50 (c/px) and its standard error; NaN before `pooled_edges`.
    step, base : (n,) ndarray of float64
        Height of the step and the dark plateau, light (1 = white).
    noise : (n,) ndarray of float64
        Standard deviation of a pixel beside the edge, light.
    chi2 : (n,) ndarray of float64
        Misfit per degree of freedom.
    clean : (n,) ndarray of bool
        A step and nothing else; the others stand in texture and are less certain.
    by_share : (n, 3, SHARES) ndarray of float64
        Estimates under each share of diffraction (`ProfileFit`).
    misfit : (n,) ndarray of float64
        Root mean square of the residuals, share of the step.
    place : (n,) ndarray of int
        Number of the place it was found at.
    coding_error : (n,) ndarray of float64
        Error of ln MTF50 by what JPEG took, which edges have in common; 0 before `pooled_edges`.
    """

    y: Floats
    x: Floats
    angle: Floats
    log_mtf50: Floats
    stderr: Floats
    step: Floats
    base: Floats
    noise: Floats
    chi2: Floats
    clean: NDArray[np.bool_]
    by_share: Floats
    misfit: Floats
    place: NDArray[np.int_]
    coding_error: Floats

    def __len__(self) -> int:
        return len(self.y)

    def joined_with(self, other: Edges) -> Edges:
        """Both sets of edges.

        Parameters
        ----------
        other : Edges
            Comes second.

        Returns
        -------
        Edges
            All of them.
        """
        names = self.__dataclass_fields__
        return Edges(**{n: np.concatenate([getattr(self, n), getattr(other, n)]) for n in names})

    def numbered_from(self, first: int) -> Edges:
        """These edges, their places numbered from a number on.

        Parameters
        ----------
        first : int
            Added to every place.

        Returns
        -------
        Edges
            A copy.
        """
        return replace(self, place=self.place + first)

    def take(self, index: NDArray[np.generic]) -> Edges:
        """Some of the edges.

        Parameters
        ----------
        index : ndarray
            Mask or indices.

        Returns
        -------
        Edges
            The edges chosen.
        """
        return Edges(**{n: getattr(self, n)[index] for n in self.__dataclass_fields__})


def no_edges() -> Edges:
    """An empty set of edges.

    Returns
    -------
    Edges
        Of length 0.
    """
    empty = np.zeros(0)
    fields: dict[str, Any] = dict.fromkeys(Edges.__dataclass_fields__, empty)
    fields |= {"clean": empty > 0, "by_share": np.zeros((0, 3, SHARES)), "place": empty.astype(int)}
    return Edges(**fields)


SHARES: Final = 2 * len(SHAPES) - 1
"""Shares of diffraction tried: those of `SHAPES` and one between each two. The sharpened shape comes first."""
_FIRST_SHARE: Final = 2 * SHAPES.index((0.0, 0.0))
"""Place of share 0, from which on shares rise evenly to 1 at the last."""
_POOLING: Final = 0.5
"""Edges of one frame are not wholly independent evidence on the shape of the blur."""
_UPPER: Final = 0.8
"""Share of the edges that are softer than where the frontier is taken to begin."""
_FRONTIER: Final = 0.3
"""How much softer than that (ln MTF50) an edge may be to count."""
_LEAST_LOSS: Final = 0.02
"""Loss of MTF50 at least that the pixel does not explain: sharpened edges have none, and are divided by it."""


def pool_shares(by_share: Floats, valid: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """ln MTF50 of every edge under the frame's shares of diffraction in its blur.

    The log evidence of the edges near the frontier is pooled into one posterior over shares; each edge's estimate is
    then averaged over the shares with these weights (Bayesian model averaging), diffraction taking the same loss from
    every edge.

    Parameters
    ----------
    by_share : (n, 3, SHARES) ndarray of float64
        Log evidence, mean and variance of ln MTF50 under each share.
    valid : (n,) ndarray of bool
        Edges that inform the frame's shares: what stands beside an edge has a shape of its own.

    Returns
    -------
    log_mtf50 : (n,) ndarray of float64
        Natural logarithm of MTF50 (c/px).
    stderr : (n,) ndarray of float64
        Its standard error.
    """
    evidence, level, variance = by_share[:, 0], by_share[:, 1], by_share[:, 2]
    common, reference = _common(evidence, level, valid)
    weight = np.exp(evidence - evidence.max(1, keepdims=True, initial=-1e9))
    if np.isfinite(reference):
        weight = weight * _shares_at(level, common, reference)
    weight = weight + 1e-30
    weight /= weight.sum(1, keepdims=True)
    mean = (weight * level).sum(1)
    spread = (weight * (variance + (level - mean[:, None]) ** 2)).sum(1)
    return mean, np.sqrt(spread)


def _common(evidence: Floats, level: Floats, valid: NDArray[np.bool_]) -> tuple[Floats, float]:
    """The frame's posterior over shares, (SHARES,), and the ln MTF50 it is for.

    Only valid edges near the frontier count: what lies out of focus has a shape of its own.
    """
    if not valid.any():
        return np.full(SHARES, 1 / SHARES), np.inf
    evidence, level = evidence[valid], level[valid]
    value = level[np.arange(len(level)), evidence.argmax(1)]
    selected = value > np.quantile(value, _UPPER) - _FRONTIER
    reference = float(np.median(value[selected]))
    log_posterior = _POOLING * evidence[selected].sum(0)
    common = np.exp(log_posterior - log_posterior.max())
    return common / common.sum(), reference


def _shares_at(level: Floats, common: Floats, reference: float) -> Floats:
    """Weight of each share for each edge, (n, SHARES), from the frame's at `reference`.

    Diffraction takes the same from every edge of a frame: its loss, -ln MTF, grows about in
    proportion to frequency (Goodman). What makes some edges softer is not diffraction, so that its
    share of their loss at their MTF50 is less.
    """
    shrink = np.minimum(np.exp(level - reference) * _loss(np.array(reference)) / _loss(level), 1.0)
    out = np.zeros(level.shape)
    share = np.arange(SHARES)
    for i, p in enumerate(common):
        # Each column has a level of its own: ask there where share i of the reference would lie. All edges are
        # sharpened alike.
        at = (
            _FIRST_SHARE + shrink * (i - _FIRST_SHARE)
            if i > _FIRST_SHARE
            else np.full_like(shrink, i)
        )
        out += p * np.maximum(1 - np.abs(at - share), 0)
    return out


def _loss(log_mtf50: Floats) -> Floats:
    """-ln MTF at MTF50 that the pixel does not explain."""
    return np.maximum(np.log(2 * np.sinc(np.exp(log_mtf50))), _LEAST_LOSS)
