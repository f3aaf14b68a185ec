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

from auditor.record.values import numbers, words
from auditor.settings.file_evidence import ROUGH_VIEW, Evidence, Sensor, Verdict, rounding
from auditor.settings.kinds import LEAST_PX, SAME_SIZE, judge
from auditor.settings.known_sensors import known_sensors
from auditor.settings.one_file import figures
from auditor.settings.sensors import FULL_FRAME_DIAGONAL_MM, SMALL_MM

__all__ = ["reconcile_scale"]

HABIT: Final = 0.2
"""Share of a body's frames that makes a smaller size the photographer's habit."""
BOXED: Final = 3
"""Files of different shapes with one longest side that make it the side of a box they were fitted into."""
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

_FIGURES: Final = ("pixel_pitch_um", "sensor_share", "sensor_pixel_um")
"""Settled columns of numbers; the others are of text."""

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
    whole = np.zeros(len(e), bool)
    for i, row in enumerate(e.itertuples(index=False)):
        size = sensors[row.unit].size if row.unit in sensors else None
        if size is not None:
            whole[i] = abs(max(row.long / size[0], row.short / size[1]) - 1) <= SAME_SIZE
    copies = t.copies(whole[t.code])
    e, code = t.split(e, copies)
    verdicts = [_verdict(row, sensors) for row in e.itertuples(index=False)]
    t.write(out, verdicts, code)
    return out


def _verdict(row: Any, sensors: dict[Any, Sensor]) -> tuple[Verdict, Sensor]:
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
        is_copy=bool(row.is_copy),
        boxed=bool(row.boxed),
        cameras_size=bool(row.cameras_size),
    )
    sensor = sensors[row.unit]
    return judge(evidence, sensor), sensor


class _Table:
    """Columns as arrays, one entry per frame; frames with the same evidence are judged once."""

    def __init__(self, frames: pd.DataFrame) -> None:
        self.frames = frames
        self.body = pd.factorize(frames["body"].astype("object"))[0]
        self.long, self.short = self._sides("")
        own, self.who_wrote = words(frames, "file_source"), words(frames, "source", "unknown")
        self.who_wrote[own != ""] = own[own != ""]
        self.basis = words(frames, "pitch_basis")
        # Tables made by hand give the pitch that tags tell as the frame's own.
        by_tags = (own == "") & np.isin(self.basis.astype(str), ("focal-plane", "maker", ""))
        tagged, pitch = numbers(frames, "told_pitch_um"), numbers(frames, "pixel_pitch_um")
        self.tagged = np.where(np.isnan(tagged) & by_tags, pitch, tagged)
        self.recoded, self.maker = numbers(frames, "recoded"), numbers(frames, "maker_note")
        self.source = self.who_wrote.copy()
        self.source[self._notes_dropped(self.maker)] = "edited"

    def _sides(self, of: str) -> tuple[Floats, Floats]:
        """Longer and shorter side in pixels of the frame or, with 'native_', of the sensor."""
        one, other = (numbers(self.frames, f"{of}{side}_px") for side in ("width", "height"))
        return np.fmax(one, other), np.fmin(one, other)

    def _notes_dropped(self, maker: Floats) -> Bools:
        """A camera that writes private notes did not write a file without them."""
        rows = (self.body >= 0) & (self.source == "camera") & ~np.isnan(maker)
        by_body = pd.Series(maker[rows]).groupby(self.body[rows])
        share, count = (
            by_body.agg(how).reindex(self.body).to_numpy(float) for how in ("mean", "count")
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
        written, native = self._sides("written_"), self._sides("native_")
        table = {
            "body": self.body, "long": self.long, "short": self.short, "source": self.source,
            "tagged": self.tagged, "view": view, "rough": rough, "focal": focal, "field": field, "year": self._years(),
            "written_long": written[0], "written_short": written[1],
            "native_long": native[0], "native_short": native[1],
            "diagonal": numbers(self.frames, "sensor_diagonal_mm"), "recoded": self.recoded,
            "maker": self.maker, "resampled": np.nan_to_num(numbers(self.frames, "resampled")),
        }  # fmt: skip
        rows = pd.DataFrame(table)
        self.code = rows.groupby(list(rows), sort=False, dropna=False).ngroup().to_numpy(np.int64)
        first = np.unique(self.code, return_index=True)[1]
        e = pd.DataFrame({name: column[first] for name, column in table.items()})
        e["frames"] = np.bincount(self.code, minlength=len(first))
        _mark_habits(e)
        _mark_boxes(e)
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

    def copies(self, whole: Bools) -> Bools:
        """Frames whose body has a frame of full size at the very same moment, and those without the
        private notes that the body writes."""
        if "taken" not in self.frames:
            moment = np.full(len(self.frames), -1)
        else:
            moment = pd.factorize(self.frames["taken"])[0]
        key = pd.Series(self.body.astype(np.int64) * (int(moment.max(initial=0)) + 2) + moment)
        timed = (self.body >= 0) & (moment >= 0)
        duplicate = key.isin(key[whole & timed]).to_numpy(bool) & timed & ~(self.recoded == 0)
        rows = (self.body >= 0) & np.isin(self.source.astype(str), ("camera", "raw"))
        notes = pd.Series(np.nan_to_num(self.maker[rows])).groupby(self.body[rows]).mean()
        without_notes = (self.maker == 0) & (notes.reindex(self.body).to_numpy(float) >= NOTED)
        return np.asarray(duplicate | without_notes)

    def split(self, e: pd.DataFrame, is_copy: Bools) -> tuple[pd.DataFrame, NDArray[np.int64]]:
        """Evidence parted by whether a frame is a copy, and the new code of each frame."""
        both = self.code * 2 + is_copy
        found, code = np.unique(both, return_inverse=True)
        parted = e.iloc[found // 2].reset_index(drop=True)
        parted["is_copy"] = (found % 2).astype(bool)
        return parted, code

    def write(
        self,
        out: pd.DataFrame,
        verdicts: list[tuple[Verdict, Sensor]],
        code: NDArray[np.int64],
    ) -> None:
        """Verdicts into the table's columns; `code` is the verdict of each frame."""
        settled = [figures(v, s, _basis(s.basis)) for v, s in verdicts]
        columns = {
            name: np.array([one[name] for one in settled], float if name in _FIGURES else object)
            for name in settled[0]
        }
        columns = {name: column[code] for name, column in columns.items()}
        with np.errstate(invalid="ignore"):
            kept = numbers(self.frames, "pixel_pitch_um") / columns["pixel_pitch_um"] - 1
        kept = (np.abs(kept) <= SAME_FIGURE) & (self.basis != "")
        columns["pitch_basis"] = np.where(kept, self.basis, columns["pitch_basis"])
        columns |= {"file_source": self.who_wrote, "told_pitch_um": self.tagged}
        for name, column in columns.items():
            if name in out or name in ("source", "pixel_pitch_um", "pitch_basis"):
                like = "object" if column.dtype == object else None
                out[name] = pd.Series(column, index=out.index, dtype=like)


def _basis(name: str | None) -> str | None:
    return "consensus" if name in ("tagged", "equivalent") else name


def _mark_habits(e: pd.DataFrame) -> None:
    """Sizes that the camera writes often, with its private notes whole."""
    camera = (e["source"] == "camera") & (e["maker"] == 1)
    here = e["frames"].where(camera, 0).groupby([e["body"], e["long"], e["short"]]).transform("sum")
    total = e["frames"].groupby(e["body"]).transform("sum")
    e["habit"] = camera & (here >= HABIT * total)


def _mark_boxes(e: pd.DataFrame) -> None:
    """Longest sides that files of several shapes share: they were fitted into a box."""
    by_program = e["source"].isin(["edited", "resized"])
    part = e[by_program & (e["body"] >= 0)]
    if part.empty:
        e["boxed"] = False
        return
    sides = part.groupby(["body", "long"]).agg(n=("frames", "sum"), shapes=("short", "nunique"))
    boxes = sides[(sides["n"] >= BOXED) & (sides["shapes"] >= 2)].index
    e["boxed"] = by_program & pd.MultiIndex.from_frame(e[["body", "long"]]).isin(boxes)


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
