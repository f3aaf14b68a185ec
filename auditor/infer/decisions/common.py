"""What the decisions share: frames that count, days, errors from intervals, words."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.lenses.grouping import SAME_PITCH
from auditor.record.values import flags, numbers, rows_by_names, words
from auditor.robust import half_width

__all__ = [
    "LEAST_ERROR",
    "aperture_text",
    "body_widths",
    "date_of",
    "focal_text",
    "holm",
    "iso_day",
    "lens_text",
    "log_error",
    "picture_sizes",
    "same",
    "usable",
    "widened",
]  # fmt: skip

Block = Mapping[str, Any]
Floats = NDArray[np.float64]

_WRONG: Final = 0.05
"""Share of archives in which anything may be told by luck alone: a kind of decision at a time, all lenses and
bodies counted."""
_EPOCH: Final = datetime(1970, 1, 1)
"""Where days are counted from (POSIX)."""
LEAST_ERROR: Final = 1e-4
"""Least standard error of a log: intervals are rounded."""


def date_of(day: float) -> datetime:
    """The date of so many days since 1970."""
    return _EPOCH + timedelta(days=day)


def iso_day(day: float) -> str:
    """ISO 8601 day of so many days since 1970."""
    return date_of(day).strftime("%Y-%m-%d")


def usable(frames: pd.DataFrame) -> NDArray[np.bool_]:
    """Frames that stand for their exposure: measured, the best file, not resized or enlarged."""
    good = (
        words(frames, "status") == "measured" if "status" in frames else np.ones(len(frames), bool)
    )
    good &= words(frames, "source") != "resized"
    return np.asarray(good & flags(frames, "best", True) & ~flags(frames, "upsampled", False))


def picture_sizes(
    frames: pd.DataFrame, lenses: Sequence[Block] = ()
) -> dict[tuple[str, str], tuple[int, int]]:
    """(body, lens) -> usual long and short side in pixels, of the kind of file and the pixel pitch that
    the curves of `lenses` are drawn from: cycles per pixel are of these."""
    sides = np.stack([numbers(frames, "width_px"), numbers(frames, "height_px")])
    table = pd.DataFrame({"long": sides.max(0), "short": sides.min(0)})
    table["source"] = words(frames, "source", "unknown")
    known = usable(frames) & table[["long", "short"]].notna().all(axis=1).to_numpy()
    table["pitch"] = numbers(frames, "pixel_pitch_um")
    # Of copies of a lens, and of a lens with its converter, the one with most frames comes last.
    drawn = {(e["body"], e["lens"]): e for e in sorted(lenses, key=lambda e: e.get("frames") or 0)}
    out = {}
    for names, rows in rows_by_names(frames, ("body", "lens")).items():
        own = table.iloc[rows[known[rows]]]
        key = names[0] or "unknown body", names[1] or "unknown lens"
        if (entry := drawn.get(key)) is not None:
            same_file = own["source"] == entry["source"]
            if pitch := entry["pixel_pitch_um"]:
                with np.errstate(divide="ignore"):
                    same_file &= ~(np.abs(np.log(own["pitch"] / pitch)) >= SAME_PITCH)
            own = own[same_file] if same_file.any() else own
        if len(own):
            out[key] = int(own["long"].median()), int(own["short"].median())
    return out


def body_widths(sizes: Mapping[tuple[str, str], tuple[int, int]]) -> dict[str, int]:
    """Long side in pixels of each body's largest usual pictures."""
    out: dict[str, int] = {}
    for (body, _), (long, _) in sizes.items():
        out[body] = max(out.get(body, 0), long)
    return out


def log_error(figure: Block, share: float) -> float:
    """Standard error of the log of a figure whose interval holds this share of the truth."""
    low, high = max(float(figure["low"]), 1e-6), max(float(figure["high"]), 1e-6)
    return max(math.log(high / low) / (2 * half_width(share)), LEAST_ERROR)


def widened(value: float, error: float, share: float) -> tuple[float, float]:
    """Ends of the interval that holds this share."""
    half = half_width(share) * error
    return value - half, value + half


def holm(chances: Sequence[float]) -> int:
    """How many of some tests, the least chance first, stand up to there having been so many (Holm, Scand. J.
    Statist. 6, 1979)."""
    for rank, chance in enumerate(chances):
        if chance > _WRONG / (len(chances) - rank):
            return rank
    return len(chances)


def same(first: Block, second: Block, keys: Iterable[str]) -> bool:
    """Whether two entries agree in these keys."""
    return all(first.get(k) == second.get(k) for k in keys)


def lens_text(lens: Any, converter: Any, lens_serial: Any) -> str:
    """'Tarn 35 mm + 1.4x (serial 111)': the lens as told apart from others of its name."""
    with_converter = f"{lens} + {converter}" if converter else f"{lens}"
    return f"{with_converter} (serial {lens_serial})" if lens_serial else with_converter


def aperture_text(f_number: float) -> str:
    """f/5.6, f/8."""
    return f"f/{f_number:g}"


def focal_text(focal_mm: Any) -> str:
    """'35 mm', '24 to 70 mm', or nothing where no focal length is known."""
    if not focal_mm:
        return ""
    low, high = round(focal_mm[0]), round(focal_mm[1])
    return f"{low} mm" if low == high else f"{low} to {high} mm"
