"""Raw archives: gain, read noise, and the ISO from which raising it no longer helps.

Frame-level photon transfer gives each raw frame its gain (electrons per DN) and read noise (EMVA
1288). Pooled per ISO by medians, intervals by resampling outings. Input-referred read noise falls
with ISO while noise behind the amplifier matters, r^2 = r_front^2 + (r_behind 100 / ISO)^2, and is
level from some ISO on: there, raising ISO only takes headroom away.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.exposure import nominal_iso
from auditor.infer.criteria import DRAWS
from auditor.infer.enough import FEWEST
from auditor.infer.frame_values import group_numbers
from auditor.model import Sensor, SensorIso
from auditor.record.values import flags, numbers, words
from auditor.robust import low_middle_high

__all__ = ["LEVEL", "sensor_figures"]

Floats = NDArray[np.float64]

LEVEL: Final = 1.10
"""Read noise within this factor of the lowest counts as no longer falling."""


def sensor_figures(frames: pd.DataFrame, share: float, seed: int = 0) -> dict[str, Sensor]:
    """Gain and read noise by ISO of bodies with raw frames that held a photon transfer.

    Medians per ISO step over frames; intervals by a bootstrap of `DRAWS` resamples that draws outings with
    replacement (frames where there are fewer than three).

    Parameters
    ----------
    frames : DataFrame
        Columns `gain_e_per_dn`, `read_noise_e`, `iso`, `white_dn`, `status`, `body` and, where known,
        `outing` and `best`.
    share : float
        Share of the truth that intervals are meant to hold, and of the resamples that must agree on whether read noise
        still falls.
    seed : int
        Seed of the bootstrap; each body has a stream of its own.

    Returns
    -------
    dict of Sensor
        Body -> `by_iso` (gain in electrons per DN, read noise and full scale in electrons, their intervals,
        frames); `level_from_iso`, `level_low`, `level_high`: the ISO from which read noise no longer falls,
        None, with a `level_reason`, where it still falls at the highest ISO used, that is not settled, or fewer
        than three ISO values show it, each in `FEWEST` frames; `other_bit_depth`: frames left out, as most have
        another bit depth.

    References
    ----------
    EMVA Standard 1288, photon transfer.
    """
    columns = ("gain_e_per_dn", "read_noise_e", "iso", "white_dn")
    best = flags(frames, "best", True) & (words(frames, "status") == "measured")
    table = pd.DataFrame({n: numbers(frames, n) for n in columns})
    table["body"], table["unit"] = words(frames, "body"), group_numbers(frames, "outing")
    # A frame without dark flat places tells its gain and leaves its read noise open.
    good = best & (table["gain_e_per_dn"] > 0) & ~(table["read_noise_e"] < 0) & (table["iso"] > 0)
    table = table[good & (table["body"] != "")]
    return {
        str(body): _one_body(rows, share, np.random.default_rng([seed, *str(body).encode()]))
        for body, rows in table.groupby("body")
    }


def _median(
    rows: pd.DataFrame, name: str, share: float, rng: np.random.Generator
) -> tuple[float | None, float | None, float | None, Floats]:
    """Median of a figure over frames, ends of its interval where it has several, and its resamples; outings are
    drawn with replacement, frames where there are fewer than three."""
    known = rows[rows[name].notna()]
    if not len(known):
        return None, None, None, np.full(DRAWS, np.nan)
    value, unit = known[name].to_numpy(), known["unit"].to_numpy()
    groups = [value[unit == u] for u in np.unique(unit)]
    if len(groups) < FEWEST:
        groups = list(value[:, None])
    picks = rng.integers(0, len(groups), (DRAWS, len(groups)))
    draws = np.array([np.median(np.concatenate([groups[i] for i in pick])) for pick in picks])
    low, _, high = low_middle_high(draws, share).tolist() if len(known) > 1 else (None,) * 3
    return float(np.median(value)), low, high, draws


def _one_depth(rows: pd.DataFrame) -> pd.DataFrame:
    """Frames of the commonest bit depth: a step of 12 bits holds four times the electrons of one of 14. Frames
    without a known white are taken to have it."""
    bits = np.log2(rows["white_dn"].where(rows["white_dn"] > 0)).round()
    commonest = bits.mode()
    return rows[bits.isna() | (bits == commonest.max())] if len(commonest) else rows


def _one_body(every: pd.DataFrame, share: float, rng: np.random.Generator) -> Sensor:
    rows = _one_depth(every)
    rows = rows.assign(full_scale_e=rows["gain_e_per_dn"] * rows["white_dn"])
    by_iso: list[SensorIso] = []
    dark: dict[int, Floats] = {}
    for step, group in rows.groupby(rows["iso"].map(nominal_iso)):
        read, read_low, read_high, draws = _median(group, "read_noise_e", share, rng)
        gain, gain_low, gain_high, _ = _median(group, "gain_e_per_dn", share, rng)
        assert gain is not None
        full_scale = group["full_scale_e"].median()
        by_iso.append({
            "iso": int(step), "gain_e_per_dn": gain, "read_noise_e": read,
            "full_scale_e": float(full_scale) if pd.notna(full_scale) else None,
            "frames": len(group), "gain_low": gain_low, "gain_high": gain_high,
            "read_low": read_low, "read_high": read_high,
        })  # fmt: skip
        if read is not None and group["read_noise_e"].count() >= FEWEST:
            dark[int(step)] = np.append(read, draws)
    out: Sensor = {
        "by_iso": by_iso, "level_from_iso": None, "level_low": None, "level_high": None,
        "level_reason": None, "other_bit_depth": len(every) - len(rows),
    }  # fmt: skip
    steps = np.array(list(dark))
    if len(steps) < FEWEST:
        out["level_reason"] = (
            f"needs {FEWEST} raw frames with dark flat places at each of three ISO values or more; there are "
            f"{len(steps) or 'none'}"
        )
        return out
    best, *sampled = _level_from(steps, np.stack(list(dark.values()), axis=1))
    known = np.array([s for s in sampled if np.isfinite(s)])
    agreeing, highest = len(known) / DRAWS, f"ISO {steps[-1]}, the highest used"
    if agreeing <= 1 - share:
        out["level_reason"] = f"read noise still falls at {highest}"
    elif not np.isfinite(best) or agreeing < share:
        out["level_reason"] = f"whether read noise still falls at {highest}, is not settled"
    else:
        low, _, high = low_middle_high(known, share)
        out["level_from_iso"] = int(best)
        out["level_low"], out["level_high"] = nominal_iso(float(low)), nominal_iso(float(high))
    return out


def _level_from(steps: NDArray[np.int64], read: Floats) -> Floats:
    """First step from which read noise stays within LEVEL of its lowest; nan when only the last."""
    level = read <= read.min(axis=1, keepdims=True) * LEVEL
    # From the right: all steps above must be level too.
    stays = np.flip(np.logical_and.accumulate(np.flip(level, axis=1), axis=1), axis=1)
    first = np.where(stays.any(axis=1), stays.argmax(axis=1), len(steps) - 1)
    return np.where(first < len(steps) - 1, steps[first], np.nan)
