"""What distinguishes the files of one exposure from others, read from a file's tags before its pixels."""

from __future__ import annotations

from typing import Any, Final

from ..record import Settings

__all__ = ["MARKS", "marks_of"]

MARKS: Final = (
    *("body", "body_serial", "taken", "f_number", "exposure_time_s", "iso", "file_number"),
    *("source", "width_px", "height_px", "pixel_pitch_um", "pitch_basis"),
    *("focal_length_mm", "focal_35mm", "maker_note", "file_source", "told_pitch_um", "recoded"),
    *("sensor_diagonal_mm", "native_width_px", "native_height_px"),
    *("written_width_px", "written_height_px"),
)
"""Columns of the frame table that `crawl.captures` and `settings.reconcile_kinds` read."""


def marks_of(settings: Settings) -> dict[str, Any]:
    """The marks of one file."""
    return {name: getattr(settings, name) for name in MARKS}
