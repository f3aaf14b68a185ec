"""The photographer's own handheld limit: the shutter time at which shake sets in, per lens.

Shake shows as blur in one direction. Its chance grows with the exposure time measured against
1 / focal length (in full-frame terms), the rule of thumb; a logistic curve over that, fitted with
a weak prior, gives the time at which one frame in ten is shaken. Frames far slower than anybody
holds a camera stood on something and are left out, and so are exports: reduced, a frame that moved
looks as others do (of 17 photographs behind known optics that moved by 3 pixels 16 are named, of the same ones at
half their size none).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from auditor.exposure import ABOUT_THE_RULE, slower_text
from auditor.infer.criteria import DRAWS, Criteria
from auditor.infer.frame_values import group_numbers
from auditor.infer.keepers.evidence import FAST_STOPS, SUPPORTED_STOPS
from auditor.model import Handheld
from auditor.record.pools import EXPORTS
from auditor.record.values import words
from auditor.robust import low_middle_high

__all__ = ["handheld_limits"]

Floats = NDArray[np.float64]

FINE_STOPS: Final = 0.02
"""Shutter times this near count as one."""
SHAKEN: Final = 0.10
"""Share of shaken frames that sets the limit: one in ten (a choice; the text says it). Where fewer than ten
frames are as quick as the limit, not one is expected to be shaken there, and no limit is given."""
FEWEST: Final = round(2 / SHAKEN)
"""Frames of a lens below which nothing is fitted: fewer hold two shaken ones at the limit."""
FEWEST_SHAKEN: Final = 4
"""Shaken frames below which no limit was reached: two parameters are fitted to them."""
SLOWEST_SHARE: Final = 0.98
"""Share of the frames up to whose shutter times a limit may lie: the slowest few may be on a support."""
STEADY_FRAMES: Final = math.ceil(math.log(0.1) / math.log(1 - SHAKEN))
"""Frames none of which is shaken that leave a share of one in ten a chance of less than 10% (0.9^22)."""
SLOPE_PRIOR: Final = (0.2, 1.1)
"""Mean and standard deviation of the ln of the slope (log-odds of shake per stop): about 1.2 within a factor
of three; weak, so that ten shaken frames outweigh it."""
ROUNDS: Final = 40
"""Steps of a fit, of half a unit (log-odds, ln slope) at most: more than any needs."""
LEAST_SLOPE: Final = 0.15
"""Log-odds per stop below which shake does not grow with shutter time: nine stops would be needed from one
frame in five to one in two."""


def handheld_limits(
    frames: pd.DataFrame, verdicts: pd.DataFrame, lenses: Sequence[Any], criteria: Criteria
) -> list[Handheld]:
    """The shutter time at which one frame in ten is shaken, per lens.

    Logistic regression of shake (verdict 'shake') on stops against 1 / focal length, with a weak prior on the
    slope; intervals by a bootstrap of outings.

    Parameters
    ----------
    frames : DataFrame
        Frame table; `outing` and `source` where known.
    verdicts : DataFrame
        From `judge_frames`: `judged`, `rule_stops`, `directions`, `cause`, `lens_entry`.
    lenses : sequence of mapping
        The profile's `lenses`.
    criteria : Criteria
        Interval and seed.

    Returns
    -------
    list of Handheld
        For lenses with at least `FEWEST` frames held by hand: `limit_stops` (negative: faster is needed),
        `low`, `high`, `factor` (2 ** limit_stops: 2 means twice the rule's time), counts, and `text`.
        `limit_stops` is None, with the reason in `text`, when the frames do not settle it.

    References
    ----------
    P. McCullagh and J. A. Nelder, Generalized Linear Models, 2nd ed. 1989, ch. 2.5.
    """
    frames = frames.reset_index(drop=True)
    outing = group_numbers(frames, "outing")
    stops = verdicts["rule_stops"].to_numpy()
    # A frame that nobody judged was not held steadily for that.
    told = (verdicts["judged"] & (verdicts["directions"] > 1)).to_numpy()
    told = told & (words(frames, "source") != EXPORTS)
    shaken = (verdicts["cause"] == "shake").to_numpy()
    entry_of = verdicts["lens_entry"].to_numpy()
    out = []
    for i, lens in enumerate(lenses):
        own = (entry_of == i) & told
        rows = np.flatnonzero(own & (stops <= SUPPORTED_STOPS))
        if len(rows) < FEWEST:
            continue
        out.append(_one_lens(lens, stops[rows], shaken[rows], outing[rows], criteria))
    return out


def _one_lens(
    lens: Any, stops: Floats, shaken: NDArray[np.bool_], outing: NDArray[Any], criteria: Criteria
) -> Handheld:
    entry: Handheld = {
        "lens": lens["lens"], "body": lens["body"], "converter": lens.get("converter"),
        "lens_serial": lens.get("lens_serial"),
        "frames": len(stops), "shaken": int(shaken.sum()),
        "limit_stops": None, "low": None, "high": None, "factor": None, "steady_to_stops": None,
    }  # fmt: skip
    slowest = float(np.quantile(stops, SLOWEST_SHARE))
    often = f"{int(shaken.sum())} of {len(stops)} frames shaken"
    none_found = f"{often}; no limit found down to {_against_rule(slowest)}"
    if shaken.sum() < FEWEST_SHAKEN:
        last = np.argsort(stops, kind="stable")[-STEADY_FRAMES:]
        if len(last) == STEADY_FRAMES and not shaken[last].any():
            entry["steady_to_stops"] = round(float(stops[last[0]]), 2)
        return entry | {"text": none_found}
    # Frames of one outing at one shutter time count together: a fit takes no longer for a million.
    step, place = np.unique(np.round(stops / FINE_STOPS).astype(np.int64), return_inverse=True)
    outings, of = np.unique(outing, return_inverse=True)
    shape = (len(outings), len(step))
    cell = of * len(step) + place
    count, blurred = (
        np.asarray(np.bincount(cell, weight, shape[0] * shape[1]), float).reshape(shape)
        for weight in (np.ones(len(stops)), shaken)
    )
    at = np.bincount(place, stops) / np.bincount(place)
    rng = np.random.default_rng(criteria.seed)
    picks = rng.integers(0, len(outings), (DRAWS, len(outings)))
    weights = np.stack([np.bincount(pick, minlength=len(outings)) for pick in picks])
    weights = np.vstack([np.ones(len(outings)), weights])
    limit, *draws = _limits(at, weights @ count, weights @ blurred).tolist()
    low, _, high = low_middle_high(draws, criteria.interval).tolist()
    # No interval, or one wider than all the shutter times that are held by hand.
    if not np.isfinite([limit, low, high]).all() or high - low > SUPPORTED_STOPS - FAST_STOPS:
        return entry | {"text": "shake does not go with shutter time here, so no limit is given"}
    tenth_fastest = float(np.sort(stops)[round(1 / SHAKEN) - 1])
    if limit < tenth_fastest:
        return entry | {
            "text": f"{often}; its limit lies among the ten fastest, too few to tell it"
        }
    # Of shutter times that nobody used the curve alone would speak.
    if limit > slowest:
        return entry | {"text": none_found}
    low, high = min(low, limit), max(high, limit)
    return entry | {
        "limit_stops": round(limit, 2), "low": round(low, 2), "high": round(high, 2),
        "factor": round(2.0**limit, 3),
        "text": f"one frame in ten is shaken at {_against_rule(round(limit, 2))}",
    }  # fmt: skip


def _against_rule(stops: float) -> str:
    if abs(stops) < ABOUT_THE_RULE:
        return "1 / focal length in full-frame terms, as the rule of thumb has it"
    return f"{slower_text(stops)} than 1 / focal length in full-frame terms"


def _limits(stops: Floats, count: Floats, shaken: Floats) -> Floats:
    """Stops at which the fitted chance of shake reaches `SHAKEN`, for each of several sets (D,); NaN when it
    does not grow.

    Of `count` (D, n) frames at each of `stops` (n,), `shaken` (D, n) are shaken. Greatest penalised likelihood by
    Fisher's scoring (McCullagh & Nelder, Generalized Linear Models, 2nd ed. 1989, ch. 2.5).
    """
    mean, sd = SLOPE_PRIOR
    prior = np.array([0.0, 1 / sd**2])
    wanted = math.log(SHAKEN / (1 - SHAKEN))
    parameters = np.tile([wanted, mean], (len(count), 1))
    powers = np.stack([np.ones_like(stops), stops, stops**2], axis=1)
    for _ in range(ROUNDS):
        at, slope = parameters[:, :1], np.exp(parameters[:, 1])
        probability = expit(at + slope[:, None] * stops)
        # Log-odds go with the first parameter as 1, with the second as slope times stops.
        residual = (shaken - count * probability) @ powers[:, :2]
        gradient = np.stack([residual[:, 0], slope * residual[:, 1]], axis=1) - prior * (
            parameters - mean
        )
        total, first, second = (count * probability * (1 - probability) @ powers).T
        information = np.empty((len(count), 2, 2))
        information[:, 0, 0], information[:, 1, 1] = total, slope**2 * second
        information[:, 0, 1] = information[:, 1, 0] = slope * first
        information += np.diag(prior + 1e-6)
        step = np.linalg.solve(information, gradient[..., None])[..., 0]
        # Half steps: of few shaken frames whole ones may swing about the best.
        parameters += 0.5 * np.clip(step, -1, 1)
    at, ln_slope = parameters.T
    limit = (wanted - at) / np.exp(ln_slope)
    return np.where(np.exp(ln_slope) < LEAST_SLOPE, np.nan, limit)
