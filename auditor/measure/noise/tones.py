"""Noise by signal level, in linear light."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.cosine import EIGHT
from auditor.measure.noise import coding, faint

__all__ = ["Original", "at_level", "original", "robust_mean"]

_CLIP: Final = 2.5


def robust_mean(variances: NDArray[np.float64]) -> float:
    """Mean of block variances, those above two and a half medians counted at that limit."""
    if not len(variances):
        return float("nan")
    limit = _CLIP * float(np.median(variances))
    return float(np.minimum(variances, limit).mean()) if limit > 0 else float(variances.mean())


def at_level(level: float, signal: NDArray[np.float64], variance: NDArray[np.float64]) -> float:
    """Variance at `level` from blocks near it: var = a x + b fitted locally (Foi et al. 2008).

    `signal` and `variance` (n,) are in linear light. Where the blocks do not hold enough range for a
    slope, a is taken as var / x, the photon law.
    """
    mean = robust_mean(variance)
    centre = float(signal.mean())
    limit = _CLIP * float(np.median(variance)) if np.median(variance) > 0 else np.inf
    clipped = np.minimum(variance, limit)
    spread = float(((signal - centre) ** 2).sum())
    slope = mean / max(centre, 1e-6)
    if spread > 0 and mean > 0:
        fitted = float(((signal - centre) * (clipped - clipped.mean())).sum()) / spread
        residual = clipped - clipped.mean() - fitted * (signal - centre)
        error = float(np.sqrt((residual**2).sum() / max(len(signal) - 2, 1) / spread))
        # A slope known worse than the photon law's own size tells nothing.
        weight = slope**2 / (slope**2 + error**2)
        slope = weight * fitted + (1 - weight) * slope
    value = mean + slope * (level - centre)
    return float(np.clip(value, 0.5 * mean, 2 * mean))


_LOW_CELL: Final = coding.CELL_CPP < 0.08
_PLATEAU_CELL: Final = (coding.CELL_CPP >= 0.08) & (coding.CELL_CPP < 0.2)
_UPPER_CELL: Final = coding.CELL_CPP >= 0.2
_HIGH_CELL: Final = (coding.CELL_CPP >= 0.28) & (coding.CELL_CPP < 0.42)
_TOP_CELL: Final = coding.CELL_CPP >= 0.42
_FINE_STEP: Final = 2.0
_FEWEST_CELLS: Final = 6
_AS_HIGH: Final = 0.7
_MAY_BE_FAINT: Final = 2.5


@dataclass(frozen=True)
class Original:
    """Noise of blocks of one level as it was before code values and coding were rounded.

    Attributes:
        variance: code values squared.
        share: that variance over the one found in the file.
        white: whether it lies level over frequency as far as it can be seen.
        proven: whether high frequencies up to the end were seen, so that it holds for textured
            blocks as well.
        upper: the variance by the frequencies from 0.2 c/px on alone.
        faint: whether it is no wider than the rounding, so that single blocks tell nothing.
    """

    variance: float
    share: float
    white: bool
    proven: bool
    upper: float | None
    faint: bool = False

    def upper_only(self) -> Original:
        """The same where noise is known to be white: what is more at low frequencies is the scene's."""
        if self.upper is None or not 0 < self.upper < self.variance:
            return self
        share = self.share * self.upper / self.variance
        return dataclasses.replace(self, variance=self.upper, share=share)


_ODD: Final = np.add.outer(np.arange(coding.CELL), np.arange(coding.CELL)) % 2 == 1
_TELLING: Final = (coding.CELL_CPP >= 0.08) & (coding.CELL_CPP < 0.27)
_PLAINER: Final = 0.5


def _of_the_plainer(
    found: NDArray[np.float32],
) -> tuple[NDArray[np.float64], list[tuple[NDArray[np.bool_], NDArray[np.intp]]]]:
    """Mean power (CELL, CELL) over the blocks with less texture, from that of their cells.

    Every other coefficient is read in the blocks in which the rest is least: the coefficients of noise
    are independent, so this does not prefer the quiet ones. With each half of the coefficients, the
    blocks in which it was read.
    """
    cell = coding.CELL
    places = found.reshape(-1, 4, cell, cell).mean(1)
    count = max(1, round(_PLAINER * len(places)))
    power = np.empty((cell, cell))
    picked = []
    for half in (_ODD, ~_ODD):
        told = places[:, ~half & _TELLING].mean(1)
        least = np.argpartition(told, count - 1)[:count]
        power[half] = places[least].mean(0)[half]
        picked.append((half, least))
    return power, picked


def original(
    values: NDArray[np.float32], steps: NDArray[np.float64], *, whole: bool, colour: float
) -> Original | None:
    """Take rounding off the noise of blocks (n, BLOCK, BLOCK) of one level.

    None where the noise is less than the rounding that hides it. `steps` are the coding's; `whole`
    says that code values are whole numbers, `colour` is the share of pixels whose channels differ.

    Where the power lies level from 0.28 c/px up to the end, it is white noise: optics leaves a scene
    a steep fall there, and a camera's own smoothing leaves noise one. What is more at low
    frequencies is then the scene's. Where coding is fine, the plainer half of the blocks is read. Where
    it erased high frequencies of noise that is level as far as it can be seen, they are taken to be as
    strong as the rest, and noise no wider than the rounding is read as `faint` does.
    """
    cells = coding.cells(values)
    found = EIGHT.without_plane(cells) ** 2
    total = found.reshape(len(found), -1).mean(1)
    limit = _CLIP * float(np.median(total))
    in_all = found[total <= max(limit, 1e-6)].mean(0).astype(np.float64)
    power = in_all
    widest = steps[[0, 1], [1, 0]].max()
    fine = bool(np.isfinite(widest) and widest <= _FINE_STEP)
    if fine:
        power, picked = _of_the_plainer(found)
    before = coding.before_rounding(power, steps)
    usable = np.isfinite(before)
    if not (usable & _PLATEAU_CELL).any():
        return None
    rounding = coding.input_rounding(colour > 0) if whole else 0.0
    as_found = in_all.copy()
    as_found[_LOW_CELL] = in_all[_PLATEAU_CELL].mean()
    in_file = float(as_found.mean())
    plateau = float(before[usable & _PLATEAU_CELL].mean())
    before[_LOW_CELL] = plateau
    upper = before[usable & _UPPER_CELL]
    level = not len(upper) or float(upper.mean()) > 0.7 * plateau
    erased = ~np.isfinite(before)
    before[erased] = plateau if fine and level else np.maximum(power[erased] - 1 / 12, 0)
    noise = float(before.mean())
    high, top = before[usable & _HIGH_CELL], before[usable & _TOP_CELL]
    proven = min(len(high), len(top)) >= _FEWEST_CELLS
    proven = proven and bool(0.85 < top.mean() / high.mean() < 1.2)
    if proven:
        noise = min(noise, float(np.concatenate([high, top]).mean()))
    noise -= rounding
    if noise <= rounding or in_file <= 0:
        return None
    seen = float(upper.mean()) if len(upper) >= _FEWEST_CELLS else None
    white = proven or (fine and seen is not None and seen > 0.9 * plateau)
    above = None if seen is None else seen - rounding
    known = False
    if fine and level and not proven and steps.any() and noise < _MAY_BE_FAINT:
        levels = faint.fractions(cells, picked)
        better, upper_better = (
            faint.faint_variance(power, levels, steps, band, colour)
            for band in (~_LOW_CELL, _UPPER_CELL)
        )
        if better is not None and better < faint.WIDEST:
            known, noise, above = True, better, upper_better
            # Its few coefficients are worth less, unless there is texture in the others.
            if above is not None and above > _AS_HIGH * better:
                above = better
    return Original(noise, noise / in_file, white, proven, above, known)
