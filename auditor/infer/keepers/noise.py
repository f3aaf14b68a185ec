"""Which frames are noisier than is acceptable at the output size, by their body's table or their own tones."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from auditor.infer.bodies.habits import BRIGHTEST, HEADROOM_LOG2
from auditor.infer.criteria import Criteria
from auditor.infer.enough import CHUNK
from auditor.infer.frame_values import SHARE_COLUMNS, signal_quantile
from auditor.infer.keepers.expected import Allowed
from auditor.record import MID_GREY, SIGNAL_BIN_EDGES, TONE_SIGNALS, tone_column
from auditor.record.values import numbers

__all__ = ["judge_noise"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

OWN_MARGIN: Final = 2**0.5
"""Factor by which a frame's own mid-tone must be better than the limit to overrule its body's table:
half the noise power, a stop of light."""
LOG_SNR_SD: Final = 0.12
"""Error of ln signal to noise of one frame: noise by tone is read to within 15% in three frames of four."""


def judge_noise(
    out: pd.DataFrame, frames: pd.DataFrame, allowed: Allowed, usable: Bools, criteria: Criteria
) -> None:
    """Which frames are noisier than is acceptable, by their body's table or their own tones.

    Parameters
    ----------
    out : DataFrame
        Verdicts; the columns `noisy`, `dark`, `snr`, `snr_allowed` and `p_noisy` are written into it.
    frames : DataFrame
        Frame table: noise and pixels of tones, histogram of signals.
    allowed : Allowed
        SNR that the settings allow.
    usable : ndarray of bool, shape (n,)
        Frames that are judged.
    criteria : Criteria
        Acceptable SNR.
    """
    mid, typical, white = _tones(frames)
    dark = usable & (white <= HEADROOM_LOG2)
    limit = criteria.snr_acceptable
    by_table = usable & (allowed.snr < limit) & ~(mid > limit * OWN_MARGIN)
    own = usable & (mid < limit)
    buried = dark & (typical < limit)
    out["noisy"] = by_table | own | buried
    out["dark"] = dark
    out["snr"] = np.where(np.isfinite(mid), mid, typical)
    out["snr_allowed"] = allowed.snr
    lowest = np.fmin(allowed.snr, np.where(buried, typical, mid))
    out["p_noisy"] = ndtr(np.log(limit / lowest) / LOG_SNR_SD)


def _tones(frames: pd.DataFrame) -> tuple[Floats, Floats, Floats]:
    """Signal to noise at the output size of the mid-tone and of the tone nearest the median signal,
    and log2 of the signal below which all but a five-hundredth of the pixels lie; NaN where unmeasured."""
    out = np.full((3, len(frames)), np.nan)
    edges = np.asarray(SIGNAL_BIN_EDGES)
    tone = np.log2(TONE_SIGNALS)
    names = [*(f"{tone_column(s)}_sigma" for s in TONE_SIGNALS), *SHARE_COLUMNS]
    names = [n for n in (*names, "tone_output_scale") if n in frames]
    for first in range(0, len(frames), CHUNK):
        part = frames[names].iloc[first : first + CHUNK]
        here = slice(first, first + CHUNK)
        scale = numbers(part, "tone_output_scale")
        scale = np.where(np.isfinite(scale), scale, 1.0)
        snr = np.column_stack(
            [s / (numbers(part, f"{tone_column(s)}_sigma") * scale) for s in TONE_SIGNALS]
        )
        shares = np.column_stack([numbers(part, c) for c in SHARE_COLUMNS])
        known = np.isfinite(shares).all(1) & (shares.sum(1) > 0)
        white, half = np.full((2, len(part)), np.nan)
        for column, share in ((white, BRIGHTEST), (half, 0.5)):
            # Upper edge of the bin in which this share of the pixels is reached.
            upper = np.searchsorted(edges, signal_quantile(shares[known], share))
            column[known] = edges[np.minimum(upper, len(edges) - 1)]
        half = np.where(known, half, np.log2(MID_GREY))
        nearest = np.argmin(np.abs(tone - half[:, None]), axis=1)
        out[0, here] = snr[:, TONE_SIGNALS.index(MID_GREY)]
        out[1, here] = snr[np.arange(len(part)), nearest]
        out[2, here] = white
    return out[0], out[1], out[2]
