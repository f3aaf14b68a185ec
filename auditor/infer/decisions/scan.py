"""One change in a series: the split of time at which ranks differ most, and how likely by chance.

Frames of one outing share light, place and care, so outings are what is shuffled and resampled, never
frames. Ranks are indifferent to how far the failed frames lie off.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.stats import rankdata

__all__ = ["Change", "Series", "additive_residuals", "find_change", "sharp_level"]

Floats = NDArray[np.float64]
Codes = NDArray[np.int64]

FEW_FRAMES: Final = 12
"""Frames a side below which nothing is said."""
FEW_OUTINGS: Final = 3
"""Outings a side below which a change can't be told from one odd day."""
_BLOCKS: Final = 400
"""Outings of a series beyond which neighbours are taken together."""
_FIRST, _FULL = 499, 19_999
"""Shuffles at first, and where the first find little by chance."""
_PROMISING: Final = 0.05
_DRAWS: Final = 300
_CUT: Final = 4.685
"""Cut of the bisquare weights in standard deviations: 95% efficient for normal scatter (Beaton &
Tukey, Technometrics 16, 1974)."""


@dataclass(frozen=True, slots=True)
class Series:
    """One quantity of one lens or body, (n,) each: days since 1970, value, number of the outing."""

    day: Floats
    value: Floats
    outing: Codes


@dataclass(frozen=True, slots=True)
class Change:
    """A change point. Days since 1970; sizes in the unit of the series; 90% intervals or as asked."""

    day: float
    day_low: float
    day_high: float
    size: float
    low: float
    high: float
    before: int
    after: int
    p: float
    """Share of shuffled series with as large a statistic anywhere."""


def additive_residuals(value: Floats, *factors: Codes) -> Floats:
    """Value less what the levels of the factors explain, (n,): robust regression on indicators.

    Levels with fewer than five values join the nearest level that has more. Weights are bisquare,
    from the median absolute deviation, iterated (Huber, Robust Statistics, 1981).
    """
    columns = [np.ones((len(value), 1))]
    for factor in factors:
        level = _joined(factor)
        columns.append((level[:, None] == np.unique(level)[None, 1:]).astype(float))
    design = np.hstack(columns)
    weight = np.ones(len(value))
    residual = value - np.median(value)
    for _ in range(12):
        root = np.sqrt(weight)
        beta, *_ = np.linalg.lstsq(design * root[:, None], value * root, rcond=None)
        residual = value - design @ beta
        scale = 1.4826 * float(np.median(np.abs(residual))) + 1e-9
        weight = np.clip(1 - (residual / (_CUT * scale)) ** 2, 0, None) ** 2 + 1e-6
    return np.asarray(residual)


def _joined(factor: Codes, few: int = 5) -> Codes:
    levels, code, counts = np.unique(factor, return_inverse=True, return_counts=True)
    kept = levels[counts >= few]
    if not len(kept):
        return np.zeros(len(factor), np.int64)
    nearest = kept[np.abs(levels[:, None] - kept[None, :]).argmin(1)]
    return np.asarray(nearest[code])


def sharp_level(value: Floats) -> float:
    """Where the sharp frames of a set lie, whatever part of it failed: a bisquare mean that starts
    from the upper third and takes its scale from what lies above it."""
    level = float(np.quantile(value, 0.7))
    for _ in range(10):
        above = value[value >= level] - level
        # The upper half of a normal distribution tells its scale; failures lie below.
        scale = max(1.4826 * float(np.median(above)) if len(above) > 2 else 0.03, 0.01)
        weight = np.clip(1 - ((value - level) / (3 * scale)) ** 2, 0, None) ** 2
        if weight.sum() < 1e-9:
            break
        level = float((weight * value).sum() / weight.sum())
    return level


def find_change(
    series: Series, level: str = "sharp", share: float = 0.90, seed: int = 0
) -> Change | None:
    """The most likely change of a series, with its chance probability; None where too little is there.

    `level` is 'sharp' for the location of the sharp frames, or 'median'.
    """
    blocks = _blocks(series)
    if blocks is None:
        return None
    rng = np.random.default_rng(seed)
    ranks = rankdata(series.value) - (len(series.value) + 1) / 2
    count = np.bincount(blocks).astype(float)
    total = np.bincount(blocks, ranks)
    best, split = _statistic(total[None], count[None])
    if split[0] < 0:
        return None
    p = _chance(total, count, float(best[0]), _FIRST, rng)
    if p < _PROMISING:
        p = _chance(total, count, float(best[0]), _FULL, rng)
    after = blocks >= split[0]
    locate = sharp_level if level == "sharp" else (lambda v: float(np.median(v)))
    if p >= _PROMISING:
        size = locate(series.value[after]) - locate(series.value[~after])
        day = float(series.day[after].min())
        return Change(day, day, day, size, size, size, int((~after).sum()), int(after.sum()), p)
    return _described(series, blocks, int(split[0]), locate, p, share, rng)


def _blocks(series: Series) -> Codes | None:
    """Number of each frame's outing in order of time; None where frames or outings are too few."""
    if len(series.value) < 2 * FEW_FRAMES:
        return None
    outing, code = np.unique(series.outing, return_inverse=True)
    if len(outing) < 2 * FEW_OUTINGS:
        return None
    first = np.full(len(outing), np.inf)
    np.minimum.at(first, code, series.day)
    place = np.empty(len(outing), np.int64)
    place[np.argsort(first, kind="stable")] = np.arange(len(outing))
    block = place[code]
    if len(outing) > _BLOCKS:
        block = block * _BLOCKS // len(outing)
    return np.asarray(block)


def _statistic(total: Floats, count: Floats) -> tuple[Floats, Codes]:
    """Largest standardised rank sum over all splits of each row (R, B), and the first block after
    it; -1 where no split leaves enough on both sides."""
    left, sums = np.cumsum(count, 1)[:, :-1], np.cumsum(total, 1)[:, :-1]
    n = count.sum(1, keepdims=True)
    right = n - left
    blocks = np.arange(1, count.shape[1])
    allowed = (left >= FEW_FRAMES) & (right >= FEW_FRAMES)
    allowed &= (blocks >= FEW_OUTINGS) & (count.shape[1] - blocks >= FEW_OUTINGS)
    value = np.where(allowed, np.abs(sums) / np.sqrt(left * right / n), -1.0)
    at = value.argmax(1)
    best = value[np.arange(len(value)), at]
    return best, np.where(best < 0, -1, at + 1)


def _chance(
    total: Floats, count: Floats, found: float, shuffles: int, rng: np.random.Generator
) -> float:
    """Share of shuffled orders of the outings with a statistic as large (plus one of each)."""
    beyond, done = 1, 0
    piece = max(1, 2_000_000 // len(total))
    while done < shuffles:
        many = min(piece, shuffles - done)
        order = rng.permuted(np.tile(np.arange(len(total)), (many, 1)), axis=1)
        value, _ = _statistic(total[order], count[order])
        beyond += int((value >= found - 1e-12).sum())
        done += many
    return beyond / (shuffles + 1)


def _described(
    series: Series, blocks: Codes, split: int, locate: object, p: float, share: float,
    rng: np.random.Generator,
) -> Change:  # fmt: skip
    """Date and size with intervals, by drawing the outings of each side anew."""
    assert callable(locate)
    after = blocks >= split
    rows = [np.flatnonzero(blocks == b) for b in range(blocks.max() + 1)]
    first = np.array([series.day[r].min() for r in rows])
    last = np.array([series.day[r].max() for r in rows])
    sizes, days = [], []
    for _ in range(_DRAWS):
        pick = np.sort(
            np.concatenate(
                [
                    rng.integers(0, split, split),
                    rng.integers(split, len(rows), len(rows) - split),
                ]
            )
        )
        value = np.concatenate([series.value[rows[b]] for b in pick])
        count = np.array([len(rows[b]) for b in pick], float)
        ranks = rankdata(value) - (len(value) + 1) / 2
        owner = np.repeat(np.arange(len(pick)), count.astype(int))
        _, at = _statistic(np.bincount(owner, ranks)[None], count[None])
        if at[0] > 0:
            days += [last[pick[at[0] - 1]], first[pick[at[0]]]]
        side = np.repeat(pick >= split, count.astype(int))
        sizes.append(locate(value[side]) - locate(value[~side]))
    tail = (1 - share) / 2
    low, high = np.quantile(sizes, [tail, 1 - tail])
    ends = np.quantile(days, [tail, 1 - tail]) if days else (last[split - 1], first[split])
    size = locate(series.value[after]) - locate(series.value[~after])
    return Change(
        day=float((last[split - 1] + first[split]) / 2),
        day_low=float(min(ends[0], last[split - 1])), day_high=float(max(ends[1], first[split])),
        size=float(size), low=float(min(low, size)), high=float(max(high, size)),
        before=int((~after).sum()), after=int(after.sum()), p=p,
    )  # fmt: skip
