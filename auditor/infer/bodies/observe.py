"""Frame table to noise observations: which frames speak about a body, and which stand apart."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.exposure import nominal_iso
from auditor.record import TONE_SIGNALS, tone_column

__all__ = [
    "KINDS",
    "LONG_EXPOSURE_S",
    "Observations",
    "observe",
    "resampling_unit",
    "sensor_rows",
    "sigma_code",
]

KINDS: Final = ("raw", "camera", "edited", "unknown")
"""Kinds of file whose noise is a body's own; resized files are not (pixels were merged)."""

LONG_EXPOSURE_S: Final = 1.0
"""From this exposure time on dark current and the camera's own dark-frame subtraction add to the
photon noise (common practice, no source): such frames are kept apart."""

MIN_PIXELS: Final = 200
"""A tone measured on fewer pixels has a standard error above 5% before grain; it is left out."""

_EIGHT_BIT: Final = (".jpg", ".jpeg", ".jpe", ".png", ".webp", ".heic", ".heif", ".gif", ".bmp")

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Observations:
    """What `observe` found.

    `tones`: one row per frame and signal level; columns body, kind, iso (as written), step (nearest
    third of a stop), signal, sigma, log_sigma, pixels, unit (what is resampled), frame (row number
    in the frame table), eight_bit, long_exposure, pushed, pixels_per_frame, scale (factor on sigma for the
    noise room's output size).
    `left_out`: body -> reason in plain words -> count of frames.
    """

    tones: pd.DataFrame
    left_out: dict[str, dict[str, int]]


def sigma_code(signal: NDArray[np.float64], sigma: NDArray[np.float64]) -> Floats:
    """Noise in 8-bit code values of a noise given in linear light (sRGB, IEC 61966-2-1)."""
    s = np.clip(signal, 1e-5, 1.0)
    slope = np.where(s > 0.0031308, 1.055 / 2.4 * s ** (1 / 2.4 - 1), 12.92)
    return np.asarray(255 * slope * sigma)


def resampling_unit(frames: pd.DataFrame) -> pd.Series:
    """Outing where known, else burst, else the frame itself; one integer per row."""
    unit = pd.Series(np.arange(len(frames)), index=frames.index)
    for name in ("burst", "outing"):
        if name in frames:
            known = pd.to_numeric(frames[name], errors="coerce")
            unit = known.where(known.notna(), -1 - unit).astype(int)
    return unit


def _reasons(frames: pd.DataFrame) -> pd.Series:
    """Why a frame cannot speak about its body's noise; empty where it can."""
    reason = pd.Series("", index=frames.index, dtype=object)

    def because(condition: pd.Series, text: str) -> None:
        reason[condition.fillna(False).astype(bool) & (reason == "")] = text

    number = pd.to_numeric(frames["iso"], errors="coerce")
    sigmas = frames[[f"{tone_column(s)}_sigma" for s in TONE_SIGNALS]].apply(
        pd.to_numeric, errors="coerce"
    )
    because(frames["status"] != "measured", "could not be measured")
    because(frames["source"] == "resized", "was resized, so its pixels are not the sensor's")
    because(number.isna() | ~(number > 0), "has no ISO in its settings")
    because(~(sigmas > 0).any(axis=1), "has no even area in which noise could be measured")
    return reason


def sensor_rows(frames: pd.DataFrame) -> pd.DataFrame:
    """The rows that stand for a capture: marked `best`, or all where nothing was marked."""
    if "best" not in frames:
        return frames
    return frames[frames["best"].fillna(True).astype(bool)]


def observe(frames: pd.DataFrame, pushed: Collection[int] = ()) -> Observations:
    """Collect the noise observations of all bodies.

    Args:
        frames: `record.COLUMNS` plus the columns of `crawl.relate`; its index is unique.
        pushed: index of the frames that were brightened in editing.
    """
    names = [
        *("body", "kind", "iso", "step", "signal", "sigma", "log_sigma", "pixels", "unit"),
        *("frame", "eight_bit", "long_exposure", "pushed", "pixels_per_frame", "scale"),
    ]
    if not len(frames):
        return Observations(pd.DataFrame(columns=names), {})
    table = sensor_rows(frames)
    reason = _reasons(table)
    body = table["body"].fillna("unknown body").astype(str)
    left_out: dict[str, dict[str, int]] = {}
    for (b, r), count in table.groupby([body, reason]).size().items():  # type: ignore[misc]
        if r:
            left_out.setdefault(str(b), {})[f"{r}"] = int(count)
    keep = table[reason == ""]
    if not len(keep):
        return Observations(pd.DataFrame(columns=names), left_out)

    time = pd.to_numeric(keep["exposure_time_s"], errors="coerce")
    iso = pd.to_numeric(keep["iso"]).astype(float)
    pixels = pd.to_numeric(keep["width_px"], errors="coerce") * pd.to_numeric(
        keep["height_px"], errors="coerce"
    )
    kind = keep["source"].where(keep["source"].isin(KINDS), "unknown").astype(str)
    base = pd.DataFrame(
        {
            # The same few names a million times over.
            "body": keep["body"].fillna("unknown body").astype(str).astype("category"),
            "kind": kind.astype("category"),
            "iso": iso,
            "step": iso.map(nominal_iso),
            "unit": resampling_unit(keep),
            "frame": keep.index,
            "eight_bit": keep["path"].astype(str).str.lower().str.endswith(_EIGHT_BIT)
            & (kind != "raw"),
            "long_exposure": (time >= LONG_EXPOSURE_S).fillna(False),
            "pushed": keep.index.isin(list(pushed)),
            "pixels_per_frame": pixels,
            "scale": pd.to_numeric(keep["tone_output_scale"], errors="coerce"),
        }
    )
    del table, reason, body
    parts = []
    for signal in TONE_SIGNALS:
        stem = tone_column(signal)
        part = base.assign(
            signal=signal,
            sigma=pd.to_numeric(keep[f"{stem}_sigma"], errors="coerce").astype(float),
            pixels=pd.to_numeric(keep[f"{stem}_pixels"], errors="coerce").astype(float),
        )
        # Unknown counts of pixels are taken as just enough.
        part["pixels"] = part["pixels"].fillna(MIN_PIXELS)
        part = part[(part["sigma"] > 0) & (part["pixels"] >= MIN_PIXELS)]
        parts.append(part.assign(log_sigma=np.log(part["sigma"]))[names])
    return Observations(pd.concat(parts, ignore_index=True), left_out)
