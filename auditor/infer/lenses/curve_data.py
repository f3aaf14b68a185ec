"""From frame table to the arrays that a fit takes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.lenses.grouping import (
    LensGroup,
    aperture_index,
    nominal_from_index,
    numbers,
    texts,
)
from auditor.infer.lenses.mixture import CurveData
from auditor.infer.lenses.scenes import find_scenes
from auditor.infer.lenses.spectra import blend_spectra
from auditor.record import SPECTRUM_CPP, ZONES

__all__ = ["Spectra", "Table", "curve_data", "read_table"]

Floats = NDArray[np.float64]

CELL_LIMIT: Final = 160
"""Frames at one aperture beyond which a random sample stands for all: what more frames could
still change is far below what they share (scene, outing, the measurement itself)."""
_PITCH_UNKNOWN: Final = 4.0


Spectra = Callable[[NDArray[np.int64]], NDArray[np.float32] | None]
"""Log power spectra (m x Z x 16) of rows of the frame table (m); None where there are none."""


@dataclass(frozen=True, slots=True)
class Table:
    """The columns of the frame table that curves need, n rows, NaN where unmeasured."""

    log_mtf50: Floats
    """n x Z over `record.ZONES`."""
    relative_stderr: Floats
    aperture: NDArray[np.int64]
    f_number: Floats
    focal_mm: Floats
    shake_stops: Floats
    direction: Floats
    outing: NDArray[np.int64]
    burst: NDArray[np.int64]
    signature: NDArray[np.object_]
    spectra: Spectra


def read_table(frames: pd.DataFrame, spectra: Spectra | None = None) -> Table:
    """Read and check the columns. Impossible figures (not within 0 to 1 c/px) count as missing.

    `spectra` gives the spectra where the frame table does not hold them.
    """
    value = np.stack([numbers(frames, f"{z}_mtf50_cpp") for z in ZONES], axis=1)
    value[~((value > 0.005) & (value < 1.0))] = np.nan
    stderr = np.stack([numbers(frames, f"{z}_stderr_cpp") for z in ZONES], axis=1) / value
    stderr[~((stderr > 0) & (stderr < 5))] = np.nan
    f_number = numbers(frames, "f_number")
    focal = numbers(frames, "focal_length_mm")
    focal[~((focal > 0.5) & (focal < 20_000))] = np.nan
    seconds = numbers(frames, "exposure_time_s")
    seconds[~((seconds > 0) & (seconds < 1e6))] = np.nan
    along, down = numbers(frames, "horizontal_cpp"), numbers(frames, "vertical_cpp")
    with np.errstate(invalid="ignore", divide="ignore"):
        direction = np.log(along / down)
    direction[~np.isfinite(direction)] = np.nan
    return Table(
        np.log(value), stderr, aperture_index(f_number), f_number, focal,
        np.log2(seconds * focal), direction, _codes(frames, "outing"),
        _codes(frames, "burst"), texts(frames, "signature").to_numpy(dtype=object),
        spectra or _spectra_of(frames),
    )  # fmt: skip


def _spectra_of(frames: pd.DataFrame) -> Spectra:
    """Spectra from the columns of the frame table, read only for the rows that are asked for."""
    names = [f"{z}_spectrum_{i:02d}" for z in ZONES for i in range(len(SPECTRUM_CPP))]

    def read(rows: NDArray[np.int64]) -> NDArray[np.float32] | None:
        if any(n not in frames for n in names):
            return None
        part = frames[names].iloc[rows]
        values = np.stack([numbers(part, n).astype(np.float32) for n in names], axis=1)
        return values.reshape(len(rows), len(ZONES), len(SPECTRUM_CPP))

    return read


def _codes(frames: pd.DataFrame, name: str) -> NDArray[np.int64]:
    values = numbers(frames, name)
    missing = np.isnan(values)
    # A frame whose outing is unknown stands alone.
    lone = -1.0 - np.arange(len(values))
    return np.where(missing, lone, values).astype(np.int64)


def curve_data(
    table: Table, group: LensGroup, rows: NDArray[np.int64], seed: int = 0
) -> CurveData | None:
    """Arrays for the frames `rows` of a group; None when no frame holds a figure."""
    rows = rows[(table.aperture[rows] >= 0) & ~np.isnan(table.log_mtf50[rows]).all(1)]
    if not len(rows):
        return None
    rows = _sample(rows, table.aperture[rows], seed)
    index, aperture = np.unique(table.aperture[rows], return_inverse=True)
    scene = find_scenes(table.signature[rows], table.outing[rows], table.burst[rows])
    f_numbers = np.array(
        [_middle(table.f_number[rows], aperture, j, i) for j, i in enumerate(index)]
    )
    pitch = group.pixel_pitch_um or _PITCH_UNKNOWN
    value, stderr = table.log_mtf50[rows], table.relative_stderr[rows]
    spectra = table.spectra(rows)
    if spectra is not None and np.isfinite(spectra).any():
        value, stderr = blend_spectra(
            value, stderr, spectra.astype(float), aperture, f_numbers, pitch, group.source, scene
        )
    typical = np.array([_median(stderr[:, z]) for z in range(stderr.shape[1])])
    # A part of the scatter is the same for all, whatever errors are stated.
    relative = 0.2 + 0.8 * (stderr / typical) ** 2
    relative = np.clip(np.where(np.isnan(relative), 1.5, relative), 0.2, 25.0)
    return CurveData(
        value, relative, typical, aperture, f_numbers,
        pitch, group.source, table.shake_stops[rows], table.direction[rows],
        table.outing[rows], scene, rows,
    )  # fmt: skip


def _median(values: Floats) -> float:
    known = values[~np.isnan(values)]
    return float(np.median(known)) if len(known) else 0.02


def _middle(f_number: Floats, aperture: NDArray[np.int64], j: int, index: int) -> float:
    """The f-number that the files of one nominal third state, kept next to the nominal one."""
    stated = float(np.median(f_number[aperture == j]))
    return min(max(stated, 2 ** ((index - 6.49) / 6)), 2 ** ((index - 5.51) / 6))


def _sample(rows: NDArray[np.int64], aperture: NDArray[np.int64], seed: int) -> NDArray[np.int64]:
    """At most `CELL_LIMIT` rows of each aperture, by chance."""
    counts = np.bincount(aperture)
    if counts.max() <= CELL_LIMIT:
        return rows
    shuffled = np.random.default_rng(seed).permutation(len(rows))
    order = shuffled[np.argsort(aperture[shuffled], kind="stable")]
    start = np.concatenate([[0], np.cumsum(counts)[:-1]])
    rank = np.arange(len(rows)) - start[aperture[order]]
    return rows[np.sort(order[rank < CELL_LIMIT])]


def nominal_apertures(table: Table, rows: NDArray[np.int64]) -> list[float]:
    """Engraved apertures that the rows hold, ascending."""
    index = np.unique(table.aperture[rows])
    return [nominal_from_index(int(i)) for i in index if i >= 0]
