"""Change point of a series: the split of time at which it differs most, and its p-value.

Robust regression on what else moves the figure (aperture, focal length, ISO), with a step at every
possible date; the statistic is the largest step in standard errors. Frames of one outing share light,
place and care, so outings are what is shuffled and resampled, never frames.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.criteria import DRAWS
from auditor.infer.decisions.common import SHUFFLES
from auditor.infer.enough import FEW_FRAMES, FEWEST, SAMPLED
from auditor.robust import bisquare_regression, half_width, low_middle_high

__all__ = ["UPPER", "Candidate", "Change", "Series", "estimate_change", "most_likely_change"]

Floats = NDArray[np.float64]
Codes = NDArray[np.int64]

_EXCEEDANCES: Final = 50
"""Shuffled series with as large a step after which their share is known well enough (to a seventh of it);
so many are made at a time."""
UPPER: Final = 0.7
"""Quantile that is taken for the level of the sharp frames, from which a regression starts: failures lie below."""
_CUTS: Final = (0.2, 0.8)
"""Cuts (log MTF50) where failed frames lie below: five times the scatter of sharp frames, and one that holds
both sides of a lens that was dropped (40% softer, `tests/infer/test_decisions.py`)."""


@dataclass(frozen=True, slots=True)
class Series:
    """One quantity of one lens or body over time.

    Attributes
    ----------
    day, value : ndarray of float64, shape (n,)
        Days since 1970, and the figure.
    outing : ndarray of int64, shape (n,)
        Number of the outing.
    factors : sequence of ndarray of int64, shape (n,)
        Levels of what else moves the figure.
    sharp : bool
        Whether failed frames lower the figure, so that its upper part is its level.
    """

    day: Floats
    value: Floats
    outing: Codes
    factors: Sequence[Codes] = field(default_factory=tuple)
    sharp: bool = False


@dataclass(frozen=True, slots=True)
class Change:
    """A change point.

    Attributes
    ----------
    day, day_low, day_high : float
        Days since 1970, with the interval.
    size, low, high : float
        Step in the unit of the series, with its interval.
    before, after : int
        Frames on either side.
    p : float
        P-value by permutation.
    """

    day: float
    day_low: float
    day_high: float
    size: float
    low: float
    high: float
    before: int
    after: int
    p: float

    @property
    def shares(self) -> tuple[float, float, float]:
        """Step and ends of its interval as shares, of a series of logs."""
        return math.expm1(self.size), math.expm1(self.low), math.expm1(self.high)


@dataclass(frozen=True, slots=True)
class Candidate:
    """The most likely change point of a series.

    Attributes
    ----------
    series : Series
        The series.
    design : ndarray of float64, shape (n, Q)
        Columns of the regression.
    blocks : ndarray of int64, shape (n,)
        Number of each frame's outing in order of time.
    steps : ndarray of float64, shape (blocks - 1,)
        Step in standard errors after each block but the last, -1 where nothing can be said.
    rng : numpy.random.Generator
        Source of chance for the intervals.
    p : float
        P-value by permutation of outings.
    """

    series: Series
    design: Floats
    blocks: Codes
    steps: Floats
    rng: np.random.Generator
    p: float


def most_likely_change(series: Series, seed: int = 0) -> Candidate | None:
    """The most likely change point of a series, with its p-value.

    Robust regression on the factors; the statistic is the largest step in standard errors over all splits in
    time, its null distribution that of shuffled outings.

    Parameters
    ----------
    series : Series
        The series.
    seed : int
        Seed of the shuffles.

    Returns
    -------
    Candidate or None
        None with fewer than `FEW_FRAMES` frames or `FEWEST` outings a side.
    """
    blocks = _blocks(series)
    if blocks is None:
        return None
    design = _design(len(series.value), series.factors)
    cuts = _CUTS if series.sharp else (None,)
    windows = [_sums(series.value, design, blocks, cut) for cut in cuts]
    frames = np.bincount(blocks)
    (steps,) = _statistic(windows, frames, np.arange(len(frames))[None])
    if steps.max() < 0:
        return None
    rng = np.random.default_rng(seed)
    p = _p_value(windows, frames, float(steps.max()), rng)
    return Candidate(series, design, blocks, steps, rng, p)


def _blocks(series: Series) -> Codes | None:
    """Number of each frame's outing in order of time; None where frames or outings are too few."""
    if len(series.value) < 2 * FEW_FRAMES:
        return None
    outing, code = np.unique(series.outing, return_inverse=True)
    if len(outing) < 2 * FEWEST:
        return None
    first = pd.Series(series.day).groupby(code).min().to_numpy()
    place = np.argsort(np.argsort(first, kind="stable"))
    block = place[code]
    if len(outing) > SAMPLED:  # neighbours are taken together
        block = block * SAMPLED // len(outing)
    return np.asarray(block)


def _design(n: int, factors: Sequence[Codes]) -> Floats:
    """(n, Q) an intercept and an indicator for every level of every factor but its first."""
    columns = [level[:, None] == np.unique(level)[None, 1:] for level in factors]
    return np.hstack([np.ones((n, 1)), *columns])


def _fit(value: Floats, design: Floats, cut: float | None) -> tuple[Floats, Floats]:
    """Bisquare regression: coefficients (Q,) and weights (n,). `cut` in units of the value, and
    then from the sharp frames' level; None for one by the median absolute deviation."""
    return bisquare_regression(value, design, cut, 0.5 if cut is None else UPPER)


def _sums(value: Floats, design: Floats, blocks: Codes, cut: float | None) -> Floats:
    """Sums over each block of outings, (2 + Q, B): weighted residuals in standard deviations, weights, and weighted
    columns, whitened: their total information is the unit matrix."""
    beta, weight = _fit(value, design, cut)
    residual = value - design @ beta
    spread = np.sqrt((weight**2 * residual**2).sum() / max((weight**2).sum(), 1e-9))
    weighted = design * weight[:, None]
    information = weighted.T @ design + 1e-6 * np.eye(design.shape[1])
    whitened = np.linalg.solve(np.linalg.cholesky(information), weighted.T)
    rows = weight * residual / max(spread, 1e-9), weight, *whitened
    return np.stack([np.bincount(blocks, row) for row in rows])


def _statistic(windows: Sequence[Floats], frames: Codes, order: Codes) -> Floats:
    """Step in standard errors, the larger of all windows, at each split (R, B - 1) of each order (R, B) of the
    blocks; -1 where a split leaves too little on either side. `windows`: from `_sums`.

    A step's estimate given the other columns is the weighted residuals' sum over what is left of the
    step's information when theirs is taken off (Frisch & Waugh, Econometrica 1, 1933).
    """
    before, at = np.cumsum(frames[order], 1)[:, :-1], np.arange(1, order.shape[1])
    fewest = np.minimum(before, frames.sum() - before) >= FEW_FRAMES
    fewest = fewest & (np.minimum(at, order.shape[1] - at) >= FEWEST)
    steps = np.full(before.shape, -1.0)
    for sums in windows:
        score, weight, *columns = np.cumsum(sums[:, order], 2)[:, :, :-1]
        information = weight - np.square(columns).sum(0)
        step = np.abs(score) / np.sqrt(np.maximum(information, 1e-9))
        # Where the other columns explain nearly all of a step nothing can be said of it.
        steps = np.maximum(steps, np.where(fewest & (information > FEWEST), step, -1.0))
    return steps


def _p_value(
    windows: Sequence[Floats], frames: Codes, observed: float, rng: np.random.Generator
) -> float:
    """P-value by permutation of the outings, sequential: no more shuffles once `_EXCEEDANCES` had a statistic as
    large (Besag & Clifford, Biometrika 78, 1991).
    """
    exceeding = shuffles = 0
    while shuffles < SHUFFLES and exceeding < _EXCEEDANCES:
        order = rng.permuted(np.tile(np.arange(len(frames)), (_EXCEEDANCES, 1)), axis=1)
        largest = _statistic(windows, frames, order).max(1)
        exceeding += int((largest >= observed - 1e-12).sum())
        shuffles += _EXCEEDANCES
    return (exceeding + 1) / (shuffles + 1)


def _step_size(
    series: Series, design: Floats, after: NDArray[np.bool_], rows: Codes | slice = slice(None)
) -> float:
    """Size of the step."""
    value, later = series.value[rows], after[rows]
    cut, start = None, 0.0
    if series.sharp:
        # A great step would take one side for failed: each begins from the level of its own sharp frames.
        before, since = (float(np.quantile(side, UPPER)) for side in (value[~later], value[later]))
        cut, start = _CUTS[0], since - before
    beta, _ = _fit(value - start * later, np.column_stack([design[rows], later]), cut)
    return start + float(beta[-1])


def estimate_change(found: Candidate, share: float) -> Change:
    """Size and date of a change point with their intervals.

    The size's interval is a bootstrap of the outings of each side; the date's holds every split whose
    likelihood falls short of the best one's by no more than chance has it (likelihood ratio).

    Parameters
    ----------
    found : Candidate
        From `most_likely_change`.
    share : float
        Share of the truth that intervals are meant to hold.

    Returns
    -------
    Change
        Days since 1970; sizes in the unit of the series.

    References
    ----------
    S. S. Wilks, Ann. Math. Stat. 9 (1938).
    """
    series, design, blocks, steps = found.series, found.design, found.blocks, found.steps
    split = int(steps.argmax()) + 1
    after = blocks >= split
    size = _step_size(series, design, after)
    rows = [np.flatnonzero(blocks == b) for b in range(len(steps) + 1)]
    first = np.array([series.day[r].min() for r in rows])
    last = np.array([series.day[r].max() for r in rows])
    plausible = np.flatnonzero(
        np.maximum(steps, 0) ** 2 >= steps.max() ** 2 - half_width(share) ** 2
    )
    sizes = []
    for _ in range(DRAWS):
        earlier = found.rng.integers(0, split, split)
        later = found.rng.integers(split, len(rows), len(rows) - split)
        resample = np.concatenate([rows[b] for b in np.concatenate([earlier, later])])
        sizes.append(_step_size(series, design, after, resample))
    low, _, high = low_middle_high(sizes, share)
    return Change(
        day=float((last[split - 1] + first[split]) / 2),
        day_low=float(last[plausible[0]]), day_high=float(first[plausible[-1] + 1]),
        size=size, low=float(min(low, size)), high=float(max(high, size)),
        before=int((~after).sum()), after=int(after.sum()), p=found.p,
    )  # fmt: skip
