"""Tables of noise measurements with known truth: bodies, ISO values, scenes, outlying frames.

A frame's row has the columns of the store; only what the noise inference reads is filled. The truth
is the closed form of photon transfer: a signal s (1 = white) at ISO i holds s W electrons with
W = full scale at ISO 100 times 100 / i, so that SNR = s W / sqrt(s W + r^2) with read noise r.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from auditor.record import COLUMNS, SIGNAL_BIN_EDGES, TONE_SIGNALS, tone_column

__all__ = ["ToneBody", "ToneWorld", "snr_truth", "tone_archive"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ToneBody:
    """An invented body. `read_noise_e` and `downstream_e` in electrons at ISO 100."""

    name: str
    full_scale_e: float = 60_000.0
    read_noise_e: float = 3.0
    downstream_e: float = 0.0
    """Noise behind the amplifier: fixed at the output, so it falls with ISO referred to input."""
    dual_gain_iso: float | None = None
    """From this ISO on the read noise is `high_gain_read_e`."""
    high_gain_read_e: float = 1.0
    development: float = 1.0
    """Factor on the noise, as a camera's noise reduction has it."""
    development_per_stop: float = 0.0
    """Change of log noise per stop of ISO: noise reduction that grows with ISO is negative."""
    width_px: int = 6000
    height_px: int = 4000
    pixel_pitch_um: float = 4.0
    source: str = "camera"


@dataclass(frozen=True, slots=True)
class ToneWorld:
    """How frames scatter around the truth; standard deviations in log noise."""

    frame_sd: float = 0.05
    outing_sd: float = 0.03
    tone_sd: float = 0.04
    bias_sd: float = 0.035
    """Common to the whole archive: the estimator's own."""
    outlier_share: float = 0.1
    outlier_size: float = 0.35
    """Texture taken for noise: outliers read this much too high, in log, on average."""
    missing_share: float = 0.25
    """Tones that a frame does not hold."""
    output_px: float = 3464.0
    """Long side of the common output size; noise is white, so averaging takes its full share."""
    frames_per_outing: int = 8


def _read_noise(body: ToneBody, iso: Floats) -> Floats:
    read = np.full(iso.shape, body.read_noise_e)
    if body.dual_gain_iso is not None:
        read = np.where(iso >= body.dual_gain_iso, body.high_gain_read_e, read)
    return np.sqrt(read**2 + (body.downstream_e * 100 / iso) ** 2)


def snr_truth(body: ToneBody, iso: ArrayLike, signal: ArrayLike) -> Floats:
    """Signal to noise per pixel in closed form, s W / sqrt(s W + r^2), over the development's factor.

    Parameters
    ----------
    body : ToneBody
        W, r and development.
    iso, signal : array_like
        ISO, and signal in linear light (1 = white); they broadcast.

    Returns
    -------
    ndarray of float64
        A ratio.
    """
    i, s = np.broadcast_arrays(np.asarray(iso, float), np.asarray(signal, float))
    electrons = s * body.full_scale_e * 100 / i
    plain = electrons / np.sqrt(electrons + _read_noise(body, i) ** 2)
    kept = body.development * np.exp(body.development_per_stop * np.log2(i / 100))
    return np.asarray(plain / kept)


def _transfer(body: ToneBody, iso: float, rng: np.random.Generator) -> dict[str, float]:
    """Photon transfer as a frame would measure it, with a few per cent of scatter."""
    white = 15_000.0
    read = float(_read_noise(body, np.asarray(iso, float)))
    return {
        "gain_e_per_dn": body.full_scale_e * 100 / iso / white * float(np.exp(rng.normal(0, 0.03))),
        "read_noise_e": read * float(np.exp(rng.normal(0, 0.06))),
        "white_dn": white,
    }


def _shares(median_log2: float, spread: float) -> Floats:
    """Histogram of a frame whose log2 signals are normal, clipped at white."""
    from scipy.stats import norm

    edges = np.asarray(SIGNAL_BIN_EDGES)
    cumulative = norm.cdf((edges - median_log2) / spread)
    cumulative[0], cumulative[-1] = 0.0, 1.0
    return np.diff(cumulative)


def tone_archive(
    bodies: Sequence[ToneBody],
    isos: Sequence[float],
    rng: np.random.Generator,
    frames: int = 6,
    world: ToneWorld | None = None,
    scenes: Sequence[tuple[float, float]] = ((14.0, -2.3), (9.0, -4.3)),
) -> pd.DataFrame:
    """Frame table of noise measurements with known truth.

    Parameters
    ----------
    bodies : sequence of ToneBody
        Bodies.
    isos : sequence of float
        ISO values, each used by every body.
    rng : numpy.random.Generator
        Source of chance.
    frames : int
        Frames per body and ISO.
    world : ToneWorld, optional
        How frames scatter around the truth.
    scenes : sequence of tuple of float
        (EV100, median log2 signal), taken in turn.

    Returns
    -------
    DataFrame
        `record.COLUMNS` and those of `crawl.relate`; only what the inference of noise reads is filled.
    """
    w = world or ToneWorld()
    bias = rng.normal(0, w.bias_sd)
    rows: list[dict[str, Any]] = []
    number = 0
    for body in bodies:
        plan = [(iso, scenes[k % len(scenes)]) for iso in isos for k in range(frames)]
        plan = [plan[i] for i in rng.permutation(len(plan))]
        outing_shift = rng.normal(0, w.outing_sd, len(plan))
        for k, (iso, (ev, median)) in enumerate(plan):
            number += 1
            row: dict[str, Any] = dict.fromkeys(c.name for c in COLUMNS)
            outing = k // w.frames_per_outing
            ev_frame = ev + rng.normal(0, 0.7)
            f_number = 8.0
            row |= {
                "path": f"{body.name}/{number:05d}.jpg", "status": "measured",
                "file_id": f"id{number:06d}", "body": body.name, "iso": float(iso),
                "f_number": f_number, "ev100": ev_frame,
                "exposure_time_s": f_number**2 / 2 ** (ev_frame + np.log2(iso / 100)),
                "focal_length_mm": 35.0, "source": body.source, "labels": [], "notes": [],
                "width_px": body.width_px, "height_px": body.height_px,
                "pixel_pitch_um": body.pixel_pitch_um,
                "capture": number, "best": True, "burst": number, "outing": number - k + outing,
                "taken": str(pd.Timestamp("2024-05-01") + pd.Timedelta(minutes=9 * number)),
            }  # fmt: skip
            row["tone_output_scale"] = min(1.0, w.output_px / max(body.width_px, body.height_px))
            frame = bias + outing_shift[outing] + rng.normal(0, w.frame_sd)
            if rng.random() < w.outlier_share:
                frame += rng.exponential(w.outlier_size)
            shares = _shares(median + rng.normal(0, 0.5), 1.8)
            row |= {f"signal_share_{i:02d}": float(v) for i, v in enumerate(shares)}
            for signal in TONE_SIGNALS:
                if rng.random() < w.missing_share:
                    continue
                truth = signal / float(snr_truth(body, iso, signal))
                stem = tone_column(signal)
                row[f"{stem}_sigma"] = truth * np.exp(frame + rng.normal(0, w.tone_sd))
                row[f"{stem}_pixels"] = int(rng.integers(5_000, 80_000))
            if body.source == "raw":
                row |= _transfer(body, iso, rng)
            rows.append(row)
    return pd.DataFrame(rows)
