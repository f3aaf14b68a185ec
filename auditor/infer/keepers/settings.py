"""Settings that produced soft or noisy frames more often than the lens usually does.

Testing many settings at once finds some by chance; the false discovery rate over all that were
tested is held at 10% (Benjamini & Hochberg, J. R. Stat. Soc. B 57, 1995). Bursts count once. Frames of
one outing share fog, wind and haste, and mostly their settings: they count for as many independent ones as
their correlation leaves (Rao & Scott, "A simple method for the analysis of clustered binary data", Biometrics
48, 1992).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any, Final, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaln

from auditor.infer.criteria import Criteria
from auditor.infer.enough import FEW, FEWEST_OUTINGS, LEAST_SHARE
from auditor.infer.frame_values import aperture_index, group_numbers, nominal_from_index
from auditor.model import Setting
from auditor.record.values import numbers
from auditor.robust import share_interval

__all__ = ["settings_to_avoid"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
_Fault = Literal["soft", "noisy"]

FALSE_DISCOVERY_RATE: Final = 0.10
"""Share of the settings named that may be named by chance (false discovery rate: Benjamini and Hochberg, J. R.
Stat. Soc. B 57, 1995)."""


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
    (exact) test on as many frames as are independent."""
    n = int(mask.sum())
    share, usual = float(hits[mask].mean()), float(hits[~mask].mean())
    correlation = _intraclass_correlation(hits - np.where(mask, share, usual), 2 * outing + mask)
    with_it = n / _design_effect(correlation, outing[mask])
    without = (len(hits) - n) / _design_effect(correlation, outing[~mask])
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
                for index in np.unique(aperture[(where == j) & (aperture >= 0)]):
                    f = nominal_from_index(int(index))
                    both = (where == j) & (aperture == index)
                    yield f"f/{f:g} at {at}", "aperture and focal length", both
