"""The bodies of the profile: everything about noise and ISO that the frames support."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from typing import Final, TypedDict

import numpy as np
import pandas as pd

from auditor.infer.bodies.bands import BANDS
from auditor.infer.bodies.bodies_model import BodiesModel, fit_bodies
from auditor.infer.bodies.habits import find_habits
from auditor.infer.bodies.matches import match_bodies
from auditor.infer.bodies.observe import (
    LONG_EXPOSURE_S,
    UNKNOWN_BODY,
)
from auditor.infer.bodies.response import ISO_GRID, SIGNAL_GRID, NoiseModel
from auditor.infer.bodies.sensor import sensor_figures
from auditor.infer.bodies.visible import (
    BandNoise,
    band_noises,
    iso_interval,
    snr_by_iso,
    usable_iso,
)
from auditor.infer.criteria import Criteria
from auditor.infer.enough import FEW, FEWEST_OUTINGS
from auditor.model import (
    Band,
    Body,
    BodyKind,
    Habit,
    IsoMatch,
    LeftOut,
    Tone,
)
from auditor.record import TONE_SIGNALS

__all__ = ["BodyFigures", "infer_bodies"]


HEADLINE_FRAMES: Final = 5
"""Frames of measured noise, of `FEWEST_OUTINGS` or more, from which on a limit is named in a headline."""


class BodyFigures(TypedDict):
    """What the profile holds of bodies."""

    bodies: list[Body]
    iso_matches: list[IsoMatch]
    habits: list[Habit]


def infer_bodies(
    frames: pd.DataFrame,
    criteria: Criteria | None = None,
    model: BodiesModel | None = None,
    archive: pd.DataFrame | None = None,
) -> BodyFigures:
    """The profile's entries on bodies, equivalent ISO values and habits of exposure.

    Parameters
    ----------
    frames : DataFrame
        Frame table: `record.COLUMNS` and the columns of `crawl.relate`.
    criteria : Criteria, optional
        Thresholds; the default ones where None.
    model : BodiesModel, optional
        A fitted model of the same frames; fitted here where None.
    archive : DataFrame, optional
        All frames of the archive where `frames` are a part of it (`fit_bodies`).

    Returns
    -------
    BodyFigures
        `bodies` by name, one entry for each that has frames; `iso_matches` and `habits` as the profile has
        them.
    """
    criteria = criteria or Criteria()
    frames = frames.reset_index(drop=True)
    model = model or fit_bodies(frames, criteria, archive)
    sensors = sensor_figures(
        frames if archive is None else archive, criteria.interval, criteria.seed
    )
    noise_by_band = {
        (body, kind): band_noises(noise, model.scenes.get(kind, {}))
        for (body, kind), noise in model.models.items()
    }
    bodies: list[Body] = []
    excellent: dict[tuple[str, str], float | None] = {}
    for body in sorted(model.frames_of):
        kinds = sorted(k for b, k in model.models if b == body)
        kinds.sort(key=lambda kind: kind != model.main[body])
        left_out: list[LeftOut] = [
            {"reason": r, "frames": n} for r, n in sorted(model.left_out.get(body, {}).items())
        ]
        described = [_describe(model, body, kind, noise_by_band[body, kind]) for kind in kinds]
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
    ordered = [model.models[b, k] for b, k in sorted(model.main.items())]
    ordered += [m for (b, k), m in sorted(model.models.items()) if k != model.main[b]]
    return {
        "bodies": bodies,
        "iso_matches": match_bodies(ordered, noise_by_band, criteria.interval),
        "habits": find_habits(frames, excellent, criteria.interval),
    }


def _describe(
    model: BodiesModel, body: str, kind: str, noise_by_band: Mapping[str, BandNoise]
) -> BodyKind:
    """Tones, brightness and notes of one body in one kind of file."""
    noise = model.models[body, kind]
    cells = noise.cells
    # Where no noise was measured at all, figures rest on all frames.
    support = (
        (cells.measured_frames, cells.measured_units)
        if cells.measured_frames
        else (cells.frame_count, cells.unit_count)
    )
    settled = support[0] >= HEADLINE_FRAMES and support[1] >= FEWEST_OUTINGS
    unseen = [str(iso) for iso in noise.isos if iso not in noise.measured_isos]
    notes = {
        "noise reduction and development are part of what was measured": kind != "raw",
        f"its limits stay out of headlines: those need {HEADLINE_FRAMES} frames"
        f"{' that show noise' if cells.measured_frames else ''}, of {FEWEST_OUTINGS} outings": not settled,
        f"ISO {', '.join(unseen)}: no noise could be seen": bool(unseen),
        "its files name no camera and may be of several: not held against other bodies": (
            body == UNKNOWN_BODY
        ),
        f"not held against other bodies: that needs {FEW} frames or more": (
            body != UNKNOWN_BODY and cells.frame_count < FEW
        ),
        f"ISO {noise.isos[0]} is no cleaner than ISO {noise.base_iso:g}: below the sensor's base": (
            noise.base_iso > noise.isos[0]
        ),
    }
    told = [note for note, holds in notes.items() if holds]
    return {
        "kind": kind,
        "frames_used": cells.frame_count,
        "frames_measured": cells.measured_frames,
        "outings": cells.unit_count,
        "limits_firm": settled,
        "tones": _tones(noise, model.criteria.interval),
        "brightness": _brightness(model, noise, noise_by_band),
        "long_exposures": model.long_exposures.get((body, kind)),
        "output_megapixels": model.criteria.output_megapixels,
        "notes": [*told, *_only_long_exposures(model, body, kind)],
    }


def _only_long_exposures(model: BodiesModel, body: str, kind: str) -> list[str]:
    """Of light in which every frame is a long exposure, that its limit is open and what would tell it."""
    frames = {band.name: model.frames_in_band.get((body, kind, band.key), 0) for band in BANDS}
    long = {band.name: model.long_in_band.get((body, kind, band.key), 0) for band in BANDS}
    return [
        f"{name}: {'its one frame is a long exposure' if n == 1 else f'all {n} frames are long exposures'}, "
        f"kept out of these figures; only frames under {LONG_EXPOSURE_S:g} s would tell how far ISO may go there"
        for name, n in frames.items()
        if n and n == long[name]
    ]


def _tones(noise: NoiseModel, share: float) -> list[Tone]:
    cells = noise.cells
    figures = zip(cells.frames, cells.unseen, cells.bound, strict=True)
    known = dict(zip(zip(cells.iso, cells.signal, strict=True), figures, strict=True))
    half_widths = noise.half_width(np.diagonal(noise.covariance, axis1=1, axis2=2), share)
    log_snrs = np.log(SIGNAL_GRID) - noise.log_sigma
    snr, low, high = (np.exp(log_snrs + n * half_widths) for n in (0, -1, 1))
    output = snr / noise.output_scale[:, None]
    out: list[Tone] = []
    for iso, signal in itertools.product((i for i in noise.isos if i in ISO_GRID), TONE_SIGNALS):
        seen, unseen, bound = known.get((iso, signal), (0, 0, math.nan))
        at_least = signal / math.exp(bound) if unseen and not seen else None
        tone: Tone = {
            "iso": iso, "signal": signal, "snr": None, "low": at_least, "high": None,
            "frames": int(seen), "snr_output": None, "predicted": not seen,
            "frames_at_most": int(unseen), "snr_at_least": at_least,
        }  # fmt: skip
        if cells.measured_frames:
            at = ISO_GRID.index(iso), SIGNAL_GRID.index(signal)
            tone["snr"], tone["low"], tone["high"], tone["snr_output"] = (
                float(figure[at]) for figure in (snr, low, high, output)
            )
        out.append(tone)
    return out


def _brightness(
    model: BodiesModel, noise: NoiseModel, noise_by_band: Mapping[str, BandNoise]
) -> list[Band]:
    criteria, of_kind = model.criteria, model.scenes.get(noise.kind, {})
    snrs = criteria.snr_excellent, criteria.snr_acceptable
    out: list[Band] = []
    for band in (b for b in BANDS if b.key in noise_by_band):
        own = noise_by_band[band.key]
        half = noise.half_width(own.variance, criteria.interval)
        limits = iso_interval(own.snr[:, None], half[:, None], np.log2(snrs))
        place = noise.body, noise.kind, band.key
        excellent, acceptable = (usable_iso(noise, limits[:, j], s) for j, s in enumerate(snrs))
        out.append({
            "ev100": list(band.ev100), "key": band.key, "band": band.name,
            "frames": model.frames_in_band.get(place, 0),
            "long_exposures": model.long_in_band.get(place, 0),
            "usable_iso": {"excellent": excellent[0], "acceptable": acceptable[0]},
            "usable_iso_detail": {"excellent": excellent[1], "acceptable": acceptable[1]},
            "signals": dict(zip(("q25", "median", "q75"), of_kind[band.key].quartiles, strict=True)),
            "by_iso": snr_by_iso(noise, own.snr, half),
        })  # fmt: skip
    return out
