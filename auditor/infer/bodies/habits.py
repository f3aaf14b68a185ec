"""Exposure habits that cost noise, as shares of the frames that could be judged."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from auditor.infer.bodies.bands import SHARE_COLUMNS, band_of
from auditor.infer.bodies.observe import KINDS, sensor_rows
from auditor.record import SIGNAL_BIN_EDGES

__all__ = ["LIFT_STOPS", "SPARE_STOPS", "find_habits", "lifts"]

Floats = NDArray[np.float64]

LIFT_STOPS: Final = 2 / 3
"""A file brightened by this much over the body's usual development counts as lifted."""

SPARE_STOPS: Final = 2.0
"""Shutter time to spare: the exposure could have been so many stops longer by the rule of one over
the focal length (common practice, no source)."""

STATIC_SECONDS: Final = 120.0
STATIC_DIFFERENCE: Final = 6.0
"""Two frames within so many seconds whose signatures (standard deviation 48) differ by no more than
this in the mean show a scene that stood still."""

HEADROOM_LOG2: Final = -2.0
"""Underexposed: less than one pixel in 500 lies above this (two stops under white)."""


def _percentile(shares: Floats, quantile: float) -> Floats:
    """log2 signal below which a share of each row's pixels lies."""
    edges = np.asarray(SIGNAL_BIN_EDGES)
    cumulative = np.cumsum(shares, axis=1)
    cumulative /= np.maximum(cumulative[:, -1:], 1e-12)
    full = np.concatenate([np.zeros((len(shares), 1)), cumulative], axis=1)
    return np.array([np.interp(quantile, row, edges) for row in full])


def _wilson(hits: int, of: int, share: float) -> tuple[float, float]:
    """Interval of a share (Wilson, J. Am. Stat. Assoc. 22, 1927)."""
    z = float(ndtri(0.5 + share / 2))
    p = hits / of
    centre = (p + z * z / (2 * of)) / (1 + z * z / of)
    half = z / (1 + z * z / of) * math.sqrt(p * (1 - p) / of + z * z / (4 * of * of))
    return max(centre - half, 0.0), min(centre + half, 1.0)


def _entry(
    body: str, habit: str, hits: NDArray[np.bool_], share: float, text: str, **more: Any
) -> dict[str, Any]:
    low, high = _wilson(int(hits.sum()), len(hits), share)
    return {
        "body": body, "habit": habit, "frames": int(hits.sum()), "of": len(hits),
        "share": float(hits.mean()), "low": low, "high": high, "text": text,
    } | more  # fmt: skip


def _histograms(table: pd.DataFrame) -> tuple[Floats, NDArray[np.bool_]]:
    shares = table.reindex(columns=list(SHARE_COLUMNS)).apply(pd.to_numeric, errors="coerce")
    values = shares.to_numpy(float)
    return np.nan_to_num(values), ~np.isnan(values).any(axis=1)


def lifts(frames: pd.DataFrame) -> pd.DataFrame:
    """Edited files against the raw or camera file of the same capture.

    Returns a table (edited row's index): body, capture, lift in stops between the medians of their
    signals, over the body's median lift (a raw file without its tone curve is darker than any
    developed one, so only the difference from the usual development tells).
    """
    empty = pd.DataFrame(columns=["body", "capture", "lift"])
    if "capture" not in frames or not len(frames):
        return empty
    table = frames[(frames["status"] == "measured") & frames["capture"].notna()]
    shares, known = _histograms(table)
    table = table[known]
    if not len(table):
        return empty
    table = table.assign(middle=_percentile(shares[known], 0.5))
    originals = table[table["source"].isin(["raw", "camera"])].sort_values(
        "source", ascending=False, kind="stable"
    )
    originals = originals.drop_duplicates("capture").set_index("capture")
    edited = table[(table["source"] == "edited") & table["capture"].isin(originals.index)]
    if not len(edited):
        return empty
    first = originals.loc[edited["capture"]]
    lift = edited["middle"].to_numpy(float) - first["middle"].to_numpy(float)
    body = edited["body"].fillna("unknown body").astype(str)
    out = pd.DataFrame(
        {"body": body, "capture": edited["capture"], "lift": lift}, index=edited.index
    )
    group = body + "|" + pd.Series(first["source"].to_numpy(), index=edited.index).astype(str)
    usual = out.groupby(group)["lift"].transform("median")
    few = out.groupby(group)["lift"].transform("size") < 4
    # From a camera file the usual lift is about none; from raw it must come from enough pairs.
    from_raw = pd.Series(first["source"].to_numpy() == "raw", index=edited.index)
    out["lift"] = out["lift"] - usual.where(~few, 0.0)
    return out[~(few & from_raw)]


def _static(table: pd.DataFrame) -> NDArray[np.bool_]:
    """Frames with a neighbour in time of nearly the same signature."""
    out = np.zeros(len(table), bool)
    if "taken" not in table or "signature" not in table:
        return out
    taken = pd.to_datetime(table["taken"], errors="coerce", utc=True, format="ISO8601")
    order = np.argsort(taken.to_numpy(), kind="stable")
    seconds = taken.astype("int64").to_numpy()[order] / _ticks(taken)
    signatures = table["signature"].to_numpy(object)[order]
    valid = taken.notna().to_numpy()[order]
    for i in range(len(order) - 1):
        a, b = signatures[i], signatures[i + 1]
        near = valid[i] and valid[i + 1] and seconds[i + 1] - seconds[i] <= STATIC_SECONDS
        if near and isinstance(a, str) and isinstance(b, str) and len(a) == len(b) > 0:
            x = np.frombuffer(bytes.fromhex(a), np.uint8).astype(float)
            y = np.frombuffer(bytes.fromhex(b), np.uint8).astype(float)
            if np.mean(np.abs(x - y)) <= STATIC_DIFFERENCE:
                out[order[i]] = out[order[i + 1]] = True
    return out


def _ticks(taken: pd.Series) -> float:
    unit = {"s": 1.0, "ms": 1e3, "us": 1e6, "ns": 1e9}
    return unit[str(getattr(taken.dtype, "unit", "ns"))]


def find_habits(
    frames: pd.DataFrame, excellent_iso: dict[tuple[str, str], int | None], share: float
) -> list[dict[str, Any]]:
    """Shares of frames with a habit that costs noise, per body; only what could be judged counts.

    Args:
        excellent_iso: (body, band key) -> highest ISO that is still excellent there.
    """
    out: list[dict[str, Any]] = []
    if not len(frames):
        return out
    lifted = lifts(frames)
    for body, rows in lifted.groupby("body"):
        hits = (rows["lift"] >= LIFT_STOPS).to_numpy(bool)
        stops = float(rows["lift"][hits].median()) if hits.any() else None
        out.append(
            _entry(
                str(body), "lifted", hits, share,
                "edited files brighter than their original by two thirds of a stop or more, "
                "beyond this body's usual development", lifted_stops=stops,
            )
        )  # fmt: skip
    table = sensor_rows(frames)
    table = table[(table["status"] == "measured") & table["source"].isin(KINDS)]
    table = table[table["body"].notna()]
    for body, rows in table.groupby("body"):
        out += _headroom(str(body), rows, share) + _spare(str(body), rows, excellent_iso, share)
    return out


def _headroom(body: str, rows: pd.DataFrame, share: float) -> list[dict[str, Any]]:
    shares, known = _histograms(rows)
    iso = pd.to_numeric(rows["iso"], errors="coerce").to_numpy(float)
    known &= np.isfinite(iso)
    if not known.any():
        return []
    raised = known & (iso > np.nanmin(iso[known]) * 1.1)
    if not raised.any():
        return []
    hits = _percentile(shares[raised], 0.998) < HEADROOM_LOG2
    text = "frames above the lowest ISO whose brightest pixels lie two stops or more under white"
    return [_entry(body, "underexposed", hits, share, text)]


def _spare(
    body: str,
    rows: pd.DataFrame,
    excellent_iso: dict[tuple[str, str], int | None],
    share: float,
) -> list[dict[str, Any]]:
    numbers = {
        n: pd.to_numeric(rows[n], errors="coerce").to_numpy(float)
        for n in ("iso", "exposure_time_s", "focal_length_mm", "focal_35mm", "ev100")
    }
    focal = np.where(
        np.isfinite(numbers["focal_35mm"]), numbers["focal_35mm"], numbers["focal_length_mm"]
    )
    judged = _static(rows) & np.isfinite(focal) & (numbers["exposure_time_s"] > 0)
    judged &= np.isfinite(numbers["iso"]) & np.isfinite(numbers["ev100"])
    if not judged.any():
        return []
    limit = []
    for e in numbers["ev100"][judged]:
        band = band_of(e)
        limit.append(excellent_iso.get((body, band.key)) if band else None)
    above = np.array(
        [
            i > m if m is not None else False
            for i, m in zip(numbers["iso"][judged], limit, strict=True)
        ]
    )
    spare = -np.log2(focal[judged] * numbers["exposure_time_s"][judged])
    text = (
        "frames of scenes that stood still, above the ISO that is excellent in their light, "
        "with two stops of shutter time to spare"
    )
    return [_entry(body, "time to spare", above & (spare >= SPARE_STOPS), share, text)]
