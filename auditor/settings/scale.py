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
from auditor.settings.file_evidence import Evidence, Sensor, Verdict, evidence_of, view
from auditor.settings.kinds import figures, judge
from auditor.settings.known_sensors import known_sensor

__all__ = ["reconcile_scale"]

STEP: Final = 0.01
"""Step of logarithms in which figures are told apart: within one nothing changes."""

_FIGURES: Final = ("pixel_pitch_um", "sensor_share", "sensor_pixel_um")
"""Settled columns of numbers; the others are of text."""
_READ: Final = (
    *("width_px", "height_px", "written_width_px", "written_height_px"),
    *("native_width_px", "native_height_px", "sensor_diagonal_mm", "recoded", "resampled"),
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
    for name, column in columns.items():
        if name in out or name in ("source", "pixel_pitch_um", "pitch_basis"):
            like = "object" if column.dtype == object else None
            out[name] = pd.Series(column, index=out.index, dtype=like)
    return out


def _told(frames: pd.DataFrame) -> pd.DataFrame:
    """What every frame says of itself, named as in `Settings`; bodies by number."""
    own, writer = words(frames, "file_source"), words(frames, "source", "unknown")
    # Tables made by hand give the pitch that tags tell as the frame's own.
    by_tags = (own == "") & np.isin(words(frames, "pitch_basis").astype(str), _BY_TAGS)
    tagged, pitch = numbers(frames, "told_pitch_um"), numbers(frames, "pixel_pitch_um")
    view_mm, rough = view(numbers(frames, "focal_length_mm"), numbers(frames, "focal_35mm"))
    body = pd.factorize(frames["body"].astype("object"))[0]
    return pd.DataFrame({
        "body": np.where(body < 0, np.nan, body),
        "file_source": np.where(own == "", writer, own),
        "told_pitch_um": np.where(np.isnan(tagged) & by_tags, pitch, tagged),
        "view_mm": _stepped(view_mm), "view_rough": rough,
        "whole_side_px": _stepped(numbers(frames, "whole_side_px")),
        "year": pd.to_numeric(texts(frames, "taken").str[:4], errors="coerce").to_numpy(float),
        **{name: numbers(frames, name) for name in _READ},
    })  # fmt: skip


_BY_TAGS: Final = ("focal-plane", "maker", "")


def _stepped(values: NDArray[np.float64]) -> NDArray[np.float64]:
    with np.errstate(all="ignore"):
        return np.exp(np.round(np.log(values) / STEP) * STEP)


def _settled(rows: pd.DataFrame, frames: NDArray[np.int64]) -> list[dict[str, Any]]:
    """What is settled of each row; frames without a known size stay whose they were."""
    told = list(rows.itertuples(index=False))
    seen = [evidence_of(r, r.view_mm, bool(r.view_rough), r.year) for r in told]  # type: ignore[arg-type]
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
