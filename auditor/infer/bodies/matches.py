"""Body against body: which ISO on one looks as noisy as an ISO on the other, at one output size."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.infer.bodies.bands import BANDS
from auditor.infer.bodies.observe import UNKNOWN_BODY
from auditor.infer.bodies.response import ISO_GRID, NoiseModel, t_quantile
from auditor.infer.bodies.visible import (
    EXTRAPOLATION_STOPS,
    HALF_THIRD,
    ISO_TOLERANCE,
    BandNoise,
    engraved_isos,
    iso_interval,
)
from auditor.infer.enough import FEW
from auditor.model import IsoMatch

__all__ = ["MOST_REFERENCES", "equal_noise_isos", "match_bodies", "reference_isos"]

Floats = NDArray[np.float64]

MOST_REFERENCES: Final = 6
"""Bodies that others are compared with: a photographer asks what an ISO means on the body that they know,
and pairs of forty bodies would fill a profile with what nobody asks."""


def reference_isos(model: NoiseModel) -> list[int]:
    """ISO values of a reference body for which equivalents are given.

    Parameters
    ----------
    model : NoiseModel
        Noise of the reference body.

    Returns
    -------
    list of int
        Third stops, ascending, none more than `EXTRAPOLATION_STOPS` beyond the ISO values that it used.
    """
    low, high = _span(model.isos, EXTRAPOLATION_STOPS + ISO_TOLERANCE)
    return [i for i in ISO_GRID if low <= math.log2(i) <= high]


def _span(isos: Collection[int], beyond: float) -> tuple[float, float]:
    """log2 of the lowest and highest of these ISO values, and so many stops beyond."""
    return math.log2(min(isos)) - beyond, math.log2(max(isos)) + beyond


def equal_noise_isos(
    reference: BandNoise,
    others: Sequence[BandNoise],
    isos: Sequence[int],
    quantiles: Sequence[float],
) -> Floats:
    """ISO on other bodies that looks as noisy as each ISO on a reference body.

    The common error of the noise measurement (`ESTIMATOR_SD`) cancels between two bodies.

    Parameters
    ----------
    reference : BandNoise
        Noise of the reference body in one band.
    others : sequence of BandNoise
        The same of the other bodies.
    isos : sequence of int
        ISO values on the reference, entries of `ISO_GRID`.
    quantiles : sequence of float
        For each of the others, half the width of the interval in standard errors (`t_quantile`).

    Returns
    -------
    ndarray of float64, shape (3, others, ISO)
        Best value, low and high end, log2 ISO; infinite where the answer lies beyond every ISO of the grid.
    """
    rows = [ISO_GRID.index(iso) for iso in isos]
    snr, variance = (
        np.stack([getattr(other, name) for other in others], axis=1)[..., None]
        for name in ("snr", "variance")
    )
    half = np.reshape(quantiles, (-1, 1)) * np.sqrt(variance + reference.variance[rows])
    return iso_interval(snr, half, np.tile(reference.snr[rows], (len(others), 1)))


def _references(models: Sequence[NoiseModel]) -> list[NoiseModel]:
    """Of each kind of file the bodies with most frames, in the order given."""
    out: list[NoiseModel] = []
    for kind in {m.kind for m in models}:
        of_kind = sorted((m for m in models if m.kind == kind), key=lambda m: -m.cells.frame_count)
        out += of_kind[:MOST_REFERENCES]
    return [m for m in models if any(m is one for one in out)]


def match_bodies(
    models: list[NoiseModel],
    noises: Mapping[tuple[str, str], Mapping[str, BandNoise]],
    share: float,
) -> list[IsoMatch]:
    """The profile's `iso_matches`: bodies against those known best, of one kind of file, by band.

    Parameters
    ----------
    models : list of NoiseModel
        All bodies and kinds of file; those with fewer than `FEW` frames (an archive of borrowed cameras would
        drown in pairs), or without measured noise, are passed over, as are files that name no camera: they may
        be of several.
    noises : mapping
        (body, kind) -> band key -> `BandNoise`, from `band_noises`.
    share : float
        Share of the truth that intervals are meant to hold.

    Returns
    -------
    list of IsoMatch
        `iso`, `low` and `high` are engraved third stops; `iso_exact` is what was found between them.
        `predicted` is False where noise was measured on both sides.
    """
    out: list[IsoMatch] = []
    comparable = [
        m
        for m in models
        if m.cells.frame_count >= FEW and len(m.cells.iso) and m.body != UNKNOWN_BODY
    ]
    for reference in _references(comparable):
        isos, measured = reference_isos(reference), reference.measured_isos
        others = [m for m in comparable if m.body != reference.body and m.kind == reference.kind]
        if not others:
            continue
        own = noises[reference.body, reference.kind]
        quantiles = [t_quantile(reference.dof + m.dof, share) for m in others]
        answers = {}
        for key in own:
            band_noise = [noises[m.body, m.kind][key] for m in others]
            found = equal_noise_isos(own[key], band_noise, isos, quantiles)
            steps = [engraved_isos(found[i], to) for i, to in enumerate(("near", "down", "up"))]
            answers[key] = found[0].tolist(), np.stack(steps, axis=-1).tolist()
        for i, other in enumerate(others):
            # Told within reach of what the other used; seen where its noise was measured on both sides.
            first, last = _span(other.isos, EXTRAPOLATION_STOPS + ISO_TOLERANCE)
            lowest, highest = _span(other.measured_isos, HALF_THIRD)
            for band in BANDS:
                if band.key not in own:
                    continue
                exact, engraved = (found[i] for found in answers[band.key])
                for iso, best, step in zip(isos, exact, engraved, strict=True):
                    if not first <= best <= last:
                        continue
                    out.append(
                        {
                            "body": other.body,
                            "reference_body": reference.body,
                            "kind": reference.kind,
                            "band": band.name,
                            "ev100": list(band.ev100),
                            "reference_iso": int(iso),
                            "iso": step[0],
                            "low": step[1],
                            "high": step[2],
                            "iso_exact": round(2.0**best, 1),
                            "stops": round(best - math.log2(iso), 3),
                            "predicted": not (iso in measured and lowest <= best <= highest),
                            "frames": int(
                                min(reference.cells.frame_count, other.cells.frame_count)
                            ),
                        }
                    )
    return out
