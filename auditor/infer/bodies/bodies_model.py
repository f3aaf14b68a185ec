"""Noise models of all bodies of an archive, fitted."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.bodies.bands import BAND_KEYS, BANDS, Scenes, band_numbers, scenes_by_band
from auditor.infer.bodies.cells import PRIOR_SD, gather
from auditor.infer.bodies.habits import LIFT_STOPS, lifts
from auditor.infer.bodies.observe import (
    LONG_EXPOSURE_S,
    UNKNOWN_BODY,
    Tones,
    observe,
)
from auditor.infer.bodies.response import ISO_GRID, SIGNAL_GRID, NoiseModel, fit_noise
from auditor.infer.comparisons.labels import several_exposures
from auditor.infer.criteria import Criteria
from auditor.infer.frame_values import scene_ev100
from auditor.model import (
    KeptApart,
    Scale,
)
from auditor.record import OUTPUT_MEGAPIXELS
from auditor.record.pools import EXPORTS
from auditor.record.values import flags, numbers, words
from auditor.robust import group_medians, robust_location

__all__ = ["BodiesModel", "census", "fit_bodies"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class BodiesModel:
    """What the archive says about every body's noise.

    Attributes
    ----------
    models : dict
        (body, kind of file) -> `NoiseModel`.
    main : dict
        Body -> the kind of file that the profile shows first: the one with most frames.
    scenes : dict
        Kind of file -> band key -> `Scenes`, the typical frame.
    left_out : dict
        Body -> reason in plain words -> count of frames that say nothing of its noise.
    long_exposures : dict
        (body, kind) -> how much noisier long exposures are.
    frames_of : dict
        Body -> measured frames.
    pitch_of : dict
        Body -> the sensor's pixel pitch, micrometres.
    scales_of : dict
        Body -> kinds of file and their pixel pitches, the commonest first.
    frames_in_band : dict
        (body, kind, band key) -> frames.
    long_in_band : dict
        (body, kind, band key) -> those of them that are long exposures, for which no limit holds.
    criteria : Criteria
        Thresholds with which it was fitted.
    """

    models: dict[tuple[str, str], NoiseModel]
    main: dict[str, str]
    scenes: dict[str, dict[str, Scenes]]
    left_out: dict[str, dict[str, int]]
    long_exposures: dict[tuple[str, str], KeptApart]
    frames_of: dict[str, int]
    pitch_of: dict[str, float]
    scales_of: dict[str, list[Scale]]
    frames_in_band: dict[tuple[str, str, str], int]
    long_in_band: dict[tuple[str, str, str], int]
    criteria: Criteria


def _output_scale(rows: Tones, criteria: Criteria) -> Floats:
    """Factor on sigma for the output size, per ISO_GRID: as measured, between ISO interpolated.

    Without a measured factor white noise is assumed: the root of the ratio of pixel counts.
    """
    _, first = np.unique(rows["frame"], return_index=True)
    scale = rows["scale"][first]
    measured = pd.Series(scale).groupby(rows["step"][first]).median().dropna()
    if len(measured):
        resize = np.sqrt(criteria.output_megapixels / OUTPUT_MEGAPIXELS)
        out = np.interp(np.log2(ISO_GRID), np.log2(measured.index), measured * resize)
    else:
        pixels = pd.Series(rows["pixels_per_frame"][first]).median()
        ratio = criteria.output_megapixels * 1e6 / pixels if pixels > 0 else 1.0
        out = np.full(len(ISO_GRID), np.sqrt(ratio))
    return np.asarray(np.minimum(out, 1.0))


def fit_bodies(
    frames: pd.DataFrame, criteria: Criteria | None = None, archive: pd.DataFrame | None = None
) -> BodiesModel:
    """Noise model of every body and kind of file in a frame table.

    Tones (`observe`) are pooled into robust cell means (`gather`), and a Gaussian process about the physics
    is conditioned on these (`fit_noise`). Long exposures are excluded from
    the fit, and their noise is given as a ratio to the model's.

    Parameters
    ----------
    frames : DataFrame
        Frame table: `record.COLUMNS` and the columns of `crawl.relate`.
    criteria : Criteria, optional
        Thresholds; the default ones where None.
    archive : DataFrame, optional
        All frames of the archive where `frames` are a part of it. Frames are counted in the part; noise and
        scenes are those of the whole archive, of the bodies that occur in the part.

    Returns
    -------
    BodiesModel
        Empty dictionaries where no frame says anything.
    """
    criteria = criteria or Criteria()
    counted = census(frames.reset_index(drop=True))
    frames = (frames if archive is None else archive).reset_index(drop=True)
    # First what looks at every column, while the table of tones is not there yet.
    scenes = scenes_by_band(frames)
    if archive is not None:
        body = pd.Series(words(frames, "body", UNKNOWN_BODY))
        frames = frames[body.isin(list(counted["frames_of"])).to_numpy(bool)]
    lifted = lifts(frames)
    observations = observe(frames, lifted.index[lifted["lift"] >= LIFT_STOPS])
    models: dict[tuple[str, str], NoiseModel] = {}
    long_exposures: dict[tuple[str, str], KeptApart] = {}
    for key, rows in observations.groups():
        long = rows["long_exposure"]
        usual = rows[~long] if long.any() else rows
        if not len(usual):
            reasons = observations.left_out.setdefault(key[0], {})
            text = "is a long exposure, as is every frame of its kind"
            reasons[text] = reasons.get(text, 0) + observations.usable[key]
            continue
        models[key] = fit_noise(*key, gather(usual), _output_scale(usual, criteria))
        if long.any():
            long_exposures[key] = _noise_ratio(models[key], rows[long], criteria.interval)
    main: dict[str, str] = {}
    for body, kind in sorted(models, key=lambda k: -observations.usable[k]):
        main.setdefault(body, kind)
    return BodiesModel(
        models=models,
        main=main,
        scenes=scenes,
        left_out=observations.left_out,
        long_exposures=long_exposures,
        criteria=criteria,
        **counted,
    )


def _noise_ratio(model: NoiseModel, rows: Tones, share: float) -> KeptApart:
    """How much noisier frames kept apart are than the body's own figures at their ISO and signal;
    None where no noise could be measured in them."""
    out: KeptApart = {
        "frames": len(np.unique(rows["frame"])), "noise_ratio": None, "low": None, "high": None,
        "from_s": LONG_EXPOSURE_S,
    }  # fmt: skip
    rows = rows[~rows["censored"]]
    if not len(rows) or not model.cells.measured_frames:
        return out
    iso = np.searchsorted(ISO_GRID, np.clip(rows["step"], ISO_GRID[0], ISO_GRID[-1]))
    signal = np.array([SIGNAL_GRID.index(s) for s in rows["signal"]])
    # Frames of an outing share an error: each outing counts once.
    outing = np.unique(rows["unit"], return_inverse=True)[1]
    excess = rows["log_sigma"] - model.log_sigma[iso, signal]
    ratio = robust_location(group_medians(excess, outing), PRIOR_SD)
    out |= {
        "frames": len(np.unique(rows["frame"])),
        "noise_ratio": math.exp(ratio.value),
        "outings": ratio.count,
    }
    if ratio.count > 1:
        low, high = ratio.bounds(share)
        out |= {"low": math.exp(low), "high": math.exp(high)}
    return out


def census(frames: pd.DataFrame) -> dict[str, Any]:
    """Which bodies there are, and how often they occur.

    Parameters
    ----------
    frames : DataFrame
        Columns `status`, `body`, `source`, `pixel_pitch_um` and, where known, `sensor_pixel_um`, `file_kind`,
        `ev100`, `exposure_time_s`, `flash`, `best`, `software`.

    Returns
    -------
    dict
        `frames_of`, `pitch_of` and `scales_of` by body, `frames_in_band` and `long_in_band` by body, kind
        and band key: as `BodiesModel` has them.
    """
    names = ("body", "source", "file_kind")
    table = pd.DataFrame({n: words(frames, n, "unknown") for n in names}, dtype=object)
    table["body"] = words(frames, "body", UNKNOWN_BODY)
    table["band"] = band_numbers(scene_ev100(frames))
    table.loc[several_exposures(frames), "band"] = len(BANDS)  # no limit of single frames holds
    table["long"] = numbers(frames, "exposure_time_s") >= LONG_EXPOSURE_S
    table["pitch"] = numbers(frames, "pixel_pitch_um")
    table["sensor"] = numbers(frames, "sensor_pixel_um")
    table = table[flags(frames, "best", True) & (words(frames, "status") == "measured")]
    in_band = table.groupby(["body", "source", "band"])["long"]
    # Where the sensor's size is not known, that of its commonest files which nobody reduced; never a mean, which
    # would fit none.
    own = (table["source"] != EXPORTS) & (table["file_kind"] != "camera reduced")
    by_files = _commonest(table["body"], table["pitch"].where(own))
    return {
        "frames_of": {str(b): int(n) for b, n in table["body"].value_counts().items()},
        "pitch_of": by_files | _commonest(table["body"], table["sensor"]),
        "scales_of": _scales(table),
        "frames_in_band": _by_band(in_band.size()),
        "long_in_band": _by_band(in_band.sum()),
    }


def _by_band(counts: pd.Series) -> dict[tuple[str, str, str], int]:
    return {(str(b), str(k), BAND_KEYS[i]): int(n) for (b, k, i), n in counts.items()}  # type: ignore[misc]


def _commonest(body: pd.Series, value: pd.Series) -> dict[str, float]:
    """The commonest value of each body, the largest where several are."""
    counts = pd.DataFrame({"body": body, "value": value}).value_counts().reset_index()
    last = counts.sort_values(["count", "value"]).drop_duplicates("body", keep="last")
    return dict(zip(last["body"].astype(str), last["value"].astype(float), strict=True))


def _scales(table: pd.DataFrame) -> dict[str, list[Scale]]:
    """Kinds of file and their scales by body, the commonest first."""
    counts = table.groupby(["body", "file_kind", table["pitch"].round(2)]).size()
    out: dict[str, list[Scale]] = {}
    for (b, k, p), n in counts.sort_values(ascending=False, kind="stable").items():  # type: ignore[misc]
        entry: Scale = {"file_kind": str(k), "pixel_pitch_um": float(p), "frames": int(n)}
        out.setdefault(str(b), []).append(entry)
    return out
