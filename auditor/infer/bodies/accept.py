"""From what a photographer accepts on a body they know to every other body and band."""

from __future__ import annotations

import numpy as np

from auditor.infer.bodies.bands import BANDS, Band, band_named
from auditor.infer.bodies.bodies_model import BodiesModel
from auditor.infer.bodies.observe import UNKNOWN_BODY
from auditor.infer.bodies.response import ISO_GRID, NoiseModel, t_quantile
from auditor.infer.bodies.visible import (
    EXTRAPOLATION_STOPS,
    ISO_TOLERANCE,
    band_noises,
    engraved_iso,
    iso_interval,
)
from auditor.model import AcceptedRow

__all__ = ["AcceptError", "accept_table", "parse_accept"]


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
    Student's t; the errors of one body in two bands are correlated, which is taken off.

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
    if not len(reference.cells.iso):
        raise AcceptError(f"no noise could be measured in any frame of body '{body}'")
    if not _within_reach(np.log2(iso), reference):
        first, last = reference.isos[0], reference.isos[-1]
        used = f"at ISO {first}" if first == last else f"from ISO {first} to {last}"
        raise AcceptError(
            f"body '{body}' was used {used} only: how noisy it is at ISO {iso:g}, more than a stop past that, "
            "is not known"
        )
    grid = np.log2(ISO_GRID)
    at = int(np.abs(grid - np.log2(iso)).argmin())
    seen = ISO_GRID[at] in reference.measured_isos
    own = band_noises(reference, scenes)[chosen.key]
    target = np.interp(np.log2(iso), grid, own.snr)
    rows: list[AcceptedRow] = []
    for (name, of_kind), model in sorted(bodies.models.items()):
        if of_kind != kind or not len(model.cells.iso) or name == UNKNOWN_BODY:
            continue
        noise_by_band = band_noises(model, scenes)
        quantile = t_quantile(model.dof + reference.dof, bodies.criteria.interval)
        for other in BANDS:
            if other.key not in scenes:
                continue
            noise = noise_by_band[other.key]
            variance = noise.variance + own.variance[at]
            if model is reference:
                shared = reference.covariance_with(at) @ own.weight[at]
                variance = np.maximum(variance - 2 * (noise.weight * shared).sum(axis=1), 0.0)
            best, low, high = iso_interval(noise.snr, quantile * np.sqrt(variance), target).tolist()
            row: AcceptedRow = {
                "body": name, "kind": kind, "band": other.name, "key": other.key, "ev100": list(other.ev100),
                "iso": None, "low": None, "high": None, "iso_exact": None, "predicted": True,
                "reason": "the answer lies too far from every ISO this body used",
            }  # fmt: skip
            rows.append(row)
            if not _within_reach(best, model):
                continue
            value = engraved_iso(best, "near")
            row["iso"] = value
            row["low"] = engraved_iso(low, "down")
            row["high"] = engraved_iso(high, "up")
            row["iso_exact"] = round(2.0**best, 1)
            row["predicted"] = value not in model.measured_isos or not seen
            row["reason"] = None
    return rows


def _within_reach(log2_iso: float, model: NoiseModel) -> bool:
    """Whether an ISO lies no more than `EXTRAPOLATION_STOPS` beyond those that a body was used at."""
    log2_used, margin = np.log2(model.isos), EXTRAPOLATION_STOPS + ISO_TOLERANCE
    return bool(log2_used.min() - margin <= log2_iso <= log2_used.max() + margin)
