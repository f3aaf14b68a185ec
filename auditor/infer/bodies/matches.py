"""Body against body: which ISO on one looks as noisy as an ISO on the other, at one output size."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from auditor.exposure import ISOS
from auditor.infer.bodies.bands import BANDS, Scenes
from auditor.infer.bodies.response import ISO_GRID, NoiseModel
from auditor.infer.bodies.visible import frame_snr, iso_for_snr, third

__all__ = ["as_noisy_as", "match_bodies", "reference_isos"]

Floats = NDArray[np.float64]

USUAL: Final = tuple(i for i in ISOS if 100 <= i <= 12800)
"""Reference values given for every pair, beside those that the reference body used."""


def reference_isos(model: NoiseModel) -> list[int]:
    """Third stops from 100 to 12,800 and whatever the body used beyond them."""
    return sorted({*USUAL, *(i for i in model.isos if i in ISO_GRID)})


def as_noisy_as(
    reference: NoiseModel, other: NoiseModel, scenes: Scenes, iso: int, share: float
) -> tuple[float, float, float] | None:
    """log2 ISO on `other` that looks as noisy as `iso` on `reference`: best, low, high.

    Draws are taken in step, so that what the noise measurement is off by in common cancels.
    None when the answer lies beyond every ISO there is.
    """
    column = ISO_GRID.index(iso)
    target = frame_snr(reference.log_sigma, scenes, reference.output_scale)[column]
    curve = frame_snr(other.log_sigma, scenes, other.output_scale)
    best = float(iso_for_snr(curve[None], target)[0])
    if not np.isfinite(best):
        return None
    targets = frame_snr(reference.draws, scenes, reference.output_scale)[:, column]
    values = iso_for_snr(frame_snr(other.draws, scenes, other.output_scale), targets)
    values = np.clip(values, np.log2(ISO_GRID[0]), np.log2(ISO_GRID[-1]))
    wider = max(reference.t_factor, other.t_factor)
    tail = (1 - share) / 2
    low, middle, high = np.quantile(values, [tail, 0.5, 1 - tail])
    return best, float(best + (low - middle) * wider), float(best + (high - middle) * wider)


def _seen(model: NoiseModel, log2_iso: float) -> bool:
    """Whether the body used ISO values on both sides, to a sixth of a stop."""
    used = np.log2(model.isos)
    return bool(used.min() - 0.17 <= log2_iso <= used.max() + 0.17)


def match_bodies(
    models: list[NoiseModel], scenes: dict[str, dict[str, Scenes]], share: float
) -> list[dict[str, Any]]:
    """The profile's `iso_matches`: every ordered pair of bodies of one kind of file, every band.

    `iso`, `low` and `high` are engraved third stops; `iso_exact` is what was found between them.
    """
    out = []
    for reference in models:
        for other in models:
            if other.body == reference.body or other.kind != reference.kind:
                continue
            for band in BANDS:
                typical = scenes.get(reference.kind, {}).get(band.key)
                if typical is None:
                    continue
                for iso in reference_isos(reference):
                    answer = as_noisy_as(reference, other, typical, iso, share)
                    if answer is None:
                        continue
                    best, low, high = answer
                    out.append(
                        {
                            "body": other.body,
                            "reference_body": reference.body,
                            "kind": reference.kind,
                            "band": band.name,
                            "ev100": band.ev100,
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
