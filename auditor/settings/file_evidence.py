"""What one file says of its pixels, what is known of a body's sensor, and what follows for the file."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from auditor.record import Certainty, FileKind, Source
from auditor.settings.sensors import FULL_FRAME_DIAGONAL_MM, sensor_sides

__all__ = ["LONGEST_SHAPE", "Evidence", "Sensor", "Size", "Verdict", "evidence_of", "view"]

ROUGH_VIEW: Final = 0.04
"""Relative rounding of focal length and 35 mm equivalent together from which the diagonal that follows
from them is only assumed: 3 mm and 15 mm may be 2.5 and 15.5."""

_SQUAREST_SHAPE: Final = 1.3
"""Long over short side from which a file's own shape can be its sensor's: 4:3 with some border."""
LONGEST_SHAPE: Final = 1.55
"""The same to the other side, 3:2: wider formats are cut from these (common practice, no source)."""
_WHOLE_MM: Final = 1.0
"""Step in which focal lengths are written, see `view`."""
_TENTH_MM: Final = 0.1
"""The finer one."""

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
    view_rough: bool = False
    """Whether rounding leaves more doubt about it than `ROUGH_VIEW`."""
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
    rough: bool = False
    """The diagonal comes from a 35 mm equivalent that is rounded too much."""

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


def view(
    focal_mm: ArrayLike, equivalent_mm: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Diagonals (mm) by focal length and 35 mm equivalent, and whether rounding makes them rough (`ROUGH_VIEW`).

    Exif has the equivalent as whole millimetres; a focal length is taken as rounded to whole ones where
    it is one, else to tenths (common practice, no source).
    """
    focal, equivalent = np.asarray(focal_mm, float), np.asarray(equivalent_mm, float)
    with np.errstate(all="ignore"):
        step = np.where(focal % 1 == 0, _WHOLE_MM, _TENTH_MM)
        rough = step / 2 / focal + 0.5 / equivalent > ROUGH_VIEW
        return np.asarray(FULL_FRAME_DIAGONAL_MM * focal / equivalent), np.asarray(rough)


def _sides(width: float | None, height: float | None) -> Size | None:
    return (float(max(width, height)), float(min(width, height))) if width and height else None


def evidence_of(
    s: Any, view_mm: float | None, view_rough: bool, year: int | None
) -> Evidence | None:
    """What a file says of its kind and scale; None where its size is not known.

    `s` has the fields of `Settings`; `view_mm` and `view_rough` come from `view`.
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
        view_rough=view_rough,
        diagonal_mm=s.sensor_diagonal_mm,
        native=_sides(s.native_width_px, s.native_height_px),
        recoded=recoded,
        field_px=s.whole_side_px,
        resampled=bool(s.resampled),
        year=year,
    )
