"""Settings that produced soft or noisy frames more often than the lens usually does.

Testing many settings at once finds some by chance; the false discovery rate over all that were
tested is held at 10% (Benjamini & Hochberg, J. R. Stat. Soc. B 57, 1995). Bursts count once. Frames of
one outing share fog, wind and haste, and mostly their settings: they count for as many independent ones as
their correlation leaves (Rao & Scott, "A simple method for the analysis of clustered binary data", Biometrics
48, 1992).

And the photographer's own handheld limit: the shutter time at which shake sets in, per lens.
Shake shows as blur in one direction. Its chance grows with the exposure time measured against
1 / focal length (in full-frame terms), the rule of thumb; a logistic curve over that, fitted with
a weak prior, gives the time at which one frame in ten is shaken. Frames far slower than anybody
holds a camera stood on something and are left out, and so are exports: reduced, a frame that moved
looks as others do (of 17 photographs behind known optics that moved by 3 pixels 16 are named, of the same ones at
half their size none).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any, Final, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaln

from auditor.exposure import ABOUT_THE_RULE, slower_text
from auditor.infer.criteria import DRAWS, Criteria
from auditor.infer.enough import FEW, FEWEST_OUTINGS, LEAST_SHARE
from auditor.infer.frame_values import aperture_index, group_numbers, nominal_from_index
from auditor.infer.keepers.evidence import FAST_STOPS, SUPPORTED_STOPS
from auditor.model import Handheld, Setting
from auditor.record.pools import EXPORTS
from auditor.record.values import numbers, words
from auditor.robust import low_middle_high, share_interval

__all__ = ["handheld_limits", "settings_to_avoid"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
_Fault = Literal["soft", "noisy"]

FALSE_DISCOVERY_RATE: Final = 0.10
"""Share of the settings named that may be named by chance (false discovery rate: Benjamini and Hochberg, J. R.
Stat. Soc. B 57, 1995)."""
FINE_STOPS: Final = 0.1
"""Shutter times this near count as one, and limits are tried this far apart."""
SHAKEN: Final = 0.10
"""Share of shaken frames that sets the limit: one in ten (a choice; the text says it). Where fewer than ten
frames are as quick as the limit, not one is expected to be shaken there, and no limit is given."""
FEWEST_HELD: Final = round(2 / SHAKEN)
"""Frames of a lens below which nothing is fitted: fewer hold two shaken ones at the limit."""
FEWEST_SHAKEN: Final = 4
"""Shaken frames below which no limit was reached: two parameters are fitted to them."""
SLOWEST_SHARE: Final = 0.98
"""Share of the frames up to whose shutter times a limit may lie: the slowest few may be on a support."""
SLOPE_PRIOR: Final = (0.2, 1.1)
"""Mean and standard deviation of the ln of the slope (log-odds of shake per stop): about 1.2 within a factor
of three; weak, so that ten shaken frames outweigh it."""
SLOPES: Final = np.geomspace(0.15, 12.0, 18)
"""Slopes that are tried. The first stands for shake that does not grow with shutter time: nine stops would be needed
from one frame in five to one in two."""


def settings_to_avoid(
    frames: pd.DataFrame, verdicts: pd.DataFrame, lenses: Sequence[Any], criteria: Criteria
) -> list[Setting]:
    """Settings that produced soft or noisy frames more often than the lens usually does.

    Fisher's exact test (hypergeometric, one-sided) of each setting against the lens's other frames, bursts
    counted once and frames of an outing as so many independent ones as their correlation leaves
    (`_design_effect`); a setting of fewer than `FEWEST_OUTINGS` outings is not tested. The false discovery rate over
    all tests is held at `FALSE_DISCOVERY_RATE` (Benjamini and Hochberg). Softness that the aperture itself brings
    is no shutter time's: small apertures go with slow ones.

    Parameters
    ----------
    frames : DataFrame
        Frame table with `f_number`, `iso` and, where known, `burst` and `outing`.
    verdicts : DataFrame
        From `judge_frames`.
    lenses : sequence of mapping
        The profile's `lenses`.
    criteria : Criteria
        Interval.

    Returns
    -------
    list of Setting
        The largest excess first: `lens`, `setting`, `frames`, `soft_share`, `noisy_share`, `usual_share` (of
        the lens's other frames), `low` and `high` of the share that stands out, `fault` ("soft" or "noisy"),
        `p`, and `looked_at`, how many tests were made. Nothing that holds for all frames is listed.

    References
    ----------
    Y. Benjamini and Y. Hochberg, J. R. Stat. Soc. B 57 (1995).
    J. N. K. Rao and A. J. Scott, Biometrics 48 (1992).
    """
    frames = frames.reset_index(drop=True)
    again = pd.Series(group_numbers(frames, "burst")).duplicated().to_numpy()
    once = ~again & verdicts["judged"].to_numpy()
    entry_of = verdicts["lens_entry"].to_numpy()
    outing = group_numbers(frames, "outing")
    # Choosing rows copies all columns there are.
    frames = frames[[c for c in ("f_number", "iso") if c in frames]]
    verdicts = verdicts[["soft", "setting", "noisy", "rule_stops", "focal_range"]]
    found: list[Setting] = []
    for i, lens in enumerate(lenses):
        rows = np.flatnonzero(once & (entry_of == i))
        if len(rows) < 2 * FEW:
            continue
        part, verdict = frames.iloc[rows], verdicts.iloc[rows]
        own_outing = np.unique(outing[rows], return_inverse=True)[1]
        soft, setting, noisy = (
            verdict[c].to_numpy(dtype=bool) for c in ("soft", "setting", "noisy")
        )
        for text, kind, mask in _settings(part, verdict, lens):
            count = int(mask.sum())
            if count < FEW or count == len(rows):
                continue
            if np.count_nonzero(np.bincount(own_outing[mask])) < FEWEST_OUTINGS:
                continue
            faults: dict[_Fault, Bools] = {
                "soft": soft & ~setting if kind == "shutter" else soft, "noisy": noisy,
            }  # fmt: skip
            shares = [round(float(f[mask].mean()), 4) for f in faults.values()]
            for fault, hits in faults.items():
                if (kind, fault) in (("iso", "soft"), ("aperture", "noisy")):
                    continue
                share, usual = float(hits[mask].mean()), float(hits[~mask].mean())
                low, high, p = _compare(hits, mask, own_outing, criteria.interval)
                found.append({
                    "lens": lens["lens"], "body": lens["body"], "converter": lens["converter"],
                    "lens_serial": lens.get("lens_serial"), "setting": text, "kind": kind,
                    "soft_share": shares[0], "noisy_share": shares[1], "fault": fault, "frames": count,
                    "usual_share": round(usual, 4), "low": round(low, 4), "high": round(high, 4), "p": p,
                    "excess": share - usual,
                })  # fmt: skip
    chosen = [e for e in _discoveries(found) if e["excess"] >= LEAST_SHARE]
    for entry in chosen:
        entry["looked_at"] = len(found)
        entry["excess"] = round(entry["excess"], 4)
    return sorted(chosen, key=lambda e: -e["excess"])


def _compare(
    hits: Bools, mask: Bools, outing: NDArray[np.intp], interval: float
) -> tuple[float, float, float]:
    """Interval of the share with the setting, and the p-value against the share without, by the hypergeometric
    (exact) test on as many frames as are independent: faults are rare, and a normal law takes one faulty frame of
    six, where four hundred others have none, for a chance of one in thirty thousand instead of one in seventy."""
    share, usual = float(hits[mask].mean()), float(hits[~mask].mean())
    correlation = _intraclass_correlation(hits - np.where(mask, share, usual), 2 * outing + mask)
    with_it, without = (of.sum() / _design_effect(correlation, outing[of]) for of in (mask, ~mask))
    # In whole frames, so that what is rounded makes no share stand out.
    inside, outside = math.floor(share * with_it), math.ceil(usual * without)
    of = round(with_it + without)
    p = _hypergeometric_tail(inside, min(inside + outside, of), max(round(with_it), 1), of)
    return *share_interval(share * with_it, with_it, interval), p


def _intraclass_correlation(residual: Floats, group: NDArray[np.intp]) -> float:
    """Correlation (0 to 1) of two frames of one group, the ANOVA estimate: mean product of all pairs over the
    mean square."""
    total, size = np.bincount(group, residual), np.bincount(group)
    pairs = float((size**2 - size).sum()) * float((residual**2).mean())
    if pairs <= 0:
        return 0.0
    return min(max(float((total**2).sum() - (residual**2).sum()) / pairs, 0.0), 1.0)


def _design_effect(correlation: float, outing: NDArray[np.intp]) -> float:
    """Frames that count as one independent frame, where those of an outing correlate so (Kish, Survey
    Sampling, 1965, ch. 5.4; from memory)."""
    size = np.bincount(outing)
    return 1 + (float((size**2).sum()) / float(size.sum()) - 1) * correlation


def _hypergeometric_tail(inside: int, hits: int, drawn: int, of: int) -> float:
    """Upper tail of the hypergeometric distribution: chance that `drawn` of `of` frames, `hits` of them faulty,
    hold `inside` faulty ones or more. (scipy.stats has it too, and takes as long to load as the whole of this
    package.)
    """
    k = np.arange(max(inside, hits + drawn - of), min(hits, drawn) + 1)
    log_p = _log_choose(hits, k) + _log_choose(of - hits, drawn - k) - _log_choose(of, drawn)
    return float(min(np.exp(log_p).sum(), 1.0))


def _log_choose(n: int, k: ArrayLike) -> Floats:
    """Log of the binomial coefficient n over k, for k from 0 to n."""
    k = np.asarray(k, float)
    return np.asarray(-np.log1p(n) - betaln(n - k + 1, k + 1))


def _discoveries(found: list[Setting]) -> list[Setting]:
    order = sorted(found, key=lambda e: e["p"])
    limit = FALSE_DISCOVERY_RATE / max(len(order), 1)
    passed = (k for k, entry in enumerate(order, start=1) if entry["p"] <= limit * k)
    return order[: max(passed, default=0)]


def _settings(
    part: pd.DataFrame, verdict: pd.DataFrame, lens: Any
) -> Iterator[tuple[str, str, Bools]]:
    """What a photographer chooses: aperture, shutter against focal length, ISO, focal range."""
    aperture = aperture_index(numbers(part, "f_number"))
    for index in np.unique(aperture[aperture >= 0]):
        f = nominal_from_index(int(index))
        yield f"f/{f:g}", "aperture", aperture == index
    stops = verdict["rule_stops"].to_numpy()
    for low, high, text in (
        (-1.0, 0.0, "up to twice as fast"),
        (0.0, 1.0, "up to twice as slow"),
        (1.0, 3.0, "two to eight times as slow"),
        (3.0, np.inf, "more than eight times as slow"),
    ):
        text = f"shutter {text} as 1 / focal length in full-frame terms"
        yield text, "shutter", (stops >= low) & (stops < high)
    iso = numbers(part, "iso")
    with np.errstate(divide="ignore", invalid="ignore"):
        step = np.round(np.log2(iso / 100))
    for k in np.unique(step[np.isfinite(step)]):
        low, high = iso[step == k].min(), iso[step == k].max()
        yield f"ISO {low:.0f}" + f" to {high:.0f}" * bool(high > low), "iso", step == k
    if len(lens["focal_ranges"]) > 1:
        where = verdict["focal_range"].to_numpy()
        for j, entry in enumerate(lens["focal_ranges"]):
            if entry["focal_mm"]:
                low, high = entry["focal_mm"]
                at = f"{low:.0f} mm" if round(low) == round(high) else f"{low:.0f} to {high:.0f} mm"
                yield at, "focal length", where == j


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
        For lenses with at least `FEWEST_HELD` frames held by hand: `limit_stops` (negative: faster is needed),
        `low`, `high`, `factor` (2 ** limit_stops: 2 means twice the rule's time), counts, and `text`.
        `limit_stops` is None, with the reason in `text`, when the frames do not settle it.

    References
    ----------
    P. McCullagh and J. A. Nelder, Generalized Linear Models, 2nd ed. 1989, ch. 4 (logistic regression).
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
        if len(rows) < FEWEST_HELD:
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
        "limit_stops": None, "low": None, "high": None, "factor": None,
    }  # fmt: skip
    slowest = float(np.quantile(stops, SLOWEST_SHARE))
    often = f"{int(shaken.sum())} of {len(stops)} frames shaken"
    none_found = f"{often}; no limit found down to {_against_rule(slowest)}"
    if shaken.sum() < FEWEST_SHAKEN:
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

    Of `count` (D, n) frames at each of `stops` (n,), `shaken` (D, n) are shaken. Greatest penalised likelihood of a
    logistic curve, among limits and slopes tried.
    """
    held = SUPPORTED_STOPS - FAST_STOPS
    limits = np.arange(stops.min() - held, stops.max() + held, FINE_STOPS)
    log_odds = SLOPES[:, None, None] * (stops - limits[:, None]) + math.log(SHAKEN / (1 - SHAKEN))
    # With log-odds z, log p is z - log(1 + e^z), and log(1 - p) is -log(1 + e^z).
    likelihood = np.tensordot(shaken, log_odds, (1, 2))
    likelihood -= np.tensordot(count, np.logaddexp(0, log_odds), (1, 2))
    mean, sd = SLOPE_PRIOR
    likelihood -= 0.5 * ((np.log(SLOPES[:, None]) - mean) / sd) ** 2
    slope, limit = np.divmod(likelihood.reshape(len(count), -1).argmax(1), len(limits))
    return np.where(slope == 0, np.nan, limits[limit])
