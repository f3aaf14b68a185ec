"""When blocks should not be trusted: posterised, compressed or smoothed away, or texture.

Texture against noise. Up to about a quarter of a cycle per pixel a camera's noise is close to white,
whatever noise reduction has done beyond. What optics has drawn falls steadily from the lowest
frequencies on. So groups of blocks whose power falls early are texture. Compression that is coarse
against the noise cuts it off early too; there the bounds are wider.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.noise import coding, spectrum

__all__ = [
    "HARMLESS",
    "LOUD",
    "clean_blocks",
    "find_doubt",
    "is_posterised",
    "is_uneven",
    "mostly_uneven",
]

_MOST_PLAIN: Final = 0.5
"""Share of flat blocks without any variation at which rounding or compression ate the noise."""

_COARSEST_STEP: Final = 20.0
"""Step of the lowest coefficients, in code values, above which compression decides what is seen;
the example tables of ISO/IEC 10918-1 reach it at about quality 28 of 100."""

_GROUP: Final = 24
"""Blocks in a group, at least: its medians are then known to about a tenth."""

_MOST_TONES: Final = 6
_MOST_GROUPS: Final = 5

_MOST_LOW_EXCESS: Final = 10.0
"""Power just below the plateau over power on it: 0.7 to 1.9 for a camera's noise; at ten times the
scene's own fall reaches the plateau."""

_FINENESS: Final = (0.2, 0.3, 0.4, 0.5, 0.65, 0.9)
_LEAST_SECOND: Final = (0.30, 0.42, 0.49, 0.57, 0.63, 0.66)
_LEAST_THIRD: Final = (0.045, 0.055, 0.11, 0.22, 0.32, 0.36)
_MOST_PEAKED: Final = (1.7, 1.35, 1.25, 1.25, 1.25, 1.25)
"""Least power at 0.125-0.18 and at 0.18-0.25 c/px, as shares of that at 0.08-0.125 c/px, by how fine
the coding's step there is against the noise. Read off one half of a set of real pairs, midway between
noise and what the mean of many exposures shows."""

_MOST_REJECTED: Final = 0.6
"""Share of textured groups from which on the rest is not believed either."""

LOUD: Final = 1.5**2
"""Variance, code values squared, from which on a mid-tone can come near a signal to noise of 10:1."""

_EVEN: Final = (0.1, 0.75)
_MOST_UNEVEN: Final = 2.6
"""Variance of blocks of one level at the upper of these quantiles over that at the lower. One level has
one noise: white noise reaches 1.2, loud noise of real camera files 1.6 in the median and 2.4 at the
95th percentile; fine texture that has a spectrum like noise reaches 2.8 to 30."""

_PROVEN_VARIANCE: Final = LOUD
_PROVEN_THIRD: Final = 0.5
_FEWEST_PROVEN: Final = 2
"""Groups of blocks as loud as this, and with this share of their power left at 0.18-0.25 c/px, show
noise: means of many exposures show it in no two groups."""

HARMLESS: Final = 0.6**2
"""Variance below which it does not matter whether noise or texture is seen: the frame is clean."""


def is_posterised(luma: NDArray[Any], peak: float) -> bool:
    """Whether the frame uses so few code values that noise is drowned in the steps between them."""
    sample = luma[:: max(1, min(luma.size // 300_000, luma.shape[0] // 64))]  # whole rows are quick
    if sample.dtype.kind == "u":
        codes: NDArray[Any] = (sample >> (8 * (sample.dtype.itemsize - 1))).ravel()
    else:
        codes = np.clip(sample / peak * 255, 0, 255).astype(np.uint8).ravel()
    used = np.flatnonzero(np.bincount(codes, minlength=256) > max(1, 2e-5 * codes.size))
    if len(used) < 3:
        return True
    span = int(used[-1] - used[0]) + 1
    return span > 24 and len(used) / span < 0.4


def find_doubt(variance: NDArray[np.float64], steps: NDArray[np.float64]) -> str | None:
    """Plain words on why flat blocks of these variances show no noise, or None."""
    lowest = steps[[0, 1, 1], [1, 0, 1]]
    if np.nanmax(np.where(np.isfinite(lowest), lowest, 0)) > _COARSEST_STEP:
        return "compressed too hard for its noise to be seen"
    if float((variance < 0.02).mean()) > _MOST_PLAIN:
        return "flat areas hold no noise: smoothed, posterised or compressed away"
    return None


def is_uneven(variance: NDArray[np.float64]) -> bool:
    """Whether blocks of one signal level vary more from each other than noise does."""
    ranked = np.sort(variance)
    low, high = (ranked[int(q * (len(ranked) - 1))] for q in _EVEN)
    return bool(high > _MOST_UNEVEN * low)


def mostly_uneven(variance: NDArray[np.float64], level: NDArray[np.float64]) -> bool:
    """The same of blocks of many levels, for most groups of blocks of like level."""
    groups = int(np.clip(len(level) // (3 * _GROUP), 1, _MOST_TONES))
    found = [
        is_uneven(variance[tone])
        for tone in np.array_split(np.argsort(level, kind="stable"), groups)
    ]
    return 2 * sum(found) > groups


def _coarseness(steps: NDArray[np.float64]) -> float:
    """Coding's step around 0.2 c/px, code values; large where coding left nothing there."""
    middle = steps[(coding.CELL_CPP > 0.15) & (coding.CELL_CPP < 0.23)]
    known = middle[np.isfinite(middle)]
    return float(np.median(known)) if len(known) else 2 * _COARSEST_STEP


def _middle(bands: NDArray[np.float64]) -> NDArray[np.float64]:
    """Medians of columns; np.median takes ten times as long on so few rows."""
    ranked = np.sort(bands, axis=0)
    return np.asarray(0.5 * (ranked[(len(bands) - 1) // 2] + ranked[len(bands) // 2]))


def _falls_early(bands: NDArray[np.float64], coarse: float) -> NDArray[np.bool_]:
    """Whether the power of groups of blocks (n, 5 bands as in `spectrum.Shape`) is texture's."""
    low, first, second, third, peaked = bands.T
    strong = np.maximum(first, 0.0)
    fineness = np.sqrt(strong) / coarse if coarse > 0 else np.full(len(first), np.inf)
    least_second, least_third, most_peaked = (
        np.interp(fineness, _FINENESS, bound)
        for bound in (_LEAST_SECOND, _LEAST_THIRD, _MOST_PEAKED)
    )
    return np.asarray(
        (second < least_second * first)
        | (third < least_third * first)
        | (low > _MOST_LOW_EXCESS * np.maximum(first, 1e-6))
        | (peaked > most_peaked)
    )


def clean_blocks(
    form: spectrum.Shape, level: NDArray[np.float64], steps: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Which blocks show noise rather than texture, judged in groups of like level and variance.

    Texture adds variance, so only the louder half of each level's groups can be dropped. Where most
    groups are textured, none is believed, unless noise is proven at other levels and louder than they
    are: coarse coding leaves the faint noise of highlights a spectrum like texture's.
    """
    keep = np.ones(len(level), bool)
    if not len(level):
        return keep
    groups, quiet = [], []
    tone_groups = int(np.clip(len(level) // (3 * _GROUP), 1, _MOST_TONES))
    for tone in np.array_split(np.argsort(level, kind="stable"), tone_groups):
        ranked = tone[np.argsort(form.variance[tone], kind="stable")]
        count = int(np.clip(len(ranked) // _GROUP, 1, _MOST_GROUPS))
        groups += np.array_split(ranked, count)
        quiet += [place < count // 2 for place in range(count)]
    middle = np.array([_middle(form.bands[group]) for group in groups])
    loud = np.array([form.variance[group[len(group) // 2]] >= HARMLESS for group in groups])
    texture = loud & _falls_early(middle, _coarseness(steps))
    for group, bad, among_quiet in zip(groups, texture, quiet, strict=True):
        keep[group] = among_quiet or not bad
    textured = sum(len(group) for group, bad in zip(groups, texture, strict=True) if bad)
    if textured < _MOST_REJECTED * len(level):
        return keep
    variance = np.array([form.variance[group[len(group) // 2]] for group in groups])
    proven = (
        ~texture & (variance >= _PROVEN_VARIANCE) & (middle[:, 3] > _PROVEN_THIRD * middle[:, 1])
    )
    keep[:] = False
    if proven.sum() < _FEWEST_PROVEN:
        return keep
    for group, sure, power in zip(groups, proven, variance, strict=True):
        keep[group] = sure or power <= variance[proven].min()
    return keep if keep.mean() > _MOST_REJECTED else np.zeros_like(keep)
