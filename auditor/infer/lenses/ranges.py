"""Sweet spot, pin-sharp and acceptable apertures of a curve.

All are judged on the weaker of centre and corner. The sweet spot is one of the apertures that the
archive holds; where the curve leaves several open, single frames decide (`sharpest_aperture`). Ends of ranges are interpolated between them, given to the nearest third of a stop,
and never reach past them. Where the nearest third is an aperture whose own figure misses the criterion,
the next one inside is given: nobody should read f/5.6 as pin-sharp beside a figure that denies it.
"""

from __future__ import annotations

from typing import Final, cast

import numpy as np
from numpy.typing import NDArray

from auditor.exposure import STEPS_PER_DOUBLING, f_number_at, f_number_index, nominal_f_number
from auditor.infer.criteria import Criteria
from auditor.infer.lenses.intervals import Draws
from auditor.model import FocalRange
from auditor.record import ZONES

__all__ = ["find_ranges", "range_ends", "sharpest_aperture"]

Floats = NDArray[np.float64]

_STEPS_PER_STOP: Final = 24
"""Steps of the grid on which the ends of a range are sought: a twenty-fourth of a stop."""
_ONE_THIRD: Final = 2 ** (1 / STEPS_PER_DOUBLING["f_number"])
"""Ratio of f-numbers a third of a stop apart."""
_MISSES: Final = 0.02
"""Share of the criterion by which a figure must miss it; less is lost in rounding."""
_MAY_BE_BEST: Final = 0.1
"""Share of the plausible curves in which an aperture is the best, from which it may be: what lies outside a 90%
interval may not. 0.05 and 0.2 name as many right."""


def dense_grid(f_numbers: Floats) -> Floats:
    """Apertures between the outermost, even in stops, with those used among them.

    Parameters
    ----------
    f_numbers : ndarray of float64, shape (K,)
        Apertures used, ascending.

    Returns
    -------
    ndarray of float64
        Ascending, `_STEPS_PER_STOP` a stop.
    """
    low, high = np.log2(f_numbers[0]), np.log2(f_numbers[-1])
    count = max(round((high - low) * 2 * _STEPS_PER_STOP) + 1, 2)
    return np.unique(np.concatenate([2 ** np.linspace(low, high, count), f_numbers]))


def range_ends(weaker: Floats, grid: Floats, share: float) -> tuple[Floats, Floats]:
    """Outermost apertures, contiguous with the best, that keep a share of the best.

    Parameters
    ----------
    weaker : ndarray of float64, shape (B, M)
        MTF50 of the weaker zone.
    grid : ndarray of float64, shape (M,)
        F-numbers, ascending.
    share : float
        Share of the best to keep.

    Returns
    -------
    widest, smallest : ndarray of float64, shape (B,)
        F-numbers of the grid.
    """
    weaker = np.atleast_2d(weaker)
    best = weaker.argmax(1)
    keeps = weaker >= share * weaker.max(1, keepdims=True)
    position = np.arange(weaker.shape[1])
    fails_wider = np.where(~keeps & (position[None] < best[:, None]), position[None], -1).max(1)
    fails_smaller = np.where(
        ~keeps & (position[None] > best[:, None]), position[None], weaker.shape[1]
    ).min(1)
    return grid[fails_wider + 1], grid[fails_smaller - 1]


def sharpest_aperture(draws: Draws, zone: int, supported: NDArray[np.bool_]) -> int:
    """The aperture in use at which the weaker of centre and corner is sharpest.

    Where plausible curves leave several open, that at which the curve and the sharpest of its frames, in the weaker
    zone of the two and less its error, say most together: a curve joins a sharp centre of one frame and a sharp corner of
    another, which a curved field or a soft corner may never show in one.

    Parameters
    ----------
    draws : Draws
        Plausible curves about a fit.
    zone : int
        The weaker zone, on which it is judged.
    supported : ndarray of bool, shape (K,)
        Apertures at which that zone has evidence, one at least.

    Returns
    -------
    int
        Index into the apertures used.
    """
    data = draws.fit.data
    curves = np.where(supported, draws.curve[:, zone], -np.inf)
    share_best = np.bincount(curves.argmax(1), minlength=len(supported)) / len(curves)
    value = np.where(supported, np.log(draws.figures[0][zone]), -np.inf)
    error = np.hypot(data.stderr, np.nan_to_num(data.object_error))
    weaker = (data.log_mtf50 - error)[:, [ZONES.index("centre"), zone]].min(1)
    shown = np.full(len(supported), -np.inf)
    known = ~np.isnan(weaker)
    np.maximum.at(shown, data.aperture[known], weaker[known])
    together = np.where(share_best >= _MAY_BE_BEST, value + shown, -np.inf)
    return int((together if np.isfinite(together).any() else value).argmax())


def find_ranges(
    draws: Draws, zone: int, supported: NDArray[np.bool_], criteria: Criteria
) -> FocalRange:
    """Sweet spot, pin-sharp and acceptable range of a curve, with an interval of each from its draws.

    Parameters
    ----------
    draws : Draws
        Plausible curves about a fit.
    zone : int
        The weaker zone, on which all are judged.
    supported : ndarray of bool, shape (K,)
        Apertures at which that zone has evidence; ranges never reach past them.
    criteria : Criteria
        Shares of the best MTF50 to keep.

    Returns
    -------
    FocalRange
        `sweet_spot`, `pin_sharp`, `acceptable` and the intervals of these two, in nominal thirds of a stop.
    """
    used = draws.fit.data.f_numbers[supported]
    grid = dense_grid(used)
    at = np.searchsorted(grid, used)
    curves = draws.at(grid)
    curve, drawn = np.exp(curves.value[zone]), np.exp(curves.draws[:, zone])
    sweet = draws.fit.data.f_numbers[sharpest_aperture(draws, zone, supported)]
    low, high = np.quantile(used[drawn[:, at].argmax(1)], draws.ends, method="nearest")
    out: dict[str, object] = {
        "sweet_spot": {
            "f_number": _third(sweet), "low": _third(min(low, sweet)), "high": _third(max(high, sweet)),
        },
    }  # fmt: skip
    for name, share in (("pin_sharp", criteria.pin_sharp), ("acceptable", criteria.acceptable)):
        failing = used[curve[at] < (1 - _MISSES) * share * curve.max()]
        failing_thirds = {_third(f) for f in failing}
        ends, intervals = [], []
        for found, values, inside in zip(
            range_ends(curve, grid, share), range_ends(drawn, grid, share),
            (_ONE_THIRD, 1 / _ONE_THIRD), strict=True,
        ):  # fmt: skip
            end = _third(found[0])
            if end in failing_thirds:
                end = _third(float(f_number_at(f_number_index(end))) * inside)
            low, high = np.quantile(values, draws.ends)
            ends.append(end)
            intervals.append([min(_third(low), end), max(_third(high), end)])
        out |= {name: ends, f"{name}_intervals": intervals}
    return cast("FocalRange", out)


def _third(f_number: float) -> float:
    return float(nominal_f_number(float(f_number)))
