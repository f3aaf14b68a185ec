"""What a frame shows of itself: how far each direction falls short of what its lens allows there; and what its settings
allowed: the lens's curve at its aperture, and the body's noise at its ISO.

Blurs add by their squares, so what is missing is counted in 1 / MTF50^2 (px^2): the blur of the sharpest
edges facing one way, less that of the lens at this aperture (its curve where the archive gives one, a
perfect lens elsewhere). Objects are softer than steps, in some archives more than in others: the frames of
the same lens, body and kind of file tell how much of it is usual, and other frames of one scene what is the
scene's: that each of several missed focus is less likely than that nothing there is sharp.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.exposure import F_NUMBERS
from auditor.infer.bodies.habits import SPARE_STOPS
from auditor.infer.criteria import Criteria
from auditor.infer.frame_values import scene_ev100, shutter_stops
from auditor.infer.lenses.grouping import ENOUGH, PITCHES_UM, rows_of_lenses, within_range
from auditor.infer.lenses.scene_groups import scenes_of
from auditor.optics import mtf50
from auditor.record import DIRECTIONS, ZONES
from auditor.record.pools import pools
from auditor.record.values import flags, name_combinations, numbers, rows_by_names, words

__all__ = [
    "CAUSE_FEATURES",
    "FAST_STOPS",
    "FEATURES",
    "SUPPORTED_STOPS",
    "allowed_by_settings",
    "frame_evidence",
]

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


Rows = NDArray[np.int64]
Block = Mapping[str, Any]
Columns = dict[str, NDArray[Any]]

SAME_APERTURE: Final = 0.09
"""Difference of log2 f-number within which two apertures are one, written differently: half a third of a
stop, as f/3.3 and f/3.5 are, and a little for rounding."""
OPEN_SHARE: Final = 0.58
"""An open aperture is usually a choice, of look or of light: it is named only where the weaker zone
keeps less than this share of what is acceptable, about a third of the lens's best."""


def allowed_by_settings(
    frames: pd.DataFrame, lenses: Sequence[Block], bodies: Sequence[Block], criteria: Criteria
) -> pd.DataFrame:
    """Match every frame to its lens's curve and its body's noise in the profile.

    Curves are interpolated over stops of aperture, noise over stops of ISO; past the highest ISO tabled SNR
    falls by half a stop for every stop of ISO (photon noise).

    Parameters
    ----------
    frames : DataFrame
        Frame table: names of gear, `lens_serial`, `f_number`, `focal_length_mm`, `pixel_pitch_um`, `iso`,
        `ev100`, `flash`, `source` and the columns of `record.pools`.
    lenses, bodies : sequence of mapping
        Entries of the profile.
    criteria : Criteria
        Thresholds.

    Returns
    -------
    DataFrame
        A row per frame; NaN or -1 where the profile does not cover it, or on thin evidence of few frames only.
        `log_mtf50`: ln MTF50 (c/px) that the lens gives at this aperture where it is sharpest; `sweet_spot`: its best
        aperture, and `log_weaker_best`: the weaker of centre and corner there; `wide`, `small`: the frame's aperture
        costs more than it may on that side; `snr_allowed`: signal to noise that a
        typical frame of this brightness shows at this ISO, at the output size; `lens_entry`, `focal_range`: positions
        in the profile.
    """
    n = len(frames)
    figures = ("log_mtf50", "log_weaker_best", "sweet_spot", "snr_allowed")
    out: Columns = {name: np.full(n, np.nan) for name in figures}
    out |= {name: np.full(n, -1) for name in ("lens_entry", "focal_range")}
    out |= {"wide": np.zeros(n, bool), "small": np.zeros(n, bool)}
    focal = numbers(frames, "focal_length_mm")
    with np.errstate(divide="ignore", invalid="ignore"):
        stops, log_iso = np.log2(numbers(frames, "f_number")), np.log2(numbers(frames, "iso"))
    for i, rows in enumerate(rows_of_lenses(frames, lenses)):
        out["lens_entry"][rows] = i
        for j, part in enumerate(lenses[i]["focal_ranges"]):
            ends = part["focal_mm"]
            here = rows if ends is None else rows[within_range(ends, focal[rows])]
            out["focal_range"][here] = j
            _one_range(out, here, stops[here], part, criteria)
    _noise(out["snr_allowed"], frames, log_iso, bodies)
    return pd.DataFrame(out)


def _one_range(out: Columns, rows: Rows, x: Floats, part: Block, criteria: Criteria) -> None:
    """What the curve of a range allows frames at apertures of `x` (log2)."""
    thin = part.get("evidence") == "thin"
    # A curve of a few is what these show, but even a rough one of many is nearer to a lens than a perfect one
    # is: of 12 to 23 frames it judged worse, of 74 to 83 better.
    if thin and (part.get("frames") or 0) < ENOUGH:
        return
    curves = {}
    for zone in ZONES:
        known = [a for a in part["apertures"] if a.get(zone)]
        if not known:
            continue
        at = np.log2([a["f_number"] for a in known])
        value = np.log([a[zone]["mtf50_cpp"] for a in known])
        inside = (x >= at[0] - SAME_APERTURE) & (x <= at[-1] + SAME_APERTURE)
        curves[zone] = np.interp(x, at, value), at, value
        here = rows[inside]
        out["log_mtf50"][here] = np.fmax(out["log_mtf50"][here], curves[zone][0][inside])
    sweet = part.get("sweet_spot")
    if thin or sweet is None or not {"centre", "corner"} <= set(curves):
        return  # nobody is advised to leave an aperture on thin evidence
    both = [curves[zone] for zone in ("centre", "corner")]
    best_at = np.log2(sweet["f_number"])
    best = min(float(np.interp(best_at, at, value)) for _, at, value in both)
    out["log_weaker_best"][rows], out["sweet_spot"][rows] = best, sweet["f_number"]
    ends = part.get("acceptable")
    if not ends:
        return
    # None inside the acceptable range is blamed.
    below, above = x < np.log2(ends[0]) - SAME_APERTURE, x > np.log2(ends[1]) + SAME_APERTURE
    # An open aperture is often chosen for its look or its light: only a heavy loss is named.
    weaker = np.minimum(*(drawn for drawn, *_ in both))
    out["wide"][rows] = below & (weaker - best < np.log(criteria.acceptable * OPEN_SHARE))
    out["small"][rows] = above


def _noise(snr: Floats, frames: pd.DataFrame, log_iso: Floats, bodies: Sequence[Block]) -> None:
    light = scene_ev100(frames)
    rows_of = rows_by_names(frames, ("body",))
    for entry in bodies:
        rows = np.asarray(rows_of.get((entry["body"],), []), dtype=np.int64)
        for band in entry["brightness"]:
            if not band["by_iso"]:
                continue
            here = rows[(light[rows] >= band["ev100"][0]) & (light[rows] < band["ev100"][1])]
            at, value = np.log2([(s["iso"], s["snr"]) for s in band["by_iso"]]).T
            x = log_iso[here]
            # Beyond the highest ISO tabled, photons: half a stop of SNR for every stop of ISO.
            snr[here] = 2 ** (np.interp(x, at, value) - np.clip(x - at[-1], 0, None) / 2)
