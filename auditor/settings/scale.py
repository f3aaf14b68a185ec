"""Scale and kind of file over all frames of a body: what one file says, judged beside the others.

The archive's frames tell what the body's full size is and, where the database of sensors is silent, how
large its sensor is. Then every frame is judged by the rules for one file (`kinds`), with that knowledge
in place of its own; nothing is averaged over sizes.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.record.values import numbers
from auditor.settings.file_evidence import ROUGH_VIEW, Evidence, Verdict, rounding
from auditor.settings.kinds import LEAST_PX, judge
from auditor.settings.known_sensors import known_sensors
from auditor.settings.one_file import PITCH_LIMITS_UM
from auditor.settings.sensors import FULL_FRAME_DIAGONAL_MM, SMALL_MM

__all__ = ["STEP", "reconcile_scale"]

HABIT: Final = 0.2
"""Share of a body's frames that makes a smaller size the photographer's habit."""
NOTED: Final = 0.8
"""A body with private notes in this share of its files writes them into all ..."""
NOTED_FRAMES: Final = 5
"""... where so many files are there at least."""
FEW_SENSORS: Final = 6
"""No telephone has more cameras (common practice, no source)."""
OTHER_VIEW: Final = 1.1
"""Largest over smallest diagonal of a body's focal lengths from which it has several sensors."""
SAME_FIGURE: Final = 1e-3
"""Relative difference within which a pitch is the one that was there, so that its basis stands."""
STEP: Final = 0.01
"""Step of logarithms in which figures are told apart: within one nothing changes."""

LONGEST_OF_SMALL_MM: Final = 20.0
"""No telephone's camera has a longer focal length (common practice, no source)."""

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


def reconcile_scale(frames: pd.DataFrame) -> pd.DataFrame:
    """The table with `source`, `file_kind`, `pixel_pitch_um` and what goes with them settled; `body` must
    be. Columns of evidence (`file_source`, `told_pitch_um`) are filled where a table lacks them, so
    that a second time nothing changes."""
    out = frames.copy(deep=False)
    t = _Table(frames)
    e = t.evidence()
    sensors = known_sensors(e)
    verdicts = [_verdict(row, sensors) for row in e.itertuples(index=False)]
    t.write(out, verdicts)
    return out


def _verdict(row: Any, sensors: dict[Any, Any]) -> tuple[Verdict, Any]:
    def pair(long: float, short: float) -> tuple[float, float] | None:
        return (long, short) if long > 0 and short > 0 else None

    def some(value: float) -> float | None:
        return value if value > 0 else None

    evidence = Evidence(
        row.long,
        row.short,
        row.source,
        body=row.body >= 0,
        written=pair(row.written_long, row.written_short),
        tagged_um=some(row.tagged),
        view_mm=some(row.view),
        view_rough=bool(row.rough),
        diagonal_mm=some(row.diagonal),
        native=pair(row.native_long, row.native_short),
        recoded=None if np.isnan(row.recoded) else bool(row.recoded),
        field_px=some(row.field),
        resampled=row.resampled == 1,
        year=int(row.year) if row.year > 0 else None,
        habit=bool(row.habit),
        cameras_size=bool(row.cameras_size),
    )
    sensor = sensors[row.unit]
    return judge(evidence, sensor), sensor


class _Table:
    """Columns as arrays, one entry per frame; frames with the same evidence are judged once."""

    def __init__(self, frames: pd.DataFrame) -> None:
        self.frames = frames
        self.body = pd.factorize(frames["body"].astype("object"))[0]
        width, height = numbers(self.frames, "width_px"), numbers(self.frames, "height_px")
        self.long, self.short = np.fmax(width, height), np.fmin(width, height)
        self.source = self._source()
        self.tagged, self.basis = self._tagged()
        recoded = self._flag("recoded")
        maker = self._flag("maker_note")
        self.source[self._notes_dropped(maker)] = "edited"
        self.maker, self.recoded = maker, recoded

    def _flag(self, name: str) -> Floats:
        """1, 0 or not-a-number."""
        if name not in self.frames:
            return np.full(len(self.frames), np.nan)
        code, found = pd.factorize(self.frames[name])
        meant = {True: 1.0, False: 0.0}
        return np.array([*(meant.get(value, np.nan) for value in found), np.nan])[code]

    def _object(self, name: str) -> NDArray[np.object_]:
        if name not in self.frames:
            return np.full(len(self.frames), None, object)
        code, found = pd.factorize(self.frames[name])
        return np.array([*found, None], object)[code]

    def _source(self) -> NDArray[np.object_]:
        own, settled = self._object("file_source"), self._object("source")
        found = np.where(own == None, settled, own)  # noqa: E711
        return np.where(found == None, "unknown", found)  # noqa: E711

    def _tagged(self) -> tuple[Floats, NDArray[np.object_]]:
        """The pitch that tags tell; tables made by hand give it as the frame's own."""
        tagged, pitch, basis = (
            numbers(self.frames, "told_pitch_um"), numbers(self.frames, "pixel_pitch_um"), self._object("pitch_basis")
        )  # fmt: skip
        by_tags = np.isin(basis.astype(str), ("focal-plane", "maker", "None"))
        by_tags &= self._object("file_source") == None  # noqa: E711
        return np.where(np.isnan(tagged) & by_tags, pitch, tagged), basis

    def _notes_dropped(self, maker: Floats) -> Bools:
        """A camera that writes private notes did not write a file without them."""
        rows = (self.body >= 0) & (self.source == "camera") & ~np.isnan(maker)
        seen = pd.Series(maker[rows]).groupby(self.body[rows])
        share, count = (
            seen.agg(how).reindex(self.body).to_numpy(float) for how in ("mean", "count")
        )
        return np.asarray(rows & (maker == 0) & (share >= NOTED) & (count >= NOTED_FRAMES))

    def evidence(self) -> pd.DataFrame:
        """One row for all frames with the same evidence, with their number; `code` is of the frames."""
        focal, equivalent = (
            numbers(self.frames, "focal_length_mm"),
            numbers(self.frames, "focal_35mm"),
        )
        with np.errstate(all="ignore"):
            view = FULL_FRAME_DIAGONAL_MM * focal / equivalent
            rough = rounding(focal, equivalent) > ROUGH_VIEW
            view, focal, field = (
                np.exp(np.round(np.log(v) / STEP) * STEP)
                for v in (view, focal, numbers(self.frames, "whole_side_px"))
            )
            # Only bodies with several small sensors are parted by focal length.
            focal[~(focal < LONGEST_OF_SMALL_MM)] = np.nan
        pairs = {}
        for name in ("written", "native"):
            one, other = (
                numbers(self.frames, f"{name}_width_px"),
                numbers(self.frames, f"{name}_height_px"),
            )
            pairs[f"{name}_long"], pairs[f"{name}_short"] = np.fmax(one, other), np.fmin(one, other)
        table = {
            "body": self.body, "long": self.long, "short": self.short, "source": self.source,
            "tagged": self.tagged, "view": view, "rough": rough, "focal": focal, "field": field, "year": self._years(), **pairs,
            "diagonal": numbers(self.frames, "sensor_diagonal_mm"), "recoded": self.recoded,
            "maker": self.maker, "resampled": np.nan_to_num(self._flag("resampled")),
        }  # fmt: skip
        self.code, first = _codes(table)
        e = pd.DataFrame({name: column[first] for name, column in table.items()})
        e["frames"] = np.bincount(self.code, minlength=len(first))
        _mark_habits(e)
        _mark_camera_sizes(e)
        e["unit"] = _units(e)
        return e

    def _years(self) -> Floats:
        """The year from which a file by a program dates, as far as `kinds.LEAST_PX` parts them."""
        if "taken" not in self.frames:
            return np.full(len(self.frames), np.nan)
        code, found = pd.factorize(self.frames["taken"].astype("str").str.slice(0, 4))
        years = np.array([int(y) if y.isdigit() else 0 for y in found] + [0])
        steps = np.array([0, *sorted(year for year, _ in LEAST_PX)])
        year = steps[np.searchsorted(steps, years, "right") - 1][code]
        return np.where((self.source == "edited") & (year > 0), year, np.nan).astype(float)

    def write(self, out: pd.DataFrame, verdicts: list[tuple[Verdict, Any]]) -> None:
        """Verdicts into the table's columns."""
        code = self.code
        pitch = np.array([v.pitch_um if v.pitch_um else np.nan for v, _ in verdicts], float)
        low, high = PITCH_LIMITS_UM
        pitch = np.where((pitch >= low) & (pitch <= high), np.round(pitch, 4), np.nan)
        known = ~np.isnan(pitch)
        each = zip(verdicts, known, strict=True)
        basis, certainty = (
            np.array(column, object)
            for column in zip(
                *((_basis(s.basis), v.certainty) if k else (None, None) for (v, s), k in each),
                strict=True,
            )
        )
        own = numbers(self.frames, "pixel_pitch_um")
        spread = pitch[code]
        with np.errstate(invalid="ignore"):
            kept = np.abs(own / spread - 1) <= SAME_FIGURE
        kept &= self.basis != None  # noqa: E711
        columns = {
            "source": np.array([v.source for v, _ in verdicts], object)[code],
            "file_kind": np.array([v.kind for v, _ in verdicts], object)[code],
            "kind_reason": np.array([v.reason for v, _ in verdicts], object)[code],
            "pixel_pitch_um": spread,
            "pitch_basis": np.where(kept, self.basis, basis[code]),
            "pitch_certainty": certainty[code],
            "sensor_share": np.array([v.share if v.share else np.nan for v, _ in verdicts])[code],
            "sensor_pixel_um": np.array(
                [round(s.pixel_um, 4) if s.pixel_um else np.nan for _, s in verdicts]
            )[code],
            "file_source": self._source(),
            "told_pitch_um": self.tagged,
        }
        for name, column in columns.items():
            if name in out or name in ("source", "pixel_pitch_um", "pitch_basis"):
                like = "object" if column.dtype == object else None
                out[name] = pd.Series(column, index=out.index, dtype=like)


def _basis(name: str | None) -> str | None:
    return {"database": "database", None: None}.get(name, "consensus")


def _codes(table: dict[str, NDArray[Any]]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Code of each row's combination of values, and the first row of each combination."""
    rows = pd.DataFrame(table)
    code = rows.groupby(list(rows), sort=False, dropna=False).ngroup().to_numpy(np.int64)
    return code, np.unique(code, return_index=True)[1]


def _mark_habits(e: pd.DataFrame) -> None:
    """Sizes that the camera writes often, with its private notes whole."""
    camera = (e["source"] == "camera") & (e["maker"] == 1)
    here = e["frames"].where(camera, 0).groupby([e["body"], e["long"], e["short"]]).transform("sum")
    total = e["frames"].groupby(e["body"]).transform("sum")
    e["habit"] = camera & (here >= HABIT * total)


def _mark_camera_sizes(e: pd.DataFrame) -> None:
    """Files by programs that have a size which the camera wrote too, by all marks of its own files."""
    own = (e["source"] == "camera") & (e["recoded"] == 0) & (e["body"] >= 0)
    here = own.groupby([e["body"], e["long"], e["short"]]).transform("any")
    e["cameras_size"] = here & (e["source"] == "edited")


def _units(e: pd.DataFrame) -> list[tuple[int, float]]:
    """Body, and focal length where a body has several sensors: few focal lengths whose 35 mm
    equivalents tell of different diagonals."""
    several: dict[int, bool] = {}
    for body, part in e[e["view"] > 0].groupby("body"):
        views = part.groupby("focal")["view"].median()
        several[int(str(body))] = (
            2 <= len(views) <= FEW_SENSORS
            and bool(views.max() / views.min() > OTHER_VIEW)
            and not bool((part["diagonal"] > SMALL_MM).any())
        )
    return [
        (int(b), float(f) if several.get(int(b)) and f > 0 else 0.0)
        for b, f in zip(e["body"], e["focal"], strict=True)
    ]
