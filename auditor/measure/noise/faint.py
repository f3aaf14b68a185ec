"""Noise no wider than the steps that code values and coding are rounded to.

There rounding no longer adds its twelfth: a flat whose level lies on a whole code value is rounded
to it and looks quieter than it was, one that lies between two flickers and looks noisier. How much
follows from the level's fraction, which a cell's mean tells. The expected power by fraction is drawn
once for each kind of coding: white noise, rounded to code values, transformed, rounded to its steps
(ISO/IEC 10918-1), taken back and rounded again. (Widrow and Kollar, Quantization Noise, 2008, give
the case of one rounding in closed form.)
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.cosine import EIGHT
from auditor.measure.noise import coding

__all__ = ["WIDEST", "faint_variance", "fractions"]

_DEVIATIONS: Final = np.array([0.34, 0.41, 0.5, 0.6, 0.72, 0.86, 1.02, 1.2])
"""Code values before rounding."""

WIDEST: Final = 0.9
"""Variance up to which it is worth while; above, rounding adds its twelfth to within a hundredth."""

_DRAWN: Final = 1_200
"""Cells drawn for each deviation."""

_FRACTIONS: Final = 8
_FEWEST: Final = 4
"""Coefficients in which noise has to be seen."""

_FEWEST_WHOLE: Final = 2
"""Of them with steps of one: with wider steps alone most cells come out plain, and where their level
lay is lost."""

_ERASED: Final = 1e6
_WIDEST_STEP: Final = 4.0
"""Noise this faint leaves nothing of coefficients with wider steps."""

_WIDEST_READ: Final = 2.0


def _fraction(cells: NDArray[np.float32]) -> NDArray[np.intp]:
    """How far the mean of each cell lies from whole code values, 0 to 4 eighths."""
    eighths = np.rint(cells.mean((1, 2)) * _FRACTIONS).astype(np.intp) % _FRACTIONS
    return np.minimum(eighths, _FRACTIONS - eighths)


@lru_cache(maxsize=32)
def _expected(table: bytes, colour: bool) -> NDArray[np.float64]:
    """Power (deviations, fractions, CELL, CELL) of cells of white noise after all rounding.

    `table` holds the (CELL, CELL) steps as 32-bit floats.
    """
    rng = np.random.default_rng(10918)
    cell, matrix = coding.CELL, EIGHT.matrix
    count = len(_DEVIATIONS) * _DRAWN
    deviation = np.repeat(_DEVIATIONS, _DRAWN).astype(np.float32)[:, None, None]
    value = deviation * rng.standard_normal((count, cell, cell), np.float32)
    value += rng.random((count, 1, 1), np.float32)
    spread = np.float32(np.sqrt(coding.input_rounding(True) - coding.input_rounding(False)))
    if colour:
        value += spread * rng.standard_normal(value.shape, np.float32)
    step = np.frombuffer(table, np.float32).reshape(cell, cell)
    coded = matrix @ np.rint(value) @ matrix.T
    coded += np.copysign(np.float32(coding.OUTWARD), coded)
    decoded = np.rint(matrix.T @ (np.rint(coded / step) * step) @ matrix)
    power = EIGHT.without_plane(decoded) ** 2
    place = np.repeat(np.arange(len(_DEVIATIONS)), _DRAWN) * 5 + _fraction(decoded)
    member = (place == np.arange(len(_DEVIATIONS) * 5)[:, None]).astype(np.float32)
    total = (member @ power.reshape(count, cell * cell)).astype(np.float64)
    mean = total / np.maximum(member.sum(1), 1)[:, None]
    return np.asarray(mean.reshape(len(_DEVIATIONS), 5, cell, cell))


@lru_cache(maxsize=128)
def _expected_sum(table: bytes, colour: bool, mask: bytes) -> NDArray[np.float64]:
    """Expected power (deviations, fractions) of the coefficients in `mask` together."""
    chosen = np.frombuffer(mask, bool).reshape(coding.CELL, coding.CELL)
    return np.asarray(_expected(table, colour)[:, :, chosen].sum(2))


def fractions(
    cells: NDArray[np.float32], picked: Sequence[tuple[NDArray[np.bool_], NDArray[np.intp]]]
) -> list[tuple[NDArray[np.bool_], NDArray[np.intp]]]:
    """For coefficients (CELL, CELL) and the blocks in which they are read, the levels of their cells.

    `cells` (4 n, CELL, CELL) are luma, four to a block; the levels (5,) count cells that lie 0 to 4
    eighths of a code value from a whole one.
    """
    fraction = _fraction(cells).reshape(-1, 4)
    return [(half, np.bincount(fraction[chosen].ravel(), minlength=5)) for half, chosen in picked]


def faint_variance(
    power: NDArray[np.float64],
    levels: Sequence[tuple[NDArray[np.bool_], NDArray[np.intp]]],
    steps: NDArray[np.float64],
    band: NDArray[np.bool_],
    colour: float,
) -> float | None:
    """Variance of white noise before all rounding, code values squared; None below 0.34 squared.

    `power` (CELL, CELL) is the mean squared coefficient, each over the cells that `levels` (see
    `fractions`) counts for it; only coefficients in `band` (CELL, CELL) are read.
    """
    kept = np.nan_to_num(steps, nan=_ERASED) <= _WIDEST_STEP
    table = np.where(kept, np.maximum(np.nan_to_num(steps), 1), _ERASED).astype(np.float32)
    read = band & (table <= _WIDEST_READ)
    if (table[band] <= 1).sum() < _FEWEST_WHOLE:
        return None
    coding_table = table.tobytes()
    found, count, total = 0.0, 0, np.zeros(len(_DEVIATIONS))
    for half, counts in levels:
        mask = half & read
        count += int(mask.sum())
        found += float(power[mask].sum() * counts.sum())
        total += _expected_sum(coding_table, colour > 0.5, mask.tobytes()) @ counts
    if count < _FEWEST or not total[0] <= found <= total[-1]:
        return None
    return float(np.interp(found, total, _DEVIATIONS**2))
