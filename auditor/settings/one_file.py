"""Kind, scale and share of the sensor of one file, from what was read of it."""

from __future__ import annotations

import dataclasses
from typing import Any, Final

from auditor.record import Settings
from auditor.settings.file_evidence import ROUGH_VIEW, Evidence, Sensor, Verdict, rounding
from auditor.settings.kinds import judge, sensor_alone
from auditor.settings.sensors import FULL_FRAME_DIAGONAL_MM

__all__ = ["figures", "settle"]

PITCH_LIMITS_UM: Final = (0.3, 1000.0)
"""Scales outside of these are no scales: fewer pixels than a thumbnail, or damage."""


def _sides(width: float | None, height: float | None) -> tuple[float, float] | None:
    return (float(max(width, height)), float(min(width, height))) if width and height else None


def evidence_of(s: Settings) -> Evidence | None:
    """What a file says of its kind and scale; None where its size is not known."""
    own = _sides(s.width_px, s.height_px)
    if own is None:
        return None
    view, rough = None, False
    if s.focal_length_mm and s.focal_35mm:
        rough = bool(rounding(s.focal_length_mm, s.focal_35mm) > ROUGH_VIEW)
        view = FULL_FRAME_DIAGONAL_MM * s.focal_length_mm / s.focal_35mm
    return Evidence(
        *own,
        source=s.file_source or s.source,
        body=s.body is not None,
        written=_sides(s.written_width_px, s.written_height_px),
        tagged_um=s.told_pitch_um,
        view_mm=view,
        view_rough=rough,
        diagonal_mm=s.sensor_diagonal_mm,
        native=_sides(s.native_width_px, s.native_height_px),
        recoded=s.recoded,
        field_px=s.whole_side_px,
        resampled=bool(s.resampled),
        year=int(s.taken[:4]) if s.taken and s.taken[:4].isdigit() else None,
    )


def settle(s: Settings) -> Settings:
    """Settle `source`, `file_kind`, `pixel_pitch_um` and what belongs to them by one file alone.

    Doing it twice changes nothing more.

    Parameters
    ----------
    s : Settings
        As read from tags, header and pixels.

    Returns
    -------
    Settings
        The same where the size of the file is not known.
    """
    e = evidence_of(s)
    if e is None:
        return s
    sensor = sensor_alone(e)
    basis = sensor.basis
    if basis == "tagged":
        basis = s.pitch_basis if s.pitch_basis in ("focal-plane", "maker") else "focal-plane"
    return dataclasses.replace(s, **figures(judge(e, sensor), sensor, basis))


def figures(verdict: Verdict, sensor: Sensor, basis: str | None) -> dict[str, Any]:
    """What is settled of one file, by the names of the fields of `Settings`. `basis`: of the pixel pitch."""
    pitch = verdict.pitch_um
    known = pitch is not None and PITCH_LIMITS_UM[0] <= pitch <= PITCH_LIMITS_UM[1]
    return {
        "source": verdict.source,
        "file_kind": verdict.kind,
        "kind_reason": verdict.reason,
        "pixel_pitch_um": round(pitch, 4) if known and pitch else None,
        "pitch_basis": basis if known else None,
        "pitch_certainty": verdict.certainty if known else None,
        "sensor_share": verdict.share,
        "sensor_pixel_um": round(sensor.pixel_um, 4) if sensor.pixel_um else None,
    }
