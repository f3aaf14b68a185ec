"""From what a photographer accepts on a body they know to every other body and band."""

from __future__ import annotations

import numpy as np

from auditor.infer.bodies.bands import BANDS, Band, band_named
from auditor.infer.bodies.body_profile import BodiesModel
from auditor.infer.bodies.response import ISO_GRID, t_quantile
from auditor.infer.bodies.visible import REACH, ROUNDED, band_noises, iso_interval, third
from auditor.model import AcceptedRow

__all__ = ["AcceptError", "accept_table", "parse_accept"]


class AcceptError(ValueError):
    """The archive cannot say how noisy the accepted picture looks; the message is one line."""


def parse_accept(text: str) -> tuple[str, float, Band]:
    """Read 'BODY:ISO:BAND', as in 'Alder One:3200:shade'.

    Raises ValueError in plain words.
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
    """The ISO on every body and in every band that looks as noisy as an accepted one.

    Args:
        bodies: from `fit_bodies`.
        body, iso, band: what is accepted: this ISO on this body in this brightness.

    Returns:
        rows {body, band, ev100, iso, low, high, iso_exact, predicted}; only bodies with the same
        kind of file as `body` shows first. `iso` is None, with a `reason`, where no ISO fits.

    Raises AcceptError when the archive cannot say how noisy the accepted picture looks.
    """
    chosen = band_named(band) if isinstance(band, str) else band
    kind = bodies.main.get(body)
    if kind is None:
        known = ", ".join(sorted(bodies.main)) or "none"
        raise AcceptError(f"no noise was measured for body '{body}'; known bodies: {known}")
    scenes = bodies.scenes.get(kind, {})
    if chosen.key not in scenes:
        held = ", ".join(scenes) or "none"
        raise AcceptError(f"the archive holds no frames of band '{chosen.key}'; it has {held}")
    reference = bodies.models[body, kind]
    if not len(reference.cells.iso):
        raise AcceptError(f"no noise could be measured in any frame of body '{body}'")
    grid = np.log2(ISO_GRID)
    at = int(np.abs(grid - np.log2(iso)).argmin())
    own = band_noises(reference, scenes)[chosen.key]
    target = np.interp(np.log2(iso), grid, own.snr)
    rows: list[AcceptedRow] = []
    for (name, of_kind), model in sorted(bodies.models.items()):
        if of_kind != kind or not len(model.cells.iso):
            continue
        looks = band_noises(model, scenes)
        quantile = t_quantile(model.freedom + reference.freedom, bodies.criteria.interval)
        for other in BANDS:
            if other.key not in scenes:
                continue
            look = looks[other.key]
            variance = look.variance + own.variance[at]
            if model is reference:
                shared = reference.covariance_with(at) @ own.weight[at]
                variance = np.maximum(variance - 2 * (look.weight * shared).sum(axis=1), 0.0)
            best, low, high = iso_interval(look.snr, quantile * np.sqrt(variance), target).tolist()
            row: AcceptedRow = {
                "body": name, "kind": kind, "band": other.name, "key": other.key, "ev100": list(other.ev100),
                "iso": None, "low": None, "high": None, "iso_exact": None, "predicted": True,
                "reason": "the answer lies too far from every ISO this body used",
            }  # fmt: skip
            rows.append(row)
            used, reach = np.log2(model.isos), REACH + ROUNDED
            if not used.min() - reach <= best <= used.max() + reach:
                continue
            value = third(best, "near")
            row["iso"] = value
            row["low"] = third(low, "down")
            row["high"] = third(high, "up")
            row["iso_exact"] = round(2.0**best, 1)
            row["predicted"] = value not in model.measured_isos
            row["reason"] = None
    return rows
