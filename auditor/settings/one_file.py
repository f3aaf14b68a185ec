"""Kind, scale and share of the sensor of one file, from what was read of it."""

from __future__ import annotations

import dataclasses
from typing import Final

from auditor.record import PitchBasis, Settings
from auditor.settings.file_evidence import ROUGH_VIEW, Evidence, Sensor, rounding
from auditor.settings.kinds import judge, sensor_alone
from auditor.settings.sensors import FULL_FRAME_DIAGONAL_MM

__all__ = ["PITCH_BASIS", "PITCH_LIMITS_UM", "evidence_of", "settle"]

PITCH_LIMITS_UM: Final = (0.3, 1000.0)
"""Scales outside of these are no scales: fewer pixels than a thumbnail, or damage."""

PITCH_BASIS: Final[dict[str, PitchBasis]] = {
    "tagged": "focal-plane",
    "equivalent": "equivalent",
    "database": "database",
}


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
    """The settings with `source`, `file_kind`, `pixel_pitch_um` and what belongs to them settled by
    this file alone. Doing it twice changes nothing more."""
    e = evidence_of(s)
    if e is None:
        return s
    sensor = sensor_alone(e)
    verdict = judge(e, sensor)
    pitch = verdict.pitch_um
    if pitch is not None and not PITCH_LIMITS_UM[0] <= pitch <= PITCH_LIMITS_UM[1]:
        pitch = None
    return dataclasses.replace(
        s,
        source=verdict.source,
        file_kind=verdict.kind,
        kind_reason=verdict.reason,
        pixel_pitch_um=None if pitch is None else round(pitch, 4),
        pitch_basis=None if pitch is None else _basis(s, sensor),
        pitch_certainty=None if pitch is None else verdict.certainty,
        sensor_share=verdict.share,
        sensor_pixel_um=None if sensor.pixel_um is None else round(sensor.pixel_um, 4),
    )


def _basis(s: Settings, sensor: Sensor) -> PitchBasis | None:
    if sensor.basis == "tagged":
        return s.pitch_basis if s.pitch_basis in ("focal-plane", "maker") else "focal-plane"
    return PITCH_BASIS.get(sensor.basis or "")
