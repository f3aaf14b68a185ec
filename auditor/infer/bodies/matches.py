"""Body against body: which ISO on one looks as noisy as an ISO on the other, at one output size."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.exposure import ISOS
from auditor.infer.bodies.bands import BANDS, Scenes
from auditor.infer.bodies.limits import HALF_THIRD, REACH
from auditor.infer.bodies.response import ISO_GRID, NoiseModel, t_factor
from auditor.infer.bodies.visible import falling, frame_snr, isos_on, third
from auditor.model import IsoMatch

__all__ = ["LEAST_FRAMES", "MOST_REFERENCES", "as_noisy_as", "match_bodies", "reference_isos"]

Floats = NDArray[np.float64]

_ROUNDED: Final = 0.01
"""Stops by which engraved ISO values are rounded."""
USUAL: Final = tuple(i for i in ISOS if 100 <= i <= 12800)
"""Reference values given for every pair, beside those that the reference body used."""


LEAST_FRAMES: Final = 6
"""A body with fewer measured frames of one kind is not held against others: two or three frames say
nothing of a body, and an archive of borrowed cameras would drown in pairs. Nor is one that never
showed measurable noise."""


MOST_REFERENCES: Final = 6
"""Bodies that others are held against: a photographer asks what an ISO means on the body that they know,
and pairs of forty bodies would fill a profile with what nobody asks."""


def reference_isos(model: NoiseModel) -> list[int]:
    """Third stops from 100 to 12,800 and whatever the body used beyond them, within its reach."""
    wanted = {*USUAL, *(i for i in model.isos if i in ISO_GRID)}
    return sorted(i for i in wanted if _within(model, float(np.log2(i))))


def _within(model: NoiseModel, log2_iso: float) -> bool:
    """Whether an ISO lies within reach of those that the body used."""
    used = np.log2(model.isos)
    return bool(used.min() - REACH - _ROUNDED <= log2_iso <= used.max() + REACH + _ROUNDED)


@dataclass(frozen=True, slots=True)
class _BandCurves:
    """How noisy a typical frame of one band looks on one body, log2 SNR.

    `curves` (1 + draws, ISO_GRID): the best estimate and the draws; `fallen`: the same made to fall.
    """

    curves: Floats
    fallen: Floats


def _band_curves(model: NoiseModel, scenes: Scenes) -> _BandCurves:
    both = np.concatenate([model.log_sigma[None], model.draws])
    curves = frame_snr(both, scenes, model.output_scale)
    return _BandCurves(curves, falling(curves))


def _as_noisy_as(
    reference: _BandCurves, other: _BandCurves, isos: Sequence[int], wider: float, share: float
) -> list[tuple[float, float, float] | None]:
    """log2 ISO on `other` that looks as noisy as each ISO on `reference`: best, low, high.

    Draws are taken in step, so that what the noise measurement is off by in common cancels.
    None when the answer lies beyond every ISO there is.
    """
    columns = [ISO_GRID.index(iso) for iso in isos]
    best, *drawn = isos_on(other.fallen, reference.curves[:, columns])
    values = np.clip(drawn, np.log2(ISO_GRID[0]), np.log2(ISO_GRID[-1]))
    tail = (1 - share) / 2
    low, middle, high = np.quantile(values, [tail, 0.5, 1 - tail], axis=0)
    return [
        (float(x), float(x + (lo - mid) * wider), float(x + (hi - mid) * wider))
        if np.isfinite(x)
        else None
        for x, lo, mid, hi in zip(best, low, middle, high, strict=True)
    ]


def as_noisy_as(
    reference: NoiseModel, other: NoiseModel, scenes: Scenes, iso: int, share: float
) -> tuple[float, float, float] | None:
    """log2 ISO on `other` that looks as noisy as `iso` on `reference`: best, low, high."""
    wider = t_factor(reference.freedom + other.freedom, share)
    return _as_noisy_as(
        _band_curves(reference, scenes), _band_curves(other, scenes), [iso], wider, share
    )[0]


def _seen(model: NoiseModel, log2_iso: float) -> bool:
    """Whether the body used ISO values on both sides, to a sixth of a stop."""
    used = np.log2(model.isos)
    return bool(used.min() - HALF_THIRD <= log2_iso <= used.max() + HALF_THIRD)


def _references(models: Sequence[NoiseModel]) -> list[NoiseModel]:
    """Of each kind of file the bodies with most frames, in the order given."""
    out: list[NoiseModel] = []
    for kind in {m.kind for m in models}:
        of_kind = sorted((m for m in models if m.kind == kind), key=lambda m: -m.cells.frame_count)
        out += of_kind[:MOST_REFERENCES]
    return [m for m in models if any(m is one for one in out)]


def match_bodies(
    models: list[NoiseModel], scenes: dict[str, dict[str, Scenes]], share: float
) -> list[IsoMatch]:
    """The profile's `iso_matches`: every body against the bodies known best, of one kind of file, by band.

    `iso`, `low` and `high` are engraved third stops; `iso_exact` is what was found between them.
    """
    out: list[IsoMatch] = []
    able = [m for m in models if m.cells.frame_count >= LEAST_FRAMES and len(m.cells.iso)]
    looks = {
        (m.body, m.kind, band.key): _band_curves(m, scenes[m.kind][band.key])
        for m in able
        for band in BANDS
        if band.key in scenes.get(m.kind, {})
    }
    for reference in _references(able):
        isos = reference_isos(reference)
        for other in able:
            if other.body == reference.body or other.kind != reference.kind:
                continue
            wider = t_factor(reference.freedom + other.freedom, share)
            for band in BANDS:
                mine = looks.get((reference.body, reference.kind, band.key))
                if mine is None:
                    continue
                theirs = looks[other.body, other.kind, band.key]
                answers = _as_noisy_as(mine, theirs, isos, wider, share)
                for iso, answer in zip(isos, answers, strict=True):
                    if answer is None:
                        continue
                    best, low, high = answer
                    if not _within(other, best):
                        continue
                    out.append(
                        {
                            "body": other.body,
                            "reference_body": reference.body,
                            "kind": reference.kind,
                            "band": band.name,
                            "ev100": list(band.ev100),
                            "reference_iso": int(iso),
                            "iso": third(best),
                            "low": third(low, "down"),
                            "high": third(high, "up"),
                            "iso_exact": round(2.0**best, 1),
                            "low_exact": round(2.0**low, 1),
                            "high_exact": round(2.0**high, 1),
                            "stops": round(best - float(np.log2(iso)), 3),
                            "predicted": not (iso in reference.isos and _seen(other, best)),
                            "frames": int(
                                min(reference.cells.frame_count, other.cells.frame_count)
                            ),
                        }
                    )
    return out
