"""From frame table to the arrays that a fit takes."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.infer.lenses.grouping import LensGroup
from auditor.infer.lenses.mixture import CurveData
from auditor.infer.lenses.scenes import find_scenes
from auditor.infer.lenses.spectra import blend_spectra
from auditor.infer.lenses.table import Table

__all__ = ["curve_data"]

Floats = NDArray[np.float64]

_PITCH_UNKNOWN: Final = 4.0


def curve_data(table: Table, group: LensGroup, rows: NDArray[np.int64]) -> CurveData | None:
    """Arrays for the frames `rows` of a group; None when no frame holds a figure."""
    rows = table.sample(rows)
    if not len(rows):
        return None
    index, aperture = np.unique(table.aperture[rows], return_inverse=True)
    scene = find_scenes(table.signature(rows), table.outing[rows], table.burst[rows])
    stated = table.f_number[rows].astype(float)
    f_numbers = np.array([_middle(stated[aperture == j], int(i)) for j, i in enumerate(index)])
    pitch = group.pixel_pitch_um or _PITCH_UNKNOWN
    value = table.log_mtf50[rows].astype(float)
    stderr = table.relative_stderr[rows].astype(float)
    spectra = table.spectra(rows)
    if spectra is not None:
        value, stderr = blend_spectra(
            value, stderr, spectra, aperture, f_numbers, pitch, group.source, scene
        )
    typical = np.array([_median(stderr[:, z]) for z in range(stderr.shape[1])])
    # A part of the scatter is the same for all, whatever errors are stated.
    relative = 0.2 + 0.8 * (stderr / typical) ** 2
    relative = np.clip(np.where(np.isnan(relative), 1.5, relative), 0.2, 25.0)
    return CurveData(
        value, relative, typical, aperture, f_numbers, pitch, group.source,
        table.shake_stops[rows].astype(float), table.direction[rows].astype(float),
        table.outing[rows], scene, rows,
    )  # fmt: skip


def _median(values: Floats) -> float:
    known = values[~np.isnan(values)]
    return float(np.median(known)) if len(known) else 0.02


def _middle(f_number: Floats, index: int) -> float:
    """The f-number that the files of one nominal third state, kept next to the nominal one."""
    stated = float(np.median(f_number))
    return min(max(stated, 2 ** ((index - 6.49) / 6)), 2 ** ((index - 5.51) / 6))
