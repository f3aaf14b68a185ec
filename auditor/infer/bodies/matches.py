"""Body against body: which ISO on one looks as noisy as an ISO on the other, at one output size; and from what a
photographer accepts on a body they know to every other body and band."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.infer.bodies.bands import BANDS, Band, band_named
from auditor.infer.bodies.bodies_model import BodiesModel
from auditor.infer.bodies.observe import UNKNOWN_BODY
from auditor.infer.bodies.response import ISO_GRID, NoiseModel
from auditor.infer.bodies.visible import (
    HALF_THIRD,
    BandNoise,
    band_noises,
    engraved_isos,
    iso_interval,
    reach,
)
from auditor.infer.enough import FEW
from auditor.model import AcceptedRow, IsoMatch
from auditor.robust import t_quantile

__all__ = [
    "MOST_REFERENCES",
    "AcceptError",
    "accept_table",
    "equal_noise_isos",
    "match_bodies",
    "parse_accept",
]

Floats = NDArray[np.float64]

MOST_REFERENCES: Final = 6
"""Bodies that others are compared with: a photographer asks what an ISO means on the body that they know,
and pairs of forty bodies would fill a profile with what nobody asks."""


def equal_noise_isos(
    reference: BandNoise, other: BandNoise, isos: Sequence[int], quantile: float
) -> Floats:
    """ISO on another body that looks as noisy as each ISO on a reference body.

    The common error of the noise measurement (`ESTIMATOR_SD`) cancels between two bodies.

    Parameters
    ----------
    reference, other : BandNoise
        Noise of both bodies in one band.
    isos : sequence of int
        ISO values on the reference, entries of `ISO_GRID`.
    quantile : float
        Half the width of the interval in standard errors (`t_quantile`).

    Returns
    -------
    ndarray of float64, shape (3, ISO)
        Best value, low and high end, log2 ISO; infinite where the answer lies beyond every ISO of the grid.
    """
    rows = [ISO_GRID.index(iso) for iso in isos]
    half = quantile * np.sqrt(other.variance[:, None] + reference.variance[rows])
    return iso_interval(other.snr[:, None], half, reference.snr[rows])


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
        if m.cells.frame_count >= FEW and m.cells.measured_frames and m.body != UNKNOWN_BODY
    ]
    for reference in _references(comparable):
        low, high = reach(reference.isos)
        isos = [i for i in ISO_GRID if low <= math.log2(i) <= high]
        own = noises[reference.body, reference.kind]
        for other in comparable:
            if other.body == reference.body or other.kind != reference.kind:
                continue
            quantile = t_quantile(reference.dof + other.dof, share)
            for band in (b for b in BANDS if b.key in own):
                noise = noises[other.body, other.kind][band.key]
                found = equal_noise_isos(own[band.key], noise, isos, quantile)
                out += _one_band(reference, other, band, isos, found)
    return out


def _one_band(
    reference: NoiseModel, other: NoiseModel, band: Band, isos: Sequence[int], found: Floats
) -> Iterator[IsoMatch]:
    """Answers `found` (3, ISO) within reach of what the other body used."""
    first, last = reach(other.isos)
    # Seen where noise was measured on both sides.
    seen = [math.log2(iso) for iso in sorted(other.measured_isos)]
    steps = engraved_isos(found, "near", "down", "up").T.tolist()
    for iso, best, step in zip(isos, found[0].tolist(), steps, strict=True):
        if first <= best <= last:
            measured = seen[0] - HALF_THIRD <= best <= seen[-1] + HALF_THIRD
            yield {
                "body": other.body, "reference_body": reference.body, "kind": reference.kind,
                "band": band.name, "ev100": list(band.ev100), "reference_iso": iso,
                "iso": step[0], "low": step[1], "high": step[2], "iso_exact": round(2.0**best, 1),
                "stops": round(best - math.log2(iso), 3),
                "predicted": not (iso in reference.measured_isos and measured),
                "frames": int(min(reference.cells.frame_count, other.cells.frame_count)),
            }  # fmt: skip


class AcceptError(ValueError):
    """The archive cannot say how noisy the accepted picture looks; the message is one line."""


def parse_accept(text: str) -> tuple[str, float, Band]:
    """Read what a photographer accepts, written as 'BODY:ISO:BAND'.

    Parameters
    ----------
    text : str
        As in 'Alder One:3200:shade'; the body's name may itself hold colons.

    Returns
    -------
    body : str
        As written, without surrounding blanks; it is not looked for in any archive.
    iso : float
        An ISO between the ends of `ISO_GRID`.
    band : Band
        Band of scene brightness of that key or name.

    Raises
    ------
    ValueError
        In plain words, where the text is not of this form, or the ISO or the band is none.
    """
    parts = text.rsplit(":", 2)
    if len(parts) != 3 or not parts[0].strip():
        raise ValueError(f"'{text}' is not BODY:ISO:BAND, as in 'Alder One:3200:shade'")
    try:
        iso = float(parts[1])
    except ValueError:
        iso = 0.0
    if not ISO_GRID[0] <= iso <= ISO_GRID[-1]:
        raise ValueError(f"'{parts[1]}' in '{text}' is not an ISO value")
    return parts[0].strip(), iso, band_named(parts[2])


def accept_table(bodies: BodiesModel, body: str, iso: float, band: str | Band) -> list[AcceptedRow]:
    """ISO on every body and in every band that looks as noisy as an accepted one.

    The accepted ISO has an SNR on the reference body; on each other curve SNR(ISO) the ISO of equal SNR is
    found. The interval comes from the variance of the difference of the two log SNRs (first order), with
    Student's t; those of one body in two bands are taken as independent, which is on the safe side.

    Parameters
    ----------
    bodies : BodiesModel
        From `fit_bodies`.
    body : str
        Name of the body, exactly as `bodies.main` has it.
    iso : float
        ISO accepted on it; the nearest entry of `ISO_GRID` gives the variance.
    band : str or Band
        Band of scene brightness in which it is accepted, or its key or name.

    Returns
    -------
    list of AcceptedRow
        One per body and band, of bodies measured in the kind of file that `body` shows first, by name and
        from the darkest band. `iso`, `low` and `high` are engraved third stops, `iso_exact` what was found
        between them; all four are None, with a `reason`, where the answer lies more than
        `EXTRAPOLATION_STOPS` beyond every ISO that the body used. `predicted` is False where noise was
        measured at `iso`, and on `body` at the accepted one.

    Raises
    ------
    AcceptError
        Where no noise was measured for `body`, the ISO lies more than `EXTRAPOLATION_STOPS` beyond those it was
        used at, or the archive holds no frames of the band. Files that name no
        camera may be of several and are no body.
    ValueError
        Where no band has this key or name.
    """
    chosen = band_named(band) if isinstance(band, str) else band
    kind = bodies.main.get(body) if body != UNKNOWN_BODY else None
    if kind is None:
        known = ", ".join(sorted(b for b in bodies.main if b != UNKNOWN_BODY)) or "none"
        raise AcceptError(f"no noise was measured for body '{body}'; known bodies: {known}")
    scenes = bodies.scenes.get(kind, {})
    if chosen.key not in scenes:
        present = ", ".join(scenes) or "none"
        raise AcceptError(f"the archive holds no frames of band '{chosen.key}'; it has {present}")
    reference = bodies.models[body, kind]
    if not reference.cells.measured_frames:
        raise AcceptError(f"no noise could be measured in any frame of body '{body}'")
    grid, wanted = np.log2(ISO_GRID), math.log2(iso)
    lowest, highest = reach(reference.isos)
    if not lowest <= wanted <= highest:
        first, last = reference.isos[0], reference.isos[-1]
        used = f"at ISO {first}" if first == last else f"from ISO {first} to {last}"
        raise AcceptError(
            f"body '{body}' was used {used} only: how noisy it is at ISO {iso:g}, more than a stop past that, "
            "is not known"
        )
    at = int(np.abs(grid - wanted).argmin())
    seen = ISO_GRID[at] in reference.measured_isos
    own = band_noises(reference, scenes)[chosen.key]
    target = np.interp(wanted, grid, own.snr)
    rows: list[AcceptedRow] = []
    for (name, of_kind), model in sorted(bodies.models.items()):
        if of_kind != kind or not model.cells.measured_frames or name == UNKNOWN_BODY:
            continue
        noise_by_band, (lowest, highest) = band_noises(model, scenes), reach(model.isos)
        quantile = t_quantile(model.dof + reference.dof, bodies.criteria.interval)
        for other in BANDS:
            if other.key not in scenes:
                continue
            noise = noise_by_band[other.key]
            itself = model is reference and other is chosen
            variance = 0.0 if itself else noise.variance + own.variance[at]
            found = iso_interval(
                noise.snr, quantile * np.sqrt(variance) * np.ones(len(grid)), target
            )
            told = lowest <= found[0] <= highest
            iso_of = engraved_isos(found, "near", "down", "up").tolist() if told else [None] * 3
            rows.append({
                "body": name, "kind": kind, "band": other.name, "key": other.key, "ev100": list(other.ev100),
                "iso": iso_of[0], "low": iso_of[1], "high": iso_of[2],
                "iso_exact": round(2.0 ** float(found[0]), 1) if told else None,
                "predicted": iso_of[0] not in model.measured_isos or not seen,
                "reason": None if told else "the answer lies too far from every ISO this body used",
            })  # fmt: skip
    return rows
