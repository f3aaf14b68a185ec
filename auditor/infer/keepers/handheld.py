"""The photographer's own handheld limit: the shutter time at which shake sets in, per lens.

Shake is told by blur in one direction. Its chance grows with the exposure time measured against
1 / focal length (in full-frame terms), the rule of thumb; a logistic curve over that, fitted with
a weak prior, gives the time at which one frame in ten is shaken. Frames far slower than anybody
holds a camera stood on something and are left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.sparse import coo_array
from scipy.special import expit

from auditor.infer.criteria import Criteria

__all__ = ["handheld_limits"]

Floats = NDArray[np.float64]

SLOWEST_STOPS: Final = 4.0
"""Slower than this against 1 / focal length a frame counts as taken from a support."""
FINE_STOPS: Final = 0.02
"""Shutter times this near count as one."""
SHAKEN: Final = 0.10
FEWEST: Final = 20
FEWEST_SHAKEN: Final = 4
DRAWS: Final = 60


def handheld_limits(
    frames: pd.DataFrame, verdicts: pd.DataFrame, lenses: Sequence[Any], criteria: Criteria
) -> list[dict[str, Any]]:
    """Per lens with enough frames: `limit_stops` against 1 / focal length at which one frame in ten
    is shaken (negative: faster is needed), `low`, `high`, `factor` (2 ** limit_stops: 2 means twice
    the rule's time), counts, and `text`. `limit_stops` is None, with the reason in `text`, when the
    frames do not settle it. Intervals by resampling outings.
    """
    frames = frames.reset_index(drop=True)
    outing = frames["outing"].to_numpy() if "outing" in frames else np.arange(len(frames))
    stops = verdicts["stops"].to_numpy()
    several = (verdicts["directions"] > 1).to_numpy()
    shaken = (verdicts["cause"] == "shake").to_numpy()
    out = []
    for i, lens in enumerate(lenses):
        mine = (verdicts["lens_entry"].to_numpy() == i) & several
        with np.errstate(invalid="ignore"):
            rows = np.flatnonzero(mine & (stops <= SLOWEST_STOPS))
        if len(rows) < FEWEST:
            continue
        out.append(_one_lens(lens, stops[rows], shaken[rows], outing[rows], criteria))
    return out


def _one_lens(
    lens: Any, stops: Floats, shaken: NDArray[np.bool_], outing: NDArray[Any], criteria: Criteria
) -> dict[str, Any]:
    entry: dict[str, Any] = {
        "lens": lens["lens"], "body": lens["body"], "converter": lens.get("converter"),
        "frames": len(stops), "shaken": int(shaken.sum()),
        "limit_stops": None, "low": None, "high": None, "factor": None,
    }  # fmt: skip
    reach = float(np.quantile(stops, 0.98))
    if shaken.sum() < FEWEST_SHAKEN:
        held = f"no limit found down to {_against_rule(reach)}"
        return entry | {"text": f"{int(shaken.sum())} of {len(stops)} frames shaken; {held}"}
    # Frames of one outing at one shutter time count together: a fit takes no longer for a million.
    step, place = np.unique(np.round(stops / FINE_STOPS).astype(np.int64), return_inverse=True)
    outings, of = np.unique(outing, return_inverse=True)
    shape = (len(outings), len(step))
    count = coo_array((np.ones(len(stops)), (of, place)), shape=shape).tocsr()
    blurred = coo_array((shaken.astype(float), (of, place)), shape=shape).tocsr()
    at = np.bincount(place, stops) / np.bincount(place)
    ones = np.ones(len(outings))
    limit = _limit(at, ones @ count, ones @ blurred)
    rng = np.random.default_rng(criteria.seed)
    draws = []
    for _ in range(DRAWS):
        weight = np.bincount(rng.integers(0, len(outings), len(outings)), minlength=len(outings))
        draws.append(_limit(at, weight @ count, weight @ blurred))
    half = criteria.interval / 2
    low, high = (float(np.quantile(draws, q)) for q in (0.5 - half, 0.5 + half))
    if not np.isfinite(limit) or high - low > 6:
        return entry | {"text": "shake does not go with shutter time here, so no limit is given"}
    limit = float(np.clip(limit, stops.min(), reach))
    low, high = min(low, limit), max(high, limit)
    return entry | {
        "limit_stops": round(limit, 2), "low": round(low, 2), "high": round(high, 2),
        "factor": round(2.0**limit, 3),
        "text": f"one frame in ten is shaken at {_against_rule(limit)}",
    }  # fmt: skip


def _against_rule(stops: float) -> str:
    if abs(stops) < 0.25:
        return "1 / focal length in full-frame terms, as the rule of thumb has it"
    side = "slower" if stops > 0 else "faster"
    return f"{abs(stops):.1f} stops {side} than 1 / focal length in full-frame terms"


def _limit(stops: Floats, count: Floats, shaken: Floats) -> float:
    """Stops at which the fitted chance of shake reaches `SHAKEN`; NaN when it does not grow.

    Of `count` frames at each of `stops`, `shaken` are shaken.
    """
    still = count - shaken

    def cost(p: Floats) -> float:
        chance = np.clip(expit(p[0] + np.exp(p[1]) * stops), 1e-9, 1 - 1e-9)
        likelihood = -np.sum(shaken * np.log(chance) + still * np.log1p(-chance))
        # Weak prior: slope about 1.2 per stop within a factor of three.
        return float(likelihood + 0.5 * ((p[1] - 0.2) / 1.1) ** 2)

    best = minimize(cost, np.array([-2.0, 0.2]), method="Nelder-Mead").x
    slope = float(np.exp(best[1]))
    if slope < 0.15:
        return float("nan")
    return float((np.log(SHAKEN / (1 - SHAKEN)) - best[0]) / slope)
