"""Sweet spot, pin-sharp and acceptable apertures of a curve.

All are judged on the weaker of centre and corner. The sweet spot is one of the apertures that the
archive holds; where the curve leaves several open, single frames decide (`sharpest_aperture`). Ends of
ranges are interpolated between thirds of a stop, given to the nearest, and never reach past the apertures used. Where the nearest third is an aperture whose own figure misses the criterion,
the next one inside is given: nobody should read f/5.6 as pin-sharp beside a figure that denies it.
"""

from __future__ import annotations

from typing import Final, cast

import numpy as np
from numpy.typing import NDArray

from auditor.exposure import F_NUMBERS
from auditor.infer.criteria import Criteria
from auditor.infer.lenses.intervals import Draws
from auditor.model import FocalRange
from auditor.record import ZONES

__all__ = ["find_ranges", "range_ends", "sharpest_aperture"]

Floats = NDArray[np.float64]

_MISSES: Final = 0.02
"""Share of the criterion by which a figure must miss it; less is lost in rounding."""
_MAY_BE_BEST: Final = 0.1
"""Share of the plausible curves in which an aperture is the best, from which it may be: what lies outside a 90%
interval may not. 0.05 and 0.2 name as many right."""


def range_ends(weaker: Floats, share: float) -> tuple[Floats, Floats]:
    """Outermost places, contiguous with the best, at which curves keep a share of their best.

    Parameters
    ----------
    weaker : ndarray of float64, shape (B, M)
        MTF50 of the weaker zone at thirds of a stop.
    share : float
        Share of the best to keep.

    Returns
    -------
    widest, smallest : ndarray of float64, shape (B,)
        Places along the thirds, on straight lines between them.
    """
    wanted = share * weaker.max(1)
    row, count = np.arange(len(weaker)), weaker.shape[1]
    ends = []
    for curves in (weaker[:, ::-1], weaker):
        misses = curves < wanted[:, None]
        misses &= np.arange(count) > curves.argmax(1)[:, None]
        last = np.where(misses.any(1), misses.argmax(1), count) - 1
        inside, outside = curves[row, last], curves[row, np.minimum(last + 1, count - 1)]
        step = np.where(outside < wanted, (inside - wanted) / np.maximum(inside - outside, 1e-9), 0)
        ends.append(last + step)
    return count - 1 - ends[0], ends[1]


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
    used = draws.used[supported]
    span = slice(used[0], used[-1] + 1)
    curve = draws.figures_at_thirds[0][zone, span]
    drawn = np.exp(draws.at_thirds.draws[:, zone, span])
    at, first = used - used[0], draws.thirds[used[0]]
    sweet = draws.used[sharpest_aperture(draws, zone, supported)] - used[0]
    low, high = np.quantile(at[drawn[:, at].argmax(1)], draws.ends, method="nearest")
    out: dict[str, object] = {
        "sweet_spot": {
            "f_number": F_NUMBERS[first + sweet], "low": F_NUMBERS[first + min(low, sweet)],
            "high": F_NUMBERS[first + max(high, sweet)],
        },
    }  # fmt: skip
    for name, share in (("pin_sharp", criteria.pin_sharp), ("acceptable", criteria.acceptable)):
        misses = curve < (1 - _MISSES) * share * curve.max()
        ends, intervals = [], []
        for (found,), places, inwards in zip(
            range_ends(curve[None], share), range_ends(drawn, share), (1, -1), strict=True
        ):
            end = round(found)
            if misses[end]:
                end += inwards
            low, high = np.rint(np.quantile(places, draws.ends)).astype(int)
            ends.append(F_NUMBERS[first + end])
            intervals.append([F_NUMBERS[first + min(low, end)], F_NUMBERS[first + max(high, end)]])
        out |= {name: ends, f"{name}_intervals": intervals}
    return cast("FocalRange", out)
