"""Scale and kind of file over all frames of a body: what one file says, judged beside the others.

The archive's frames tell what the body's full size is and, where the database of sensors is silent, how
large its sensor is. Then every frame is judged by the rules for one file (`kinds`), with that knowledge
in place of its own; nothing is averaged over sizes.
"""

from __future__ import annotations

import dataclasses
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.record import FileKind
from auditor.record.values import numbers, texts, words
from auditor.settings.body_sensor import (
    Evidence,
    Sensor,
    Verdict,
    evidence_of,
    known_sensor,
)
from auditor.settings.kinds import figures, judge
from auditor.settings.sensors import FULL_FRAME_DIAGONAL_MM, SMALL_MM

__all__ = ["reconcile_scale"]

STEP: Final = 0.01
"""Step of logarithms in which figures are told apart: within one nothing changes."""

SAME_FIGURE: Final = 1e-3
"""Relative difference within which a pitch is the one that tags tell: tags are rounded."""
_FIGURES: Final = ("pixel_pitch_um", "sensor_share", "sensor_pixel_um")
"""Settled columns of numbers; the others are of text."""
_READ: Final = (
    *("width_px", "height_px", "written_width_px", "written_height_px"),
    *("native_width_px", "native_height_px", "sensor_diagonal_mm"),
    *("recoded", "maker_note", "resampled"),
)
"""Columns of evidence that are taken as they are."""


def reconcile_scale(frames: pd.DataFrame) -> pd.DataFrame:
    """The table with `source`, `file_kind`, `pixel_pitch_um` and what goes with them settled; `body` must
    be. Columns of evidence (`file_source`, `told_pitch_um`) are filled where a table lacks them, so
    that a second time nothing changes."""
    out = frames.copy(deep=False)
    told = _told(frames)
    code = told.groupby(list(told), sort=False, dropna=False).ngroup().to_numpy(np.int64)
    rows = told.iloc[np.unique(code, return_index=True)[1]].astype(object)
    settled = _settled(rows.where(rows.notna(), None), np.bincount(code, minlength=len(rows)))
    columns = {
        name: np.array([one[name] for one in settled], float if name in _FIGURES else object)[code]
        for name in settled[0]
    }
    columns |= {name: told[name].to_numpy() for name in ("file_source", "told_pitch_um")}
    # A pitch that the file's own tags tell stays theirs.
    basis = words(frames, "pitch_basis")
    apart = np.abs(columns["told_pitch_um"] / columns["pixel_pitch_um"] - 1)
    own = np.isin(basis.astype(str), ("focal-plane", "maker")) & (apart <= SAME_FIGURE)
    columns["pitch_basis"] = np.where(own, basis, columns["pitch_basis"])
    for name, column in columns.items():
        if name in out or name in ("source", "pixel_pitch_um", "pitch_basis"):
            like = "object" if column.dtype == object else None
            out[name] = pd.Series(column, index=out.index, dtype=like)
    return out


def _told(frames: pd.DataFrame) -> pd.DataFrame:
    """What every frame says of itself, named as in `Settings`; bodies by number, see `_cameras`."""
    own, writer = words(frames, "file_source"), words(frames, "source", "unknown")
    # Tables made by hand give the pitch that tags tell as the frame's own.
    by_tags = (own == "") & np.isin(words(frames, "pitch_basis").astype(str), _BY_TAGS)
    tagged, pitch = numbers(frames, "told_pitch_um"), numbers(frames, "pixel_pitch_um")
    focal, equivalent = numbers(frames, "focal_length_mm"), numbers(frames, "focal_35mm")
    with np.errstate(all="ignore"):
        view_mm = FULL_FRAME_DIAGONAL_MM * focal / equivalent
    return pd.DataFrame({
        "body": _cameras(frames, view_mm),
        "file_source": np.where(own == "", writer, own),
        "told_pitch_um": np.where(np.isnan(tagged) & by_tags, pitch, tagged),
        "view_mm": _stepped(view_mm),
        "whole_side_px": _stepped(numbers(frames, "whole_side_px")),
        "year": pd.to_numeric(texts(frames, "taken").str[:4], errors="coerce").to_numpy(float),
        **{name: numbers(frames, name) for name in _READ},
    })  # fmt: skip


_BY_TAGS: Final = ("focal-plane", "maker", "")


def _stepped(values: NDArray[np.float64]) -> NDArray[np.float64]:
    with np.errstate(all="ignore"):
        return np.exp(np.round(np.log(values) / STEP) * STEP)


MOST_CAMERAS: Final = 5
"""No telephone has more (common practice, no source)."""
LONGEST_OF_SMALL_MM: Final = 20.0
"""No telephone's camera has a longer focal length (common practice, no source)."""
OTHER_VIEW: Final = 1.1
"""Largest over smallest diagonal of a body's focal lengths from which it has several sensors."""


def _cameras(frames: pd.DataFrame, view_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Cameras by number, NaN without a name: a body each, but telephones have several under one name. Few focal
    lengths that tell of different diagonals are a camera each, unless the body's sensor is known to be large.
    """
    focal = numbers(frames, "focal_length_mm")
    rows = pd.DataFrame({
        "body": pd.factorize(frames["body"].astype("object"))[0],
        "focal": _stepped(np.where(focal < LONGEST_OF_SMALL_MM, focal, np.nan)),
        "view": view_mm,
    })  # fmt: skip
    views = rows.dropna().groupby(["body", "focal"])["view"].median().groupby("body")
    apart = views.max() > views.min() * OTHER_VIEW
    several = apart.index[apart & (views.size() <= MOST_CAMERAS)]
    large = rows["body"][numbers(frames, "sensor_diagonal_mm") > SMALL_MM]
    parted = rows["body"].isin(several.difference(large))
    rows["focal"] = rows["focal"].where(parted)
    number = rows.groupby(["body", "focal"], sort=False, dropna=False).ngroup()
    return number.where(rows["body"] >= 0).to_numpy(float)


def _settled(rows: pd.DataFrame, frames: NDArray[np.int64]) -> list[dict[str, Any]]:
    """What is settled of each row; frames without a known size stay whose they were."""
    told = list(rows.itertuples(index=False))
    seen = [evidence_of(r, r.view_mm, r.year) for r in told]  # type: ignore[arg-type]
    bodies: dict[object, list[tuple[Evidence, int]]] = {}
    by_camera = set()
    for r, e, n in zip(told, seen, frames.tolist(), strict=True):
        if e is not None and r.body is not None:
            bodies.setdefault(r.body, []).append((e, n))
            if e.source == "camera" and e.recoded is False:
                by_camera.add((r.body, e.long, e.short))
    sensors = {body: known_sensor(found) for body, found in bodies.items()}
    out = []
    for r, e in zip(told, seen, strict=True):
        if e is None:
            kind: FileKind = "raw" if r.file_source == "raw" else "unknown"
            unsized = Verdict(r.file_source, kind, "its size is not known")  # type: ignore[arg-type]
            out.append(figures(unsized, Sensor(), None))
            continue
        if e.source == "edited" and (r.body, e.long, e.short) in by_camera:
            e = dataclasses.replace(e, cameras_size=True)
        sensor = sensors.get(r.body, Sensor())
        basis = "consensus" if sensor.basis in ("tagged", "equivalent") else sensor.basis
        out.append(figures(judge(e, sensor), sensor, basis))
    return out
