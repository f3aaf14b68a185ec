"""Which frames came out softer or noisier than their settings had to be, and the likely cause.

A frame is soft when it shows clearly less than its lens gives at that aperture (the middle one of
its zones, so that one zone without a subject in focus accuses nobody), when it is blurred in one
direction, or when its aperture itself costs more than is acceptable. It is noisy when a typical
frame of its brightness falls below the acceptable signal to noise at its ISO, or when its own tones
do. "Clearly" is both: by more than a visible share, and by more than three standard errors.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from auditor.infer.bodies.bands import SHARE_COLUMNS
from auditor.infer.criteria import Criteria
from auditor.infer.keepers.expected import Allowed, allowed_by_settings, shutter_stops
from auditor.infer.lenses.grouping import flags, numbers, shown_sharpness, texts
from auditor.record import SIGNAL_BIN_EDGES, TONE_SIGNALS, ZONES, tone_column
from auditor.record.pools import pools

__all__ = ["CAUSES", "judge_frames"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Block = Mapping[str, Any]

CAUSES: Final = (
    "shake", "motion of the subject", "focus in front", "focus behind", "missed focus", "haze",
    "too small an aperture", "open-aperture corners", "underexposure", "high ISO",
    "noise at a low ISO", "noise",
)  # fmt: skip

VISIBLE: Final = 0.15
"""Share of MTF50 that must be missing before a frame is called soft."""
SURE: Final = 3.0
"""Standard errors by which it must be missing."""
ONE_WAY: Final = 0.82
"""MTF50 along the softest direction over that along the sharpest, below which a frame moved. Still
frames of drawn places reach 0.85."""
STILL: Final = 0.9
"""What the sharper quarter of a lens's frames reaches where most were held still."""
ENOUGH_COMPANY: Final = 6
"""Frames of a lens and focal range from which movement can be told from the scenes' own grain."""
PIECE: Final = 50_000
"""Rows whose histograms are looked at together."""
HALF_LOST: Final = 0.3
"""Share by which the upper corners may fall short of the lower ones, or they of them."""
STANDS_OUT: Final = 4.0
ORDINARY_LEAN: Final = 0.06
"""Standard deviation (ln MTF50) of that difference that every lens and subject may show."""
SPARE_STOPS: Final = 2.0
"""Shutter time to spare for stopping down, against 1 / focal length (common practice, no source)."""
HANDHELD_STOPS: Final = 0.0
LIFTED_BLACK: Final = -3.6
"""log2 signal of the darkest fiftieth above which a soft frame looks veiled."""
LOW_ISO: Final = 200.0
"""Up to here noise is not the ISO's doing: the lowest of nearly every camera (common practice, no
source)."""
DARK_WHITE: Final = -2.0
"""Underexposed: less than one pixel in 500 lies above this (two stops under white)."""


def judge_frames(
    frames: pd.DataFrame, lenses: Sequence[Block], bodies: Sequence[Block], criteria: Criteria
) -> pd.DataFrame:
    """One row per frame, same index: what was expected, what was found, verdict and cause.

    Columns: judged, soft, noisy (bool); cause (text or missing); probability; expected_cpp,
    measured_cpp with its standard error stderr_cpp; loss (share of MTF50 missing against the lens
    at this aperture); snr (of the frame's mid-tones at the output size), snr_allowed; stops (shutter
    against 1 / focal length); lens_entry, focal_range (positions in the profile, -1 for none); and
    the evidence columns of `causes`.
    """
    frames = frames.reset_index(drop=True)
    allowed = allowed_by_settings(frames, lenses, bodies, criteria)
    usable = texts(frames, "status").to_numpy() == "measured"
    usable &= flags(frames, "best", True) & ~flags(frames, "upsampled", False)
    usable &= pools(frames) != ""
    out = pd.DataFrame(index=frames.index)
    out["lens_entry"], out["focal_range"] = allowed.lens_entry, allowed.focal_range
    out["stops"] = shutter_stops(frames)
    _sharpness(out, frames, allowed, usable)
    _halves(out, frames, allowed, usable)
    _noise(out, frames, allowed, usable, criteria)
    _causes(out, frames, allowed, usable)
    return out


def _sharpness(out: pd.DataFrame, frames: pd.DataFrame, allowed: Allowed, usable: Bools) -> None:
    told = [shown_sharpness(frames, z) for z in ZONES]
    measured = np.column_stack([mtf50 for mtf50, _ in told])
    stderr = np.column_stack([error for _, error in told])
    with np.errstate(divide="ignore", invalid="ignore"):
        deviation = np.log(measured) - allowed.log_mtf50
        error = np.hypot(stderr / measured, allowed.error)
    known = np.isfinite(deviation) & np.isfinite(error)
    deviation, error = np.where(known, deviation, np.nan), np.where(known, error, np.nan)
    count = known.sum(1)
    middle, own = _middle(deviation, error, count)
    ratio = numbers(frames, "direction_ratio")
    ratio_error = numbers(frames, "direction_ratio_stderr")
    with np.errstate(divide="ignore", invalid="ignore"):
        along = np.log(ratio)
        moved_z = (along - np.log(ONE_WAY)) / (ratio_error / ratio)
        away_z = along / (ratio_error / ratio)
    one_way = _one_way(out, ratio, usable)
    moved = usable & (ratio < one_way) & (away_z < -SURE)
    blurred = usable & (count > 0) & (middle < np.log(1 - VISIBLE)) & (middle / own < -SURE)
    out["judged"] = usable & ((count > 0) | np.isfinite(one_way))
    out["moved"], out["blurred"], out["ratio"] = moved, blurred, ratio
    out["setting"] = usable & (allowed.small | allowed.wide) & (count > 0)
    out["wide"], out["small"] = allowed.wide, allowed.small
    out["sweet_spot"], out["kept"] = allowed.sweet_spot, allowed.kept
    total = np.where(np.isfinite(middle), middle, 0.0) + np.where(moved, along, 0.0)
    out["loss"] = np.where(out["judged"], 1 - np.exp(total), np.nan)
    out["p_blur"] = ndtr((np.log(1 - VISIBLE) - middle) / own)
    out["p_moved"] = ndtr(-moved_z)
    out["p_setting"] = allowed.sure
    # The zone whose figures are shown is the one that decided.
    show = np.nanargmin(np.where(known, np.abs(deviation - middle[:, None]), 1e9), axis=1)
    at = np.arange(len(frames))
    expected, found = np.exp(allowed.log_mtf50[at, show]), measured[at, show]
    out["zone"] = np.where(count > 0, show, -1)
    weaker = np.nanmin(np.where(known, measured, np.inf)[:, [0, 2]], axis=1)
    by_setting = out["setting"].to_numpy() & ~moved & ~blurred
    found = np.where(moved, found * ratio, found)
    expected = np.where(by_setting, np.exp(allowed.log_weaker_best), expected)
    found = np.where(by_setting, np.where(np.isfinite(weaker), weaker, np.nan), found)
    out["expected_cpp"], out["measured_cpp"] = expected, found
    # The measurement's own share of the error; where the setting decided, that of the weaker zone.
    relative = np.where(known, stderr / np.where(known, measured, 1.0), np.nan)
    softest = 2 * np.argmin(np.where(known, measured, np.inf)[:, [0, 2]], axis=1)
    out["stderr_cpp"] = found * relative[at, np.where(by_setting, softest, show)]


def _halves(out: pd.DataFrame, frames: pd.DataFrame, allowed: Allowed, usable: Bools) -> None:
    """Frames whose lower and upper corners differ as the lens's other frames do not.

    Clouds and a foreground left soft make a difference too: where a photographer's frames differ
    often, it takes more for one of them to stand out.
    """
    near, far, error = _near_and_far(frames)
    lean = near - far
    known = pd.Series(np.where(usable & (out["lens_entry"] >= 0), lean, np.nan))
    group = known.groupby([out["lens_entry"].to_numpy(), out["focal_range"].to_numpy()])
    usual = group.transform("median").to_numpy(float)
    away = (known - usual).abs()
    spread = 1.48 * away.groupby(group.ngroup().to_numpy()).transform("median").to_numpy(float)
    enough = group.transform("count").to_numpy() >= ENOUGH_COMPANY
    off = np.where(enough, lean - usual, np.nan)
    sigma = np.hypot(error, np.maximum(spread, ORDINARY_LEAN))
    with np.errstate(invalid="ignore"):
        out["half"] = (np.abs(off) > -np.log(1 - HALF_LOST)) & (np.abs(off) > STANDS_OUT * sigma)
        out["p_half"] = ndtr((np.abs(off) + np.log(1 - VISIBLE)) / sigma)
    out["lean"] = np.where(np.isfinite(lean), lean, 0.0)
    half = out["half"].to_numpy()
    corner = np.exp(allowed.log_mtf50[:, ZONES.index("corner")])
    softer = np.exp(np.fmin(near, far))
    shown = half & ~out["moved"].to_numpy() & ~out["blurred"].to_numpy() & np.isfinite(corner)
    out.loc[shown, "expected_cpp"], out.loc[shown, "measured_cpp"] = corner[shown], softer[shown]
    out.loc[shown, "stderr_cpp"] = softer[shown] * error[shown] / np.sqrt(2)  # of one side alone
    out.loc[shown, "zone"] = ZONES.index("corner")
    out.loc[shown, "loss"] = 1 - softer[shown] / corner[shown]


def _one_way(out: pd.DataFrame, ratio: Floats, usable: Bools) -> Floats:
    """Ratio below which a frame moved; NaN where its lens has too few frames to compare with.

    Some scenes are softer in one direction of their own accord (rain, reeds, folds of rock), and so
    is a photographer's subject: what the sharper quarter of the lens's frames reaches is the measure.
    """
    known = usable & np.isfinite(ratio) & (out["lens_entry"].to_numpy() >= 0)
    usual = pd.Series(np.where(known, ratio, np.nan))
    group = usual.groupby([out["lens_entry"].to_numpy(), out["focal_range"].to_numpy()])
    reach = group.transform(lambda values: values.quantile(0.75)).to_numpy(float)
    enough = group.transform("count").to_numpy() >= ENOUGH_COMPANY
    return np.where(enough & known, ONE_WAY * np.minimum(reach / STILL, 1.0), np.nan)


def _middle(deviation: Floats, error: Floats, count: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Middle one of three zones, mean of two, the only one; and its error. NaN without any."""
    order = np.sort(deviation, axis=1)  # NaN last
    middle = np.where(
        count == 3, order[:, 1], np.where(count == 2, order[:, :2].mean(1), order[:, 0])
    )
    # The middle of three has about two thirds of one value's variance; zones share some error.
    squares = np.nansum(error**2, axis=1) / np.maximum(count, 1)
    shrink = np.array([1.0, 1.0, 0.75, 0.75])[count]
    return np.where(count > 0, middle, np.nan), np.sqrt(np.maximum(squares * shrink, 1e-6))


def _noise(out: pd.DataFrame, frames: pd.DataFrame, allowed: Allowed, usable: Bools,
           criteria: Criteria) -> None:  # fmt: skip
    mid, typical, white, black = _tones(frames)
    dark = usable & (white <= DARK_WHITE)
    limit = criteria.snr_acceptable
    # The frame's own mid-tone may speak against its body's table, by half a stop of noise.
    by_table = usable & (allowed.snr < limit) & ~(mid > limit * 1.41)
    own = usable & (mid < limit)
    buried = dark & (typical < limit)
    out["noisy"] = by_table | own | buried
    out["dark"], out["veiled"] = dark, usable & (black > LIFTED_BLACK)
    out["snr"] = np.where(np.isfinite(mid), mid, typical)
    out["snr_allowed"] = allowed.snr
    lowest = np.fmin(allowed.snr, np.where(buried, typical, mid))
    out["p_noisy"] = ndtr(np.log(limit / lowest) / 0.12)


def _tones(frames: pd.DataFrame) -> tuple[Floats, Floats, Floats, Floats]:
    """Signal to noise at the output size of the mid-tone and of the tone nearest the median signal,
    and log2 of the signals below which all but a five-hundredth and below which a fiftieth of the
    pixels lie; NaN where unmeasured."""
    out = np.full((4, len(frames)), np.nan)
    edges = np.asarray(SIGNAL_BIN_EDGES)
    tone = np.log2(TONE_SIGNALS)
    names = [*(f"{tone_column(s)}_sigma" for s in TONE_SIGNALS), *SHARE_COLUMNS]
    names = [n for n in (*names, "tone_output_scale") if n in frames]
    for first in range(0, len(frames), PIECE):
        part = frames[names].iloc[first : first + PIECE]
        here = slice(first, first + PIECE)
        scale = numbers(part, "tone_output_scale")
        scale = np.where(np.isfinite(scale), scale, 1.0)
        snr = np.column_stack(
            [s / (numbers(part, f"{tone_column(s)}_sigma") * scale) for s in TONE_SIGNALS]
        )
        shares = np.column_stack([numbers(part, c) for c in SHARE_COLUMNS])
        with np.errstate(invalid="ignore"):
            cumulative = np.cumsum(shares, axis=1)
            cumulative /= np.maximum(cumulative[:, -1:], 1e-12)
        seen = np.isfinite(cumulative).all(1)
        cumulative[~np.isfinite(cumulative)] = 1
        # Upper edge of the bin in which this share of the pixels is reached.
        white, half, black = (
            np.where(seen, edges[1:][np.argmax(cumulative >= share, axis=1)], np.nan)
            for share in (0.998, 0.5, 0.02)
        )
        nearest = np.argmin(np.abs(tone - np.nan_to_num(half, nan=-2.5)[:, None]), axis=1)
        out[0, here] = snr[:, TONE_SIGNALS.index(0.18)]
        out[1, here] = snr[np.arange(len(part)), nearest]
        out[2, here], out[3, here] = white, black
    return out[0], out[1], out[2], out[3]


def _causes(out: pd.DataFrame, frames: pd.DataFrame, allowed: Allowed, usable: Bools) -> None:
    stops, moved, blurred = (out[c].to_numpy() for c in ("stops", "moved", "blurred"))
    # Open apertures are a choice where light was short; with time to spare they were not needed.
    spare = stops < -SPARE_STOPS
    setting = out["setting"].to_numpy() & (allowed.small | (allowed.wide & spare))
    half = out["half"].to_numpy() & ~moved & ~blurred
    soft = moved | blurred | setting | half
    lean = out["lean"].to_numpy()
    loss = out["loss"].to_numpy()
    cause = np.full(len(frames), None, dtype=object)
    noisy, dark = out["noisy"].to_numpy(), out["dark"].to_numpy()
    iso = numbers(frames, "iso")
    cause[noisy] = "noise"  # of an ISO that is not known
    cause[noisy & (iso > LOW_ISO)] = "high ISO"
    cause[noisy & (iso <= LOW_ISO)] = "noise at a low ISO"
    cause[noisy & dark] = "underexposure"
    cause[setting & allowed.wide] = "open-aperture corners"
    cause[setting & allowed.small] = "too small an aperture"
    focus = blurred & ~moved
    cause[focus] = "missed focus"
    cause[(focus & (lean > 0.25)) | (half & (lean > 0))] = "focus in front"
    cause[(focus & (lean < -0.25)) | (half & (lean < 0))] = "focus behind"
    cause[focus & out["veiled"].to_numpy() & (loss < 0.5)] = "haze"
    unknown = focus & ~np.isfinite(out["ratio"].to_numpy()) & (stops > HANDHELD_STOPS + 1)
    cause[unknown] = "shake"
    # Movement in part of the frame, the rest as sharp as it can be, at a speed that holds still.
    subject = moved & ~blurred & (stops < -1.0) & (out["ratio"].to_numpy() > 0.6)
    cause[moved] = "shake"
    cause[subject & (lean != 0) & (np.abs(lean) > 0.25)] = "motion of the subject"
    out["soft"] = soft & usable
    out["cause"] = pd.Series(cause, index=out.index, dtype=object)
    out["direction_deg"] = numbers(frames, "direction_deg")
    probability = np.where(
        moved,
        out["p_moved"],
        np.where(
            blurred,
            out["p_blur"],
            np.where(half, out["p_half"], np.where(setting, out["p_setting"], 0)),
        ),
    )
    out["probability"] = np.fmax(probability, np.where(noisy, out["p_noisy"], 0))
    seconds = numbers(frames, "exposure_time_s")
    level = np.abs((out["direction_deg"].to_numpy() + 90) % 180 - 90) < 20
    panning = moved & level & (seconds > 1 / 250) & (stops < 4)
    out["maybe_deliberate"] = (
        (moved & (seconds >= 0.25)) | panning | ((focus | half) & (lean != 0) & allowed.wide)
    )


_BOTTOM: Final = {
    1: "bottom",
    2: "bottom",
    3: "top",
    4: "top",
    5: "right",
    6: "right",
    7: "left",
    8: "left",
}
_OPPOSITE: Final = {"bottom": "top", "top": "bottom", "left": "right", "right": "left"}


def _near_and_far(frames: pd.DataFrame) -> tuple[Floats, Floats, Floats]:
    """ln MTF50 of the lower and upper corners of the picture as held, and the difference's error.

    Below is near, as a rule.
    """
    orientation = np.nan_to_num(numbers(frames, "orientation"), nan=1.0).astype(int)
    told = {s: shown_sharpness(frames, s) for s in _OPPOSITE}
    with np.errstate(divide="ignore", invalid="ignore"):
        error = {s: stderr / mtf50 for s, (mtf50, stderr) in told.items()}
        value = {s: np.log(mtf50) for s, (mtf50, _) in told.items()}
    low, high, both = (np.full(len(frames), np.nan) for _ in range(3))
    for turn, bottom in _BOTTOM.items():
        here, top = orientation == turn, _OPPOSITE[bottom]
        low[here], high[here] = value[bottom][here], value[top][here]
        both[here] = np.hypot(error[bottom], error[top])[here]
    return low, high, both
