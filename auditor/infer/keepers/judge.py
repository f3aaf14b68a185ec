"""Which frames came out blurred or noisier than their settings had to be, and the likely cause.

A frame is judged by its sharpest plane: `evidence` tells how far the sharpest edges of each direction fall
short of what the lens allows, `_model` how likely that is a failure. A frame in which something is as sharp as
it can be is none, whatever else is soft. It is also named when its aperture itself costs more than is
acceptable, and when it is noisy. Only what is more likely than not, and shows at the output size, counts.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import cache
from importlib.resources import files
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit, ndtr

from auditor.infer.bodies.habits import BRIGHTEST, HEADROOM_LOG2, SPARE_STOPS
from auditor.infer.criteria import Criteria
from auditor.infer.frame_values import (
    histograms,
    near_and_far,
    sharpness_and_error,
    signal_quantile,
)
from auditor.infer.keepers.evidence import (
    CAUSE_FEATURES,
    FAST_STOPS,
    FEATURES,
    SUPPORTED_STOPS,
    allowed_by_settings,
    frame_evidence,
)
from auditor.record import DIRECTIONS, MID_GREY, TONE_SIGNALS, ZONES, tone_column
from auditor.record.pools import pools
from auditor.record.values import flags, numbers, words

__all__ = ["CAUSES", "PLAIN_STREAKS", "judge_frames"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Block = Mapping[str, Any]

CAUSES: Final = (
    "shake", "focus in front", "focus behind", "missed focus", "too small an aperture",
    "open-aperture corners", "underexposure", "high ISO", "noise at a low ISO", "noise",
)  # fmt: skip

LIKELY: Final = 0.5
"""A frame is listed when a failure is more likely than not, and the likelier cause is named; `scripts/calibrate`
tells how often that is wrong."""
VISIBLE_CPP: Final = 0.3
"""MTF50 (cycles per pixel of the output) from which a picture looks sharp at 100%: the median of the
photographs that were seen sharp."""
VISIBLE_LOSS: Final = 0.16
"""Share of MTF50 that must be missing against frames without a fault: a frame as sharp as these is none of the
failures, however slow its shutter. Drawn scenes of soft things at slow shutters are left alone from here on."""
PLAIN_STREAKS: Final = 1.0
"""Streaks (scatters of single windows) that are plain: nineteen in twenty sharp photographs stay under it. A
movement that shows so counts, though some outline be nearly as sharp as in frames without a fault: of the shakes
of 20 made archives 178 of 202 are found, with `VISIBLE_LOSS` 168."""
SEEN_STREAKS: Final = 2.0
"""Streaks (scatters of single windows) that are seen whatever the edges show: the median of photographs that were
moved by 3 px; of the sharp ones that people looked at none reaches them and is more likely blurred than not."""
SEEN_REDUCED: Final = 1.5
"""Reduction to the output size at which these 3 px are 2, which leave an MTF50 of `VISIBLE_CPP`."""
STREAKS: Final = 0.95
"""Faster than `FAST_STOPS` only what is as likely as this is shake: plain streaks in one direction."""
NEAR_OVER_FAR: Final = 0.25
"""Difference of ln MTF50 between lower and upper edge, as held, that shows where the sharp plane lay."""
PANNED_FROM_S: Final = 1 / 250
"""Shutter time (s) from which a camera swung along shows it (common practice, no source)."""
MEANT_S: Final = 0.25
"""From this shutter time (s) on movement is often meant: water, clouds, crowds (common practice, no source)."""
LOW_ISO: Final = 200.0
"""Up to here noise is not the ISO's doing: the lowest of nearly every camera (common practice, no
source)."""
OWN_MARGIN: Final = 2**0.5
"""Factor by which a frame's own mid-tone must be better than the limit to overrule its body's table:
half the noise power, a stop of light."""
CONFIDENCE: Final = 0.9
"""Confidence that an aperture outside the acceptable range costs more than is acceptable: so often the range's own
intervals hold."""
LOG_SNR_SD: Final = 0.12
"""Error of ln signal to noise of one frame: noise by tone is read to within 15% in three frames of four."""


@cache
def _model() -> dict[str, dict[str, float]]:
    """Two logistic regressions over the features of `evidence`, whether a frame has a `fault`, and if so, whether it
    moved rather than missed focus (`shake`): an intercept and a coefficient for each feature in its own units.

    They lie in `frame_model.json`, which `scripts/calibrate` writes: from photographs that two people judged at
    100%, from photographs seen through known optics and from drawn frames with known faults; the file says from
    how many of each, and how well.
    """
    text = files(__package__).joinpath("frame_model.json").read_text("utf-8")
    return dict(json.loads(text))


def _probability(what: str, evidence: pd.DataFrame, names: tuple[str, ...]) -> Floats:
    """(n,) of `fault` or `shake`, from these features; NaN unmeasured."""
    of = _model()[what]
    logit = of["intercept"] + sum(of[n] * evidence[n].to_numpy(float) for n in names)
    return np.asarray(expit(logit))


def judge_frames(
    frames: pd.DataFrame, lenses: Sequence[Block], bodies: Sequence[Block], criteria: Criteria
) -> pd.DataFrame:
    """Verdict and cause of every frame.

    Features of each frame (`frame_evidence`) go into two logistic regressions (`_model`): whether it is
    blurred, and if so, whether it moved. A frame is soft where a fault is more likely than not and shows at
    the output size, or where its aperture costs more than is acceptable; noisy by `_noise`.

    Parameters
    ----------
    frames : DataFrame
        Frame table: `record.COLUMNS` and the columns of `crawl.relate`.
    lenses, bodies : sequence of mapping
        Entries of the profile.
    criteria : Criteria
        Thresholds and output size.

    Returns
    -------
    DataFrame
        One row per frame, same order: `judged`, `soft`, `noisy` (bool); `cause` (text or missing);
        `probability`; `fault_probability` (of blur, whatever the verdict); `expected_cpp`, `measured_cpp` and
        `loss` (share of MTF50 missing), all three NaN where streaks alone tell the fault; `snr` (of the frame's mid-tones at the output size), `snr_allowed`;
        `lens_entry`, `focal_range` (positions in the profile, -1 for none); and the columns of
        `frame_evidence`.
    """
    frames = frames.reset_index(drop=True)
    allowed = allowed_by_settings(frames, lenses, bodies, criteria)
    usable = words(frames, "status") == "measured"
    # A spectrum that ends early tells enlarging of exports; the camera's own files it takes for enlarged where
    # nothing in them is plain. What ends early along one direction only has moved.
    source = words(frames, "source")
    unedited = (source == "camera") | (source == "raw")
    unedited |= numbers(frames, "streaks") > SEEN_STREAKS
    usable &= flags(frames, "best", True) & (unedited | ~flags(frames, "upsampled", False))
    usable &= pools(frames) != ""
    out = pd.concat([frame_evidence(frames, allowed), allowed], axis=1)
    _sharpness(out, frames, usable, criteria)
    _noise(out, frames, usable, criteria)
    _causes(out, frames)
    return out


def _sharpness(out: pd.DataFrame, frames: pd.DataFrame, usable: Bools, criteria: Criteria) -> None:
    probability = _probability("fault", out, FEATURES)
    out["judged"] = usable & np.isfinite(probability)
    out["fault_probability"] = np.where(out["judged"], probability, np.nan)
    shake = _probability("shake", out, CAUSE_FEATURES)
    out["shake_probability"] = shake
    moved = shake > np.where(out["stops"] <= FAST_STOPS, STREAKS, LIKELY)
    measured = np.where(moved, out["softest_cpp"], out["level_cpp"])
    expected = np.where(moved, out["usual_softest_cpp"], out["usual_cpp"])
    # How much of it is left in a picture of the output size.
    pixels = numbers(frames, "width_px") * numbers(frames, "height_px")
    reduced = np.sqrt(np.fmax(pixels / (criteria.output_megapixels * 1e6), 1.0))
    fault = usable & (probability > LIKELY) & (measured * reduced < VISIBLE_CPP)
    streaked = moved & (out["streaks"] > PLAIN_STREAKS)
    fault &= measured < np.where(streaked, 1, 1 - VISIBLE_LOSS) * expected
    # Edges along a movement stay sharp: what a frame without others shows says nothing of it.
    by_streaks = (
        usable & (probability > LIKELY) & moved & (out["streaks"] > SEEN_STREAKS).to_numpy()
    )
    by_streaks &= reduced < SEEN_REDUCED
    # What a frame hardly lacks says nothing for its fault: it is listed for its streaks alone.
    by_edges = fault & (measured < (1 - VISIBLE_LOSS) * expected)
    fault |= by_streaks
    measured, expected = np.where(fault & ~by_edges, np.nan, (measured, expected))
    out["moved"], out["blurred"] = fault & moved, fault & ~moved
    # Of a setting: what the weaker of centre and corner shows, against the lens's best aperture.
    weaker = np.fmin(
        sharpness_and_error(frames, ZONES[0])[0], sharpness_and_error(frames, ZONES[2])[0]
    )
    spare = out["rule_stops"].to_numpy() < -SPARE_STOPS
    setting = usable & (out["small"] | (out["wide"] & spare)).to_numpy() & ~fault
    out["setting"] = setting & ~(weaker * reduced >= VISIBLE_CPP)
    out["measured_cpp"] = np.where(out["setting"], weaker, measured)
    out["expected_cpp"] = np.where(out["setting"], np.exp(out["log_weaker_best"]), expected)
    with np.errstate(invalid="ignore", divide="ignore"):
        loss = 1 - out["measured_cpp"] / out["expected_cpp"]
    out["loss"] = np.where(out["judged"], np.clip(loss, 0, 1), np.nan)


def _causes(out: pd.DataFrame, frames: pd.DataFrame) -> None:
    moved, focus, setting = (out[c].to_numpy() for c in ("moved", "blurred", "setting"))
    wide, small = out["wide"].to_numpy(), out["small"].to_numpy()
    noisy, dark = out["noisy"].to_numpy(), out["dark"].to_numpy()
    near, far, _ = near_and_far(frames)
    near_over_far = np.nan_to_num(near - far)
    out["near_over_far"] = near_over_far
    iso = numbers(frames, "iso")
    cause = np.full(len(frames), None, dtype=object)
    cause[noisy] = "noise"  # of an ISO that is not known
    cause[noisy & (iso > LOW_ISO)] = "high ISO"
    cause[noisy & (iso <= LOW_ISO)] = "noise at a low ISO"
    cause[noisy & dark] = "underexposure"
    cause[setting & wide] = "open-aperture corners"
    cause[setting & small] = "too small an aperture"
    cause[focus] = "missed focus"
    cause[focus & (near_over_far > NEAR_OVER_FAR)] = "focus in front"
    cause[focus & (near_over_far < -NEAR_OVER_FAR)] = "focus behind"
    cause[moved] = "shake"
    out["soft"] = moved | focus | setting
    out["cause"] = pd.Series(cause, index=out.index, dtype=object)
    probability = np.where(
        moved | focus, out["fault_probability"], np.where(setting, CONFIDENCE, 0)
    )
    out["probability"] = np.fmax(probability, np.where(noisy, out["p_noisy"], 0))
    seconds = numbers(frames, "exposure_time_s")
    # A camera swung along with a subject.
    level = out["direction_deg"] == DIRECTIONS["horizontal"]
    panning = moved & level & (seconds > PANNED_FROM_S) & (out["rule_stops"] < SUPPORTED_STOPS)
    out["maybe_deliberate"] = (moved & (seconds >= MEANT_S)) | panning | (focus & wide)


def _noise(out: pd.DataFrame, frames: pd.DataFrame, usable: Bools, criteria: Criteria) -> None:
    """Which frames are noisier than is acceptable, by their body's table or their own tones.

    Parameters
    ----------
    out : DataFrame
        Verdicts with `snr_allowed`; the columns `noisy`, `dark`, `snr` and `p_noisy` are written into it.
    frames : DataFrame
        Frame table: noise and pixels of tones, histogram of signals.
    usable : ndarray of bool, shape (n,)
        Frames that are judged.
    criteria : Criteria
        Acceptable SNR.
    """
    mid, typical, white = _tones(frames)
    allowed = out["snr_allowed"].to_numpy()
    dark = usable & (white <= HEADROOM_LOG2)
    limit = criteria.snr_acceptable
    by_table = usable & (allowed < limit) & ~(mid > limit * OWN_MARGIN)
    own = usable & (mid < limit)
    buried = dark & (typical < limit)
    out["noisy"] = by_table | own | buried
    out["dark"] = dark
    out["snr"] = np.where(np.isfinite(mid), mid, typical)
    lowest = np.fmin(allowed, np.where(buried, typical, mid))
    out["p_noisy"] = ndtr(np.log(limit / lowest) / LOG_SNR_SD)


def _tones(frames: pd.DataFrame) -> tuple[Floats, Floats, Floats]:
    """Signal to noise at the output size of the mid-tone and of the tone nearest the median signal,
    and log2 of the signal below which all but a five-hundredth of the pixels lie; NaN where unmeasured."""
    rows, tone = np.arange(len(frames)), np.log2(TONE_SIGNALS)
    scale = numbers(frames, "tone_output_scale")
    scale = np.where(np.isfinite(scale), scale, 1.0)
    snr = np.column_stack(
        [s / (numbers(frames, f"{tone_column(s)}_sigma") * scale) for s in TONE_SIGNALS]
    )
    shares = histograms(frames, rows)
    white, half = signal_quantile(shares, BRIGHTEST), signal_quantile(shares, 0.5)
    half = np.where(np.isfinite(half), half, np.log2(MID_GREY))
    nearest = np.argmin(np.abs(tone - half[:, None]), axis=1)
    return snr[:, TONE_SIGNALS.index(MID_GREY)], snr[rows, nearest], white
