"""One change in a series: the split of time at which ranks differ most, and how likely by chance.

Frames of one outing share light, place and care, so outings are what is shuffled and resampled, never
frames. Ranks are indifferent to how far the failed frames lie off.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.stats import rankdata

__all__ = ["Change", "Series", "find_change", "joined_levels", "sharp_level", "without_levels"]

Floats = NDArray[np.float64]
Codes = NDArray[np.int64]
Locate = Callable[[Floats], float]
"""Location of some values."""

FEW_FRAMES: Final = 12
"""Frames a side below which nothing is said."""
FEW_OUTINGS: Final = 3
"""Outings a side below which a change can't be told from one odd day."""
_BLOCKS: Final = 400
"""Outings of a series beyond which neighbours are taken together."""
_FIRST, _FULL = 499, 19_999
"""Shuffles at first, and where the first find little by chance."""
_PROMISING: Final = 0.05
_DRAWS: Final = 200
_WINDOW: Final = 0.3
"""Log MTF50 about the sharp frames' level within which a frame may be sharp: lenses wear by less."""
_LOST: Final = 0.12
"""Log MTF50 off its side's level from which a frame no longer says to which side it belongs: three
times the scatter of sound frames."""


@dataclass(frozen=True, slots=True)
class Series:
    """One quantity of one lens or body.

    Attributes
    ----------
    day, value, outing : (n,)
        Days since 1970, the figure, and the number of the outing.
    factors : sequence of (n,) codes
        What else moves the figure: aperture, focal length, ISO.
    sharp : bool
        Whether failed frames pull the figure down, so that its upper part is what tells.
    """

    day: Floats
    value: Floats
    outing: Codes
    factors: Sequence[Codes] = field(default_factory=tuple)
    sharp: bool = False


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


def without_levels(
    value: Floats, factors: Sequence[Codes], locate: Locate, rounds: int = 3
) -> tuple[Floats, list[Floats]]:
    """Value less what the levels of the factors explain, and each factor's part of it, (n,) each.

    Polishing (Tukey, Exploratory Data Analysis, 1977): the location of every level of one factor
    after the other is taken off, and again. Levels with fewer than five values join the nearest that
    has more.
    """
    left = value - locate(value)
    parts = [np.zeros(len(value)) for _ in factors]
    for _ in range(rounds):
        for part, factor in zip(parts, factors, strict=True):
            for level in np.unique(factor):
                here = factor == level
                found = locate(left[here])
                left[here] -= found
                part[here] += found
    return left, parts


def joined_levels(factor: Codes, few: int = 5) -> Codes:
    """Levels with fewer than so many values become the nearest level that has more, (n,)."""
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


def find_change(series: Series, share: float = 0.90, seed: int = 0) -> Change | None:
    """The most likely change of a series, with its chance probability; None where too little is
    there. Where chance makes as much often, the date is a guess and no interval is worked out."""
    blocks = _blocks(series)
    if blocks is None:
        return None
    rng = np.random.default_rng(seed)
    locate = sharp_level if series.sharp else _median
    factors = [joined_levels(f) for f in series.factors]
    left, _ = without_levels(series.value, factors, locate)
    score = _scores(left, series.sharp)
    count = np.bincount(blocks).astype(float)
    total = np.stack([np.bincount(blocks, s) for s in score])
    best, split = _statistic(total[:, None], count[None])
    if split[0] < 0:
        return None
    p = _chance(total, count, float(best[0]), _FIRST, rng)
    if p < _PROMISING:
        p = _chance(total, count, float(best[0]), _FULL, rng)
    if p >= _PROMISING:
        after = blocks >= split[0]
        day = float(series.day[after].min())
        return Change(day, day, day, 0.0, 0.0, 0.0, int((~after).sum()), int(after.sum()), p)
    at = _refined(left, blocks, int(split[0]), locate) if series.sharp else int(split[0])
    return _described(series, factors, score, blocks, at, p, share, rng)


def _median(value: Floats) -> float:
    return float(np.median(value))


def _scores(value: Floats, sharp: bool) -> Floats:
    """(S, n) centred scores of unit spread: ranks; where failures lie below, ranks of the upper half
    and values near the sharp frames' level, with weights that fall to nothing at `_WINDOW`: a change
    within the window shows best in these, a greater one in the ranks."""
    share = rankdata(value) / (len(value) + 1)
    found = [share]
    if sharp:
        off = value - sharp_level(value)
        near = off * np.clip(1 - (off / _WINDOW) ** 2, 0, None) ** 2
        found = [np.maximum(share - 0.5, 0), near]
    stack = np.stack(found)
    stack = stack - stack.mean(1, keepdims=True)
    return np.asarray(stack / np.maximum(stack.std(1, keepdims=True), 1e-12))


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
    """Largest standardised sum of scores over all splits and kinds of score (S, R, B), and the first
    block after it, (R,) each; -1 where no split leaves enough on both sides."""
    left, sums = np.cumsum(count, 1)[:, :-1], np.cumsum(total, 2)[:, :, :-1]
    n = count.sum(1, keepdims=True)
    right = n - left
    blocks = np.arange(1, count.shape[1])
    allowed = (left >= FEW_FRAMES) & (right >= FEW_FRAMES)
    allowed &= (blocks >= FEW_OUTINGS) & (count.shape[1] - blocks >= FEW_OUTINGS)
    value = np.abs(sums).max(0) / np.sqrt(left * right / n)
    value = np.where(allowed, value, -1.0)
    at = value.argmax(1)
    best = value[np.arange(len(value)), at]
    return best, np.where(best < 0, -1, at + 1)


def _chance(
    total: Floats, count: Floats, found: float, shuffles: int, rng: np.random.Generator
) -> float:
    """Share of shuffled orders of the outings with a statistic as large (plus one of each)."""
    beyond, done = 1, 0
    piece = max(1, 1_000_000 // len(count))
    while done < shuffles:
        many = min(piece, shuffles - done)
        order = rng.permuted(np.tile(np.arange(len(count)), (many, 1)), axis=1)
        value, _ = _statistic(total[:, order], count[order])
        beyond += int((value >= found - 1e-12).sum())
        done += many
    return beyond / (shuffles + 1)


def _refined(value: Floats, blocks: Codes, split: int, locate: Locate) -> int:
    """The split near the one found that leaves the sharp frames of both sides closest to their
    levels, by a loss that grows no further beyond `_LOST`: failed frames have no say."""
    after = blocks >= split
    levels = locate(value[~after]), locate(value[after])
    loss = [np.minimum(((value - level) / _LOST) ** 2, 1) for level in levels]
    # Moving a block to the earlier side exchanges its losses.
    gain = np.bincount(blocks, loss[0] - loss[1])
    count = np.cumsum(np.bincount(blocks))[:-1]
    at = np.arange(1, len(gain))
    total = np.cumsum(gain)[:-1]
    allowed = (count >= FEW_FRAMES) & (count <= len(value) - FEW_FRAMES)
    allowed &= (at >= FEW_OUTINGS) & (at <= len(gain) - FEW_OUTINGS)
    return int(at[np.where(allowed, total, np.inf).argmin()])


def _described(
    series: Series, factors: Sequence[Codes], score: Floats, blocks: Codes, split: int, p: float,
    share: float, rng: np.random.Generator,
) -> Change:  # fmt: skip
    """Date and size with intervals, by drawing the outings of each side anew."""
    locate = sharp_level if series.sharp else _median
    after = blocks >= split
    # The change itself is a factor among the others: they must not take a part of it.
    left, parts = without_levels(series.value, [*factors, after.astype(np.int64)], locate)
    freed = left + parts[-1]
    rows = [np.flatnonzero(blocks == b) for b in range(blocks.max() + 1)]
    first = np.array([series.day[r].min() for r in rows])
    last = np.array([series.day[r].max() for r in rows])
    total = np.stack([np.bincount(blocks, s) for s in score])
    count = np.bincount(blocks).astype(float)
    sizes, days = [], []
    for _ in range(_DRAWS):
        earlier = np.sort(rng.integers(0, split, split))
        later = np.sort(rng.integers(split, len(rows), len(rows) - split))
        pick = np.concatenate([earlier, later])
        drawn = total[:, pick]
        mean = drawn.sum(1, keepdims=True) / count[pick].sum()
        _, at = _statistic((drawn - mean * count[pick])[:, None], count[pick][None])
        if at[0] > 0:
            days += [last[pick[at[0] - 1]], first[pick[at[0]]]]
        sides = [np.concatenate([freed[rows[b]] for b in side]) for side in (earlier, later)]
        sizes.append(locate(sides[1]) - locate(sides[0]))
    tail = (1 - share) / 2
    low, high = np.quantile(sizes, [tail, 1 - tail])
    ends = np.quantile(days, [tail, 1 - tail]) if days else (last[split - 1], first[split])
    size = locate(freed[after]) - locate(freed[~after])
    return Change(
        day=float((last[split - 1] + first[split]) / 2),
        day_low=float(min(ends[0], last[split - 1])), day_high=float(max(ends[1], first[split])),
        size=size, low=float(min(low, size)), high=float(max(high, size)),
        before=int((~after).sum()), after=int(after.sum()), p=p,
    )  # fmt: skip
