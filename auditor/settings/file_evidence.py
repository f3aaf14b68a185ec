"""What one file says of its pixels, what is known of a body's sensor, and what follows for the file."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from auditor.record import Certainty, FileKind, Source
from auditor.settings.sensors import sensor_sides

__all__ = ["LONGEST_SHAPE", "Evidence", "Sensor", "Size", "Verdict", "evidence_of"]

_SQUAREST_SHAPE: Final = 1.3
"""Long over short side from which a file's own shape can be its sensor's: 4:3 with some border."""
LONGEST_SHAPE: Final = 1.55
"""The same to the other side, 3:2: wider formats are cut from these (common practice, no source)."""

Size = tuple[float, float]
"""Long and short side in pixels."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What one file says of itself; sides in pixels, None where it does not say."""

    long: float
    short: float
    source: Source
    """Who wrote it, as far as the file tells."""
    body: bool = True
    """Whether it names its camera."""
    written: Size | None = None
    tagged_um: float | None = None
    view_mm: float | None = None
    """Diagonal by the 35 mm equivalent."""
    diagonal_mm: float | None = None
    """Diagonal by the database."""
    native: Size | None = None
    recoded: bool | None = None
    field_px: float | None = None
    """Longer side of the thumbnail's field at this file's pixels."""
    resampled: bool = False
    """Its pixels bear the traces of enlarging."""
    year: int | None = None
    cameras_size: bool = False
    """The camera itself wrote other frames of this size."""

    @property
    def shown(self) -> float | None:
        """Share of the thumbnail's longer side that the file's takes up, None without a thumbnail."""
        return min(1.0, self.long / self.field_px) if self.field_px else None


@dataclass(frozen=True, slots=True)
class Sensor:
    """What is known of a body's sensor."""

    size: Size | None = None
    """Sides of the camera's full size."""
    pixel_um: float | None = None
    diagonal_mm: float | None = None
    basis: str | None = None
    confirmed: bool = False
    """Size and diagonal come from the maker's note, from raw files, from exact tags, or from many."""

    def sides_mm(self, long: float, short: float) -> Size | None:
        """Sides of the sensor; a file's own shape stands in for an unknown one if it can be one."""
        if self.pixel_um and self.size:
            return self.size[0] * self.pixel_um / 1000, self.size[1] * self.pixel_um / 1000
        if not self.diagonal_mm:
            return None
        shape = long / short
        own = _SQUAREST_SHAPE < shape < LONGEST_SHAPE
        return sensor_sides(self.diagonal_mm, shape if own else None)


@dataclass(frozen=True, slots=True)
class Verdict:
    """What became of the sensor's pixels in one file; `share` is of the sensor's area."""

    source: Source
    kind: FileKind
    reason: str
    pitch_um: float | None = None
    share: float | None = None
    certainty: Certainty | None = None


def _sides(width: float | None, height: float | None) -> Size | None:
    return (float(max(width, height)), float(min(width, height))) if width and height else None


def evidence_of(s: Any, view_mm: float | None, year: int | None) -> Evidence | None:
    """What a file says of its kind and scale; None where its size is not known.

    `s` has the fields of `Settings`; `view_mm` is the diagonal by focal length and 35 mm equivalent.
    """
    own = _sides(s.width_px, s.height_px)
    if own is None:
        return None
    recoded = None if s.recoded is None else bool(s.recoded)
    if recoded is None and s.maker_note:
        # No JPEG, so without a program's marks; but the camera's private notes are there.
        recoded = False
    return Evidence(
        *own,
        source=s.file_source or s.source,
        body=s.body is not None,
        written=_sides(s.written_width_px, s.written_height_px),
        tagged_um=s.told_pitch_um,
        view_mm=view_mm,
        diagonal_mm=s.sensor_diagonal_mm,
        native=_sides(s.native_width_px, s.native_height_px),
        recoded=recoded,
        field_px=s.whole_side_px,
        resampled=bool(s.resampled),
        year=year,
    )
