"""What a frame shows of itself: how far each direction falls short of what its lens allows there.

Blurs add by their squares, so what is missing is counted in 1 / MTF50^2 (px^2): the blur of the sharpest
edges facing one way, less that of the lens at this aperture (its curve where the archive gives one, a
perfect lens elsewhere). Objects are softer than steps, in some archives more than in others: the frames of
the same lens, body and kind of file tell how much of it is usual, and other frames of one scene what is the
scene's: that each of several missed focus is less likely than that nothing there is sharp.
"""

from __future__ import annotations

import warnings
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.exposure import F_NUMBERS
from auditor.infer.bodies.habits import SPARE_STOPS
from auditor.infer.frame_values import shutter_stops
from auditor.infer.lenses.grouping import PITCHES_UM
from auditor.infer.lenses.scene_groups import scenes_of
from auditor.optics import mtf50
from auditor.record import DIRECTIONS
from auditor.record.pools import pools
from auditor.record.values import flags, name_combinations, numbers, words

__all__ = ["CAUSE_FEATURES", "FAST_STOPS", "FEATURES", "SUPPORTED_STOPS", "frame_evidence"]

Floats = NDArray[np.float64]

FEATURES: Final = ("softness", "softest", "mates", "slow", "streaks", "fineness")
CAUSE_FEATURES: Final = ("one_way", "stops", "streaks")
FLOOR_PX2: Final = 10.0
"""Blur (px^2 of 1 / MTF50^2) below which differences are noise of the measurement and the objects' own:
about that of a sharp camera JPEG, MTF50 0.31 c/px. Chosen among 1 to 20 on half of the photographs seen."""
USUAL_QUANTILE: Final = 0.3
"""Quantile of a group's deficit that stands for frames without a fault: up to two thirds may have failed."""
USUAL_PX2: Final = (9.0, 13.0)
"""Deficit of frames without a fault where a group says nothing: in the mean and in the softest direction."""
USUAL_FRAMES: Final = 40.0
"""So many frames of a group count as much as `USUAL_PX2`."""
PIXEL_MTF50: Final = 0.603
"""MTF50 (c/px) of a square pixel alone: sinc(f) = 1/2."""
STOPS_RANGE: Final = (-6.0, 2.0)
"""Shutter against 1 / focal length beyond which a stop more says nothing more: from two stops slower on
cameras are steadied."""
SUPPORTED_STOPS: Final = 4.0
"""Slower than this a camera stood on something (common practice, no source): its time is no risk."""
UNKNOWN_STOPS: Final = -1.0
"""For frames without a shutter time, or of a sensor of unknown size: between the risk of a hand and none."""
FAST_STOPS: Final = -3.0
"""So much faster than 1 / focal length a hand shakes no frame (common practice, no source). A flash is taken to
be as fast: its light lasts a thousandth of a second or less (common practice, no source). The lamp of a
telephone lasts longer."""
MATES: Final = 2
"""Other frames of a scene from which it is known how soft its objects are themselves."""
USUAL_FINENESS: Final = 0.46
"""Median of the photographs seen and of those behind known optics; for frames without fine texture."""
USUAL_STREAKS: Final = 0.36
"""Median of the photographs seen; for frames with too little texture to tell."""
MOST_STREAKS: Final = 3.0
"""Streaks (scatters of single windows) beyond which more says nothing more: more than three times what nine in
ten sharp photographs stay under. A limit of 2 separated a little worse, of 4 the same."""


def frame_evidence(frames: pd.DataFrame, allowed: pd.DataFrame) -> pd.DataFrame:
    """One row per frame, same order.

    Parameters
    ----------
    frames : DataFrame
        Frame table with the columns of `DIRECTIONS`, settings, `streaks` and `fineness`.
    allowed : DataFrame
        From `allowed_by_settings`.

    Returns
    -------
    DataFrame
        `FEATURES` and `CAUSE_FEATURES` of the model; `rule_stops`, `shutter_stops` as they are; `level_cpp`,
        `softest_cpp`, `sharpest_cpp`: MTF50 of the sharp ends in the mean of the directions, in the softest and
        in the sharpest of them; `usual_cpp`, `usual_softest_cpp`: the same of frames without a fault of this lens
        at this aperture; `direction_deg` of the softest; `directions`, how many could be measured. NaN where nothing was.
    """
    level = np.column_stack([numbers(frames, f"{d}_cpp") for d in DIRECTIONS])
    directions = np.isfinite(level).sum(axis=1)
    # Frames of few edges, as blurred ones are: their sharpest place is taken for all directions.
    place = numbers(frames, "sharpest_mtf50_cpp")
    level = np.where((directions == 0)[:, None], place[:, None], level)
    with np.errstate(divide="ignore", invalid="ignore"):
        inverse = level**-2.0
    lens = _lens_px2(frames, allowed["log_mtf50"].to_numpy())
    log_excess = np.log(np.maximum(inverse - lens[:, None], 0.0) + FLOOR_PX2)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # rows without any direction
        deficit = np.column_stack([np.nanmean(log_excess, axis=1), np.nanmax(log_excess, axis=1)])
        one_way = deficit[:, 1] - np.nanmin(log_excess, axis=1)
        sharpest, softest = np.nanmax(level, axis=1), np.nanmin(level, axis=1)
        mean = np.exp(np.nanmean(np.log(level), axis=1))
    usual = _usual_deficit(frames, deficit)
    rule_stops = shutter_stops(frames)
    stops = np.where(np.isfinite(rule_stops), rule_stops, UNKNOWN_STOPS)
    stops[flags(frames, "flash", False)] = FAST_STOPS
    by_hand = np.where(stops <= SUPPORTED_STOPS, stops, UNKNOWN_STOPS)
    streaks, fineness = numbers(frames, "streaks"), numbers(frames, "fineness")
    by_direction = np.where(np.isfinite(level), level, np.inf)
    usual_cpp = 1 / np.sqrt(np.exp(usual) - FLOOR_PX2 + lens[:, None])
    return pd.DataFrame({
        "softness": deficit[:, 0] - usual[:, 0],
        "softest": deficit[:, 1] - usual[:, 1],
        "mates": _scene_softness(frames, deficit[:, 0] - usual[:, 0]),
        "slow": np.clip(by_hand, -SPARE_STOPS, STOPS_RANGE[1]) + SPARE_STOPS,
        "streaks": np.clip(np.where(np.isfinite(streaks), streaks, USUAL_STREAKS), 0.0, MOST_STREAKS),
        "fineness": np.where(np.isfinite(fineness), fineness, USUAL_FINENESS),
        "one_way": one_way,
        # Of a frame that is blurred a long exposure is the likelier reason on a support, too.
        "stops": np.clip(stops, *STOPS_RANGE),
        "rule_stops": rule_stops,
        "level_cpp": mean,
        "softest_cpp": softest,
        "sharpest_cpp": sharpest,
        "usual_cpp": usual_cpp[:, 0],
        "usual_softest_cpp": usual_cpp[:, 1],
        "direction_deg": np.where(
            directions > 1, np.array(list(DIRECTIONS.values()))[by_direction.argmin(axis=1)], np.nan
        ),
        "directions": directions,
    })  # fmt: skip


def _lens_px2(frames: pd.DataFrame, log_mtf50: Floats) -> Floats:
    """1 / MTF50^2 (px^2) of the lens where it is sharpest: by its curve, else of a perfect one."""
    curve = np.exp(-2 * log_mtf50)
    f_number, pitch = numbers(frames, "f_number"), numbers(frames, "pixel_pitch_um")
    known = (f_number >= F_NUMBERS[0]) & (pitch > PITCHES_UM[0])
    perfect = np.full(len(frames), PIXEL_MTF50**-2)
    # Pairs as complex numbers, which are sorted more quickly than rows.
    pairs, place = np.unique(
        np.round(f_number[known], 2) + 1j * np.round(pitch[known], 2), return_inverse=True
    )
    perfect[known] = mtf50(pairs.real, pairs.imag)[place] ** -2.0
    return np.where(np.isfinite(curve), curve, perfect)


def _gear(frames: pd.DataFrame) -> NDArray[np.int64]:
    """Body, lens and converter by number."""
    return name_combinations(frames, ("body", "lens", "converter"))[0]


def _scene_softness(frames: pd.DataFrame, softness: Floats) -> Floats:
    """Softness, where positive, of the sharpest other frame of the same scene by the same lens; 0 where a scene
    has fewer than `MATES` others. Of few the chance is larger that all failed together: of n others it counts
    for n / (n + 1) (Laplace's rule of succession).
    """
    scene = scenes_of(frames, _gear(frames))
    table = pd.DataFrame({"group": scene, "softness": softness}).dropna()
    table = table.sort_values("softness")
    place = table.groupby("group").cumcount()
    first = table["softness"].groupby(table["group"]).transform("first")
    second = table["softness"].where(place == 1).groupby(table["group"]).transform("max")
    count = table["softness"].groupby(table["group"]).transform("size")
    other = first.where(place > 0, second).where(count > MATES, 0.0) * (count - 1) / count
    return np.maximum(other, 0.0).reindex(range(len(frames)), fill_value=0.0).to_numpy(float)


def _usual_deficit(frames: pd.DataFrame, deficit: Floats) -> Floats:
    """Deficit of frames without a fault of the same lens, body, kind and size of file (ln px^2, shape of
    `deficit`): a low quantile of the group, shrunk to a prior.
    """
    prior = np.log(np.array(USUAL_PX2) + FLOOR_PX2)
    # Sizes within a fifth are one: cut-outs of a frame hold the same pixels.
    pixels = np.maximum(numbers(frames, "width_px") * numbers(frames, "height_px"), 1)
    size = np.nan_to_num(np.round(2 * np.log2(pixels)))
    keys = pd.DataFrame(
        {"gear": _gear(frames), "pool": pd.factorize(pools(frames))[0], "size": size}
    )
    best = words(frames, "status") == "measured"
    group = keys.groupby(list(keys), sort=False).ngroup().to_numpy()
    out = np.empty_like(deficit)
    for i in range(2):
        known = pd.Series(np.where(best, deficit[:, i], np.nan)).groupby(group)
        count = known.transform("count").to_numpy(float)
        own = known.transform("quantile", USUAL_QUANTILE).to_numpy(float)
        out[:, i] = (count * np.nan_to_num(own) + USUAL_FRAMES * prior[i]) / (count + USUAL_FRAMES)
    return out
