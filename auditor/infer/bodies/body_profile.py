"""The bodies of the profile: everything about noise and ISO that the frames support."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, TypedDict

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.bodies.bands import BANDS, Scenes, scenes_by_band
from auditor.infer.bodies.cells import PRIOR_FRAME_SD, gather
from auditor.infer.bodies.census import census
from auditor.infer.bodies.habits import LIFT_STOPS, find_habits, lifts
from auditor.infer.bodies.matches import LEAST_FRAMES, match_bodies
from auditor.infer.bodies.observe import (
    LONG_EXPOSURE_S,
    STEP_LIMIT,
    UNKNOWN_BODY,
    Tones,
    observe,
)
from auditor.infer.bodies.response import ISO_GRID, SIGNAL_GRID, NoiseModel, fit_noise
from auditor.infer.bodies.sensor import sensor_figures
from auditor.infer.bodies.visible import (
    BandNoise,
    band_noises,
    highest_isos,
    no_noise_seen,
    snr_by_iso,
    usable_iso,
)
from auditor.infer.criteria import Criteria
from auditor.model import (
    Band,
    Body,
    BodyKind,
    Habit,
    IsoMatch,
    KeptApart,
    LeftOut,
    Scale,
    Tone,
    Unseen,
)
from auditor.record import OUTPUT_MEGAPIXELS, TONE_SIGNALS
from auditor.record.values import words
from auditor.robust import group_medians, robust_location

__all__ = ["BodiesModel", "fit_bodies", "infer_bodies"]

Floats = NDArray[np.float64]

FIRM_FRAMES: Final = 5
"""Frames of measured noise from which on a limit is named in a headline,"""
FIRM_OUTINGS: Final = 2
"""and outings: fewer say more of one place and one light than of the body."""
_WIDE_FRAMES: Final = 10
"""Frames below which it is said that intervals are wide (common practice, no source)."""


@dataclass(frozen=True)
class BodiesModel:
    """What the archive says about every body's noise.

    `models`: one per body and kind of file; `main`: body -> the kind that the profile shows first
    (the one with most frames); `scenes`: kind -> band key -> typical frame.
    """

    models: dict[tuple[str, str], NoiseModel]
    main: dict[str, str]
    scenes: dict[str, dict[str, Scenes]]
    left_out: dict[str, dict[str, int]]
    spared: dict[tuple[str, str], int]
    """Frames of each body and kind that show noise and for which a sample stands."""
    long_exposures: dict[tuple[str, str], KeptApart]
    lifted: dict[tuple[str, str], KeptApart]
    frames_of: dict[str, int]
    pitch_of: dict[str, float]
    scales_of: dict[str, list[Scale]]
    frames_in_band: dict[tuple[str, str, str], int]
    criteria: Criteria

    def kinds(self, body: str) -> list[str]:
        """Kinds of file the body has a model for, the main one first."""
        first = self.main.get(body)
        rest = sorted(k for b, k in self.models if b == body and k != first)
        return [first, *rest] if first is not None else rest


def _output_scale(rows: Tones, criteria: Criteria) -> Floats:
    """Factor on sigma for the output size, per ISO_GRID: as measured, between ISO interpolated.

    Without a measured factor white noise is assumed: the root of the ratio of pixel counts.
    """
    _, first = np.unique(rows["frame"], return_index=True)
    scale = rows["scale"][first]
    known = ~np.isnan(scale)
    resize = np.sqrt(criteria.output_megapixels / OUTPUT_MEGAPIXELS)
    if known.any():
        step = rows["step"][first][known]
        steps = np.unique(step)
        by_step = [np.median(scale[known][step == s]) * resize for s in steps]
        out = np.interp(np.log2(ISO_GRID), np.log2(steps), by_step)
    else:
        pixels = rows["pixels_per_frame"][first]
        count = np.median(pixels[~np.isnan(pixels)]) if not np.isnan(pixels).all() else np.nan
        ratio = criteria.output_megapixels * 1e6 / count if count > 0 else 1.0
        out = np.full(len(ISO_GRID), np.sqrt(ratio))
    return np.asarray(np.minimum(out, 1.0))


def fit_bodies(
    frames: pd.DataFrame, criteria: Criteria | None = None, every: pd.DataFrame | None = None
) -> BodiesModel:
    """Fit every body and kind of file in a frame table.

    Args:
        frames: `record.COLUMNS` plus the columns of `crawl.relate`.
        every: all frames of the archive where `frames` are a part of it. Frames are counted in the
            part; noise and scenes are those of the whole archive.
    """
    criteria = criteria or Criteria()
    counted = census(frames.reset_index(drop=True))
    frames = (frames if every is None else every).reset_index(drop=True)
    # First what looks at every column, while the table of tones is not there yet.
    scenes = scenes_by_band(frames)
    if every is not None:
        body = pd.Series(words(frames, "body", UNKNOWN_BODY))
        frames = frames[body.isin(list(counted["frames_of"])).to_numpy(bool)]
    lifted = lifts(frames)
    seen = observe(frames, lifted.index[lifted["lift"] >= LIFT_STOPS])
    models: dict[tuple[str, str], NoiseModel] = {}
    long_exposures: dict[tuple[str, str], KeptApart] = {}
    lifted_files: dict[tuple[str, str], KeptApart] = {}
    for key, rows in seen.groups():
        long, pushed = rows["long_exposure"], rows["pushed"]
        apart = long | pushed
        usual = rows[~apart] if apart.any() else rows
        if not len(usual):
            left = seen.left_out.setdefault(key[0], {})
            text = "is a long exposure or was lifted in editing, as is every frame of its kind"
            left[text] = left.get(text, 0) + seen.held[key]
            continue
        models[key] = fit_noise(*key, gather(usual), _output_scale(usual, criteria))
        if long.any():
            long_exposures[key] = _apart(models[key], rows[long], criteria.interval)
            long_exposures[key]["from_s"] = LONG_EXPOSURE_S
        if (pushed & ~long).any():
            lifted_files[key] = _apart(models[key], rows[pushed & ~long], criteria.interval)
            lifted_files[key]["from_stops"] = LIFT_STOPS
    main: dict[str, str] = {}
    for body, kind in sorted(models, key=lambda k: -seen.held[k]):
        main.setdefault(body, kind)
    return BodiesModel(
        models=models,
        main=main,
        scenes=scenes,
        left_out=seen.left_out,
        spared=seen.spared,
        long_exposures=long_exposures,
        lifted=lifted_files,
        criteria=criteria,
        **counted,
    )


def _apart(model: NoiseModel, rows: Tones, share: float) -> KeptApart:
    """How much noisier frames kept apart are than the body's own figures at their ISO and signal;
    None where no noise could be measured in them."""
    count = len(np.unique(rows["frame"]))
    rows = rows[~rows["bounded"]]
    if not len(rows) or not len(model.cells.iso):
        return {"frames": count, "noise_ratio": None, "low": None, "high": None}
    at = [
        (ISO_GRID.index(min(max(int(i), ISO_GRID[0]), ISO_GRID[-1])), SIGNAL_GRID.index(s))
        for i, s in zip(rows["step"], rows["signal"], strict=True)
    ]
    expected = np.array([model.log_sigma[a] for a in at])
    frame = np.unique(rows["frame"], return_inverse=True)[1]
    ratio = robust_location(group_medians(rows["log_sigma"] - expected, frame), PRIOR_FRAME_SD)
    low, high = np.exp(ratio.bounds(share)).tolist() if ratio.count > 1 else (None, None)
    return {
        "frames": ratio.count,
        "noise_ratio": float(np.exp(ratio.value)),
        "low": low,
        "high": high,
    }


class BodyFigures(TypedDict):
    """What the profile holds of bodies."""

    bodies: list[Body]
    iso_matches: list[IsoMatch]
    habits: list[Habit]


def infer_bodies(
    frames: pd.DataFrame,
    criteria: Criteria | None = None,
    model: BodiesModel | None = None,
    every: pd.DataFrame | None = None,
) -> BodyFigures:
    """The profile's `bodies`, `iso_matches` and `habits`.

    Args:
        frames: `record.COLUMNS` plus the columns of `crawl.relate`.
        model: a fitted `BodiesModel` of the same frames, where one is at hand.
        every: as `fit_bodies` takes it.
    """
    criteria = criteria or Criteria()
    frames = frames.reset_index(drop=True)
    model = model or fit_bodies(frames, criteria, every)
    sensors = sensor_figures(frames if every is None else every, criteria.interval, criteria.seed)
    looks = {
        (body, kind): band_noises(noise, model.scenes.get(kind, {}))
        for (body, kind), noise in model.models.items()
    }
    bodies: list[Body] = []
    excellent: dict[tuple[str, str], float | None] = {}
    for body in sorted(model.frames_of):
        kinds = model.kinds(body)
        left_out: list[LeftOut] = [
            {"reason": r, "frames": n} for r, n in sorted(model.left_out.get(body, {}).items())
        ]
        described = [_describe(model, body, kind, looks[body, kind]) for kind in kinds]
        entry: Body = {
            "body": body, "frames": model.frames_of[body], "pixel_pitch_um": model.pitch_of.get(body),
            "scales": model.scales_of.get(body, []), "kind": None, "tones": [], "brightness": [],
            "other_kinds": described[1:], "sensor": sensors.get(body), "left_out": left_out,
        }  # fmt: skip
        if described:
            entry = {**entry, **described[0]}
            for band in described[0]["brightness"]:
                excellent[body, band["key"]] = band["usable_iso"]["excellent"]
        bodies.append(entry)
    mains = [model.models[b, k] for b, k in sorted(model.main.items())]
    mains += [m for (b, k), m in sorted(model.models.items()) if k != model.main[b]]
    return {
        "bodies": bodies,
        "iso_matches": match_bodies(mains, looks, criteria.interval),
        "habits": find_habits(frames, excellent, criteria.interval),
    }


def _describe(model: BodiesModel, body: str, kind: str, looks: Mapping[str, BandNoise]) -> BodyKind:
    """Tones, brightness and notes of one body in one kind of file."""
    noise = model.models[body, kind]
    cells = noise.cells
    notes: list[str] = []
    # Where no noise is seen at all, what is told rests on all frames.
    telling = (
        (cells.measured_frames, cells.measured_units)
        if len(cells.iso)
        else (cells.frame_count, cells.unit_count)
    )
    firm = telling[0] >= FIRM_FRAMES and telling[1] >= FIRM_OUTINGS
    if kind in ("edited", "camera", "unknown"):
        notes.append("noise reduction and development are part of what was measured")
    if cells.frame_count < _WIDE_FRAMES:
        notes.append(f"only {_count(cells.frame_count)}: the intervals are wide")
    if not firm:
        notes.append(
            f"its limits stay out of headlines: those need {FIRM_FRAMES} frames"
            f"{' that show noise' if len(cells.iso) else ''}, of {FIRM_OUTINGS} outings"
        )
    unseen = no_noise_seen(noise)
    if unseen:
        notes.append(
            f"{_isos(unseen)}: no noise could be seen, in {_count(sum(u['frames'] for u in unseen))}"
        )
    if cells.frame_count < LEAST_FRAMES:
        notes.append(f"not held against other bodies: that needs {LEAST_FRAMES} frames or more")
    spared = model.spared.get((body, kind), 0)
    if spared:
        notes.append(
            f"{spared:,} more frames were not needed: of one ISO value {STEP_LIMIT:,} chosen by "
            "chance stand for all"
        )
    lowest = noise.isos[0]
    if noise.base_iso > lowest:
        notes.append(
            f"ISO {lowest} is no cleaner than ISO {noise.base_iso:g}: below the sensor's base"
        )
    return {
        "kind": kind,
        "frames_used": cells.frame_count,
        "frames_measured": cells.measured_frames,
        "outings": cells.unit_count,
        "limits_firm": firm,
        "no_noise_seen": unseen,
        "tones": _tones(noise, model.criteria.interval),
        "brightness": _brightness(model, noise, looks),
        "full_scale_e": noise.physics.full_scale_e if len(cells.iso) else None,
        "long_exposures": model.long_exposures.get((body, kind)),
        "lifted_files": model.lifted.get((body, kind)),
        "output_megapixels": model.criteria.output_megapixels,
        "notes": notes,
    }


def _count(frames: int) -> str:
    return "one frame" if frames == 1 else f"{frames} frames"


def _isos(unseen: list[Unseen]) -> str:
    named = [str(u["iso"]) for u in unseen]
    return "ISO " + (named[0] if len(named) == 1 else f"{', '.join(named[:-1])} and {named[-1]}")


def _tones(noise: NoiseModel, share: float) -> list[Tone]:
    cells, limits = noise.cells, noise.cells.limits
    told = bool(len(cells.iso))
    frames = dict(zip(zip(cells.iso, cells.signal, strict=True), cells.frames, strict=True))
    bounds = dict(
        zip(
            zip(limits.iso, limits.signal, strict=True),
            zip(np.exp(limits.log_sigma).tolist(), limits.frames, strict=True),
            strict=True,
        )
    )
    log_snrs = np.log(SIGNAL_GRID) - noise.log_sigma
    halves = noise.half_width(np.diagonal(noise.covariance, axis1=1, axis2=2), share)
    snr, low, high = (np.exp(log_snrs + n * halves) for n in (0, -1, 1))
    out: list[Tone] = []
    for iso, signal in itertools.product((i for i in noise.isos if i in ISO_GRID), TONE_SIGNALS):
        at = ISO_GRID.index(iso), SIGNAL_GRID.index(signal)
        bound, bounding = bounds.get((iso, signal), (None, 0))
        proven = None if bound is None else signal / bound
        out.append(
            {
                "iso": iso,
                "signal": signal,
                "snr": float(snr[at]) if told else None,
                "low": float(low[at]) if told else proven,
                "high": float(high[at]) if told else None,
                "frames": int(frames.get((iso, signal), 0)),
                "snr_output": float(snr[at] / noise.output_scale[at[0]]) if told else None,
                "predicted": (iso, signal) not in frames,
                "frames_at_most": int(bounding),
                "snr_at_least": proven,
            }
        )
    return out


def _brightness(
    model: BodiesModel, noise: NoiseModel, looks: Mapping[str, BandNoise]
) -> list[Band]:
    criteria, of_kind = model.criteria, model.scenes.get(noise.kind, {})
    snrs = criteria.snr_excellent, criteria.snr_acceptable
    out: list[Band] = []
    for band in BANDS:
        if band.key not in looks:
            continue
        scenes, look = of_kind[band.key], looks[band.key]
        found = highest_isos(noise, look, snrs, criteria.interval)
        frames = model.frames_in_band.get((noise.body, noise.kind, band.key), 0)
        excellent, acceptable = (usable_iso(noise, found[:, j], s) for j, s in enumerate(snrs))
        out.append(
            {
                "ev100": list(band.ev100),
                "key": band.key,
                "band": band.name,
                "frames": frames,
                "usable_iso": {"excellent": excellent[0], "acceptable": acceptable[0]},
                "usable_iso_detail": {"excellent": excellent[1], "acceptable": acceptable[1]},
                "signals": dict(zip(("q25", "median", "q75"), scenes.quartiles, strict=True)),
                "by_iso": snr_by_iso(noise, look, criteria.interval),
            }
        )
    return out
