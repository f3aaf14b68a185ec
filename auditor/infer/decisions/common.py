"""What the decisions share: columns of the frame table, errors from intervals, words."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from statistics import NormalDist
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = [
    "aperture_text",
    "body_widths",
    "column",
    "days",
    "focal_text",
    "iso_day",
    "log_error",
    "log_sharpness",
    "names",
    "picture_sizes",
    "picture_width",
    "same",
    "usable",
    "widened",
]  # fmt: skip

Block = Mapping[str, Any]
Floats = NDArray[np.float64]

_DAY_NS: Final = 86_400_000_000_000
_PIXELS: Final = 6000
"""Long side of a picture whose size no frame tells."""


def column(frames: pd.DataFrame, name: str) -> Floats:
    """A column as (n,) float64; NaN where missing, unreadable, or absent from the table."""
    if name not in frames:
        return np.full(len(frames), np.nan)
    values = pd.to_numeric(frames[name], errors="coerce")
    return np.array(values.to_numpy(dtype=np.float64, na_value=np.nan))


def names(frames: pd.DataFrame, name: str) -> NDArray[np.object_]:
    """A column of text as (n,) objects, the empty string where missing."""
    if name not in frames:
        return np.full(len(frames), "", dtype=object)
    values = frames[name]
    return np.array(values.astype(object).where(values.notna(), "").astype(str), dtype=object)


def log_sharpness(frames: pd.DataFrame, place: str) -> Floats:
    """Log MTF50 (c/px) by which frames are compared, of a zone or side, (n,), NaN unmeasured."""
    value = column(frames, f"{place}_mtf50_cpp")
    value[~((value > 0.005) & (value < 1.0))] = np.nan
    return np.log(value)


def days(frames: pd.DataFrame) -> Floats:
    """Days since 1970 of the local time at which each frame was taken, (n,), NaN unknown."""
    text = pd.Series(names(frames, "taken")).str.slice(0, 19)
    stamps = pd.to_datetime(text, errors="coerce", format="ISO8601")
    values = stamps.to_numpy("datetime64[ns]")
    out = values.astype(np.int64) / _DAY_NS
    return np.where(np.isnat(values), np.nan, out)


def iso_day(day: float) -> str:
    """ISO 8601 day of so many days since 1970."""
    return (datetime(1970, 1, 1) + timedelta(days=day)).strftime("%Y-%m-%d")


def usable(frames: pd.DataFrame) -> NDArray[np.bool_]:
    """Frames that stand for their exposure: measured, the best file, not resized or enlarged."""
    good = (
        names(frames, "status") == "measured" if "status" in frames else np.ones(len(frames), bool)
    )
    good &= names(frames, "source") != "resized"
    if "best" in frames:
        good &= frames["best"].fillna(True).to_numpy(bool)
    if "upsampled" in frames:
        good &= ~frames["upsampled"].astype(object).fillna(False).astype(bool).to_numpy()
    return np.asarray(good)


def picture_sizes(frames: pd.DataFrame) -> dict[tuple[str, str], tuple[int, int]]:
    """(body, lens) -> usual long and short side in pixels."""
    sides = np.stack([column(frames, "width_px"), column(frames, "height_px")])
    table = pd.DataFrame({"long": sides.max(0), "short": sides.min(0)})
    table["body"], table["lens"] = names(frames, "body"), names(frames, "lens")
    table = table[usable(frames)].dropna()
    middle = table.groupby(["body", "lens"])[["long", "short"]].median()
    return {
        (str(b) or "unknown body", str(n) or "unknown lens"): (int(row["long"]), int(row["short"]))
        for (b, n), row in middle.iterrows()  # type: ignore[misc]
    }


def body_widths(sizes: Mapping[tuple[str, str], tuple[int, int]]) -> dict[str, int]:
    """Long side in pixels of each body's largest usual pictures."""
    out: dict[str, int] = {}
    for (body, _), (long, _) in sizes.items():
        out[body] = max(out.get(body, 0), long)
    return out


def picture_width(sizes: Mapping[tuple[str, str], tuple[int, int]], lens: Block) -> int:
    """Long side in pixels of a lens's pictures."""
    return sizes.get((lens["body"], lens["lens"]), (_PIXELS, 0))[0]


def log_error(figure: Block, share: float) -> float:
    """Standard error of the log of a figure whose interval holds this share of the truth."""
    half = NormalDist().inv_cdf(0.5 + share / 2)
    low, high = max(float(figure["low"]), 1e-6), max(float(figure["high"]), 1e-6)
    return max(math.log(high / low) / (2 * half), 1e-4)


def widened(value: float, error: float, share: float) -> tuple[float, float]:
    """Ends of the interval that holds this share."""
    half = NormalDist().inv_cdf(0.5 + share / 2)
    return value - half * error, value + half * error


def same(first: Block, second: Block, keys: Iterable[str]) -> bool:
    """Whether two entries agree in these keys."""
    return all(first.get(k) == second.get(k) for k in keys)


def aperture_text(f_number: float) -> str:
    """f/5.6, f/8."""
    return f"f/{f_number:g}"


def focal_text(focal_mm: Any) -> str:
    """'35 mm', '24 to 70 mm', or nothing where no focal length is known."""
    if not focal_mm:
        return ""
    low, high = round(focal_mm[0]), round(focal_mm[1])
    return f"{low} mm" if low == high else f"{low} to {high} mm"
