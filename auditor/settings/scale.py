"""Scale and kind of file over all frames of a body: native sizes, pixel pitch, crop or downsized.

A frame with fewer pixels than its body's native size is either a part of the sensor (same pitch) or
the whole of it, made smaller (larger pitch). Its own tags tell, unless a program left them as they
were; then the 35 mm equivalent, the shape of the frame and missing private notes decide.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.settings.sensors import FULL_FRAME_DIAGONAL_MM

__all__ = ["reconcile_scale"]

SAME_SIZE: Final = 0.03
"""Relative difference in size within which frames count as native: borders differ between files."""
SAME_PITCH: Final = 0.06
"""Relative difference within which two pitches are one."""
PANORAMA: Final = 2.3
"""Shape (long over short) from which a frame may be stitched by the camera."""
CROP_FACTORS: Final = (1.2, 1.75)
"""How much smaller the part of the sensor is that cameras use in a crop mode, by its side (common
practice, no source)."""
HABIT: Final = 0.2
"""Share of a body's frames that makes a smaller size the photographer's habit."""

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


def reconcile_scale(frames: pd.DataFrame) -> pd.DataFrame:
    """The table with `pixel_pitch_um`, `pitch_basis` and `source` settled; `body` must be."""
    out = frames.copy(deep=False)
    t = _Table(frames)
    t.notes_dropped()
    native_long, native_short = t.native_size()
    pitch = t.consensus(native_long)
    t.settle(native_long, native_short, pitch)
    out["pixel_pitch_um"] = np.round(t.pitch, 4)
    out["pitch_basis"] = pd.Series(t.basis, index=frames.index, dtype="object")
    out["source"] = pd.Series(t.source, index=frames.index, dtype="object")
    return out


class _Table:
    """Columns as arrays; one entry per frame."""

    def __init__(self, frames: pd.DataFrame) -> None:
        def number(name: str) -> Floats:
            if name not in frames:
                return np.full(len(frames), np.nan)
            column = pd.to_numeric(frames[name], errors="coerce")
            return column.to_numpy(float, na_value=np.nan).copy()

        self.body = pd.factorize(frames["body"].astype("object"))[0]
        self.bodies = int(self.body.max(initial=-1)) + 1
        self.has_body = self.body >= 0
        width, height = number("width_px"), number("height_px")
        self.long, self.short = np.fmax(width, height), np.fmin(width, height)
        self.pitch = number("pixel_pitch_um")
        self.source = frames["source"].astype("object").fillna("unknown").to_numpy(object).copy()
        basis = frames["pitch_basis"] if "pitch_basis" in frames else pd.Series(None, frames.index)
        self.basis = basis.astype("object").where(basis.notna(), None).to_numpy(object).copy()
        diagonal = np.hypot(self.long, self.short)
        equivalent = number("focal_35mm")
        with np.errstate(all="ignore"):
            self.by_view = (
                FULL_FRAME_DIAGONAL_MM * number("focal_length_mm") / equivalent / diagonal * 1000
            )
        self.by_view[~np.isfinite(self.by_view) | (self.by_view <= 0)] = np.nan
        maker = frames["maker_note"] if "maker_note" in frames else pd.Series(None, frames.index)
        self.maker = maker.astype("object").map({True: 1.0, False: 0.0}).to_numpy(float)
        taken = frames["taken"] if "taken" in frames else pd.Series(None, frames.index)
        self.moment = pd.factorize(taken.astype("object"))[0]

    def _is(self, *kinds: str) -> Bools:
        return np.asarray(np.isin(self.source.astype(str), kinds))

    def _per_body(self, values: Floats, rows: Bools, how: str) -> Floats:
        """A statistic per body over some rows, spread back over all rows; NaN where there is none."""
        table = pd.Series(values[rows]).groupby(self.body[rows]).agg(how)
        result = np.full(self.bodies + 1, np.nan)
        result[table.index.to_numpy(int)] = table.to_numpy(float)
        return result[self.body]

    def notes_dropped(self) -> None:
        """A camera that writes private notes did not write a file without them."""
        rows = self.has_body & self._is("camera") & ~np.isnan(self.maker)
        share = self._per_body(self.maker, rows, "mean")
        count = self._per_body(self.maker, rows, "count")
        self.source[rows & (self.maker == 0) & (share >= 0.8) & (count >= 5)] = "edited"

    def native_size(self) -> tuple[Floats, Floats]:
        """Long and short side of the largest size that a body writes by itself.

        A size counts that several frames have, or half a percent of many; one enlarged or stitched
        picture does not. Bodies without such a size have the largest that there is.
        """
        sized = self.has_body & (self.long > 0)
        rows = np.flatnonzero(sized & ~self._is("resized"))
        sizes = pd.DataFrame(
            {
                "body": self.body[rows],
                "long": self.long[rows],
                "short": self.short[rows],
                "own": np.isin(self.source[rows].astype(str), ("raw", "camera")),
                "raw": self.source[rows] == "raw",
            }
        )
        groups = (
            sizes.groupby(["body", "long", "short"], sort=False)
            .agg(frames=("own", "size"), own=("own", "sum"), raw=("raw", "sum"))
            .reset_index()
        )
        total = groups.groupby("body")["own"].transform("sum")
        plain = groups["long"] < groups["short"] * PANORAMA
        enough = plain & ((groups["own"] >= np.maximum(2, 0.005 * total)) | (groups["raw"] > 0))
        own = plain & (groups["own"] > 0)
        groups["rank"] = np.select([enough, own, plain], [3, 2, 1], 0)
        groups["area"] = groups["long"] * groups["short"]
        top = groups.sort_values(["body", "rank", "area"]).groupby("body").last()
        # Raw files keep a border that the camera's own pictures lack; copies are made of the latter.
        near = (groups["long"] / groups["body"].map(top["long"]) - 1).abs() <= SAME_SIZE
        near &= groups["own"] > groups["raw"]
        groups["rendered"] = groups["own"] - groups["raw"]
        usual = groups[near].sort_values(["body", "rendered", "area"]).groupby("body").last()
        raw = self.source == "raw"
        sides = []
        for side in ("long", "short"):
            whole, shown = np.full(self.bodies + 1, np.nan), np.full(self.bodies + 1, np.nan)
            whole[top.index.to_numpy(int)] = top[side].to_numpy(float)
            shown[usual.index.to_numpy(int)] = usual[side].to_numpy(float)
            shown = np.where(np.isnan(shown), whole, shown)
            sides.append(np.where(raw, whole[self.body], shown[self.body]))
        return sides[0], sides[1]

    def consensus(self, native_long: Floats) -> Floats:
        """The body's pitch at its native size: what most focal-plane tags say, unless most
        35 mm equivalents say something quite different.

        Args:
            native_long: per frame, the native long side of its body.
        """
        native = self.has_body & (np.abs(self.long / native_long - 1) <= SAME_SIZE)
        told = native & ~np.isnan(self.pitch)
        exact = told & np.isin(
            self.basis.astype(str), ("focal-plane", "maker", "None", "consensus")
        )
        plane, agreeing = self._mode(exact)
        seen = native & ~np.isnan(self.by_view)
        view = self._per_body(self.by_view, seen, "median")
        views = np.nan_to_num(self._per_body(self.by_view, seen, "count"))
        with np.errstate(invalid="ignore"):
            against = (np.abs(np.log(plane / view)) > 0.2) & (views >= np.maximum(2, agreeing))
        pitch = np.where(np.isnan(plane) | against, view, plane)
        return np.where(self.has_body, pitch, np.nan)

    def _mode(self, rows: Bools) -> tuple[Floats, Floats]:
        """Per body, the median of the largest cluster of pitches, and how many are in it."""
        values = pd.DataFrame({"body": self.body[rows], "pitch": self.pitch[rows]})
        values["bin"] = np.round(np.log(values["pitch"]) / 0.02)
        sizes = values.groupby(["body", "bin"])["pitch"].agg(["size", "median"]).reset_index()
        # Between equals the smaller pitch: tags that were forgotten in downsizing are too small,
        # but those are not at the native size; doubled ones are a known fault.
        top = sizes.sort_values(["body", "size", "median"], ascending=[True, True, False])
        top = top.groupby("body").last()
        near = values["body"].map(top["median"])
        close = values[np.abs(values["pitch"] / near - 1) <= 0.03].groupby("body")["pitch"]
        pitch, count = np.full(self.bodies + 1, np.nan), np.zeros(self.bodies + 1)
        found = close.agg(["median", "size"])
        pitch[found.index.to_numpy(int)] = found["median"].to_numpy(float)
        count[found.index.to_numpy(int)] = found["size"].to_numpy(float)
        return pitch[self.body], count[self.body]

    def settle(self, native_long: Floats, native_short: Floats, pitch: Floats) -> None:
        """Each frame's pitch and kind against its body's."""
        with np.errstate(all="ignore"):
            ratio = native_long / self.long
            shape = np.abs(self.short * ratio / native_short - 1) <= 0.04
            own = self.pitch / pitch
            view = self.by_view / pitch
            native = self.has_body & (np.abs(ratio - 1) <= SAME_SIZE)
            smaller = self.has_body & (ratio > 1 + SAME_SIZE)
            larger = self.has_body & (ratio < 1 - SAME_SIZE)
            same = np.abs(np.log(own)) <= SAME_PITCH
            scaled = (np.abs(np.log(own / ratio)) <= SAME_PITCH) & ~same
            view_scaled = np.abs(np.log(view / ratio)) < np.abs(np.log(view))
        told = ~np.isnan(pitch)
        self._set(native & told, pitch, own)
        # Only part of the sensor's height or width: another shape, not another scale.
        sides = (self.short, self.long)
        part = np.zeros(len(self.long), bool)
        for side in sides:
            for whole in (native_short, native_long):
                part |= np.abs(side / whole - 1) <= SAME_SIZE
        part &= smaller & same & ~shape
        edited = self._is("edited", "resized")
        camera_notes = self._per_body(
            np.nan_to_num(self.maker), self.has_body & self._is("camera", "raw"), "mean"
        )
        bare = (self.maker == 0) & (camera_notes >= 0.8)
        copy = smaller & self._has_native_twin(native)
        worked_on = edited | bare | copy
        # The tags claim the native pitch. They may be left over from before downsizing.
        by_eye = ~np.isnan(view) & shape
        usual = (ratio >= CROP_FACTORS[0]) & (ratio <= CROP_FACTORS[1])
        crop = smaller & same & ~worked_on & np.where(by_eye, ~view_scaled, part | usual | ~shape)
        self._set(crop & told, pitch, own)
        cut = crop & ~part & ~shape & self._is("camera")
        self.source[cut] = "edited"
        other = (smaller & ~crop) | larger
        habit = other & smaller & scaled & self._is("camera") & (self.maker == 1)
        habit &= self._size_share() >= HABIT
        self._set(other & told & (shape | scaled), pitch * ratio, own / ratio)
        lost = other & told & ~shape & ~scaled
        self.pitch[lost] = np.nan
        self.basis[lost] = None
        self.source[other & ~habit] = "resized"

    def _set(self, rows: Bools, pitch: Floats, own: Floats) -> None:
        with np.errstate(invalid="ignore"):
            kept = np.abs(own - 1) <= 1e-3
        self.basis[rows & ~kept] = "consensus"
        self.pitch[rows] = pitch[rows]

    def _has_native_twin(self, native: Bools) -> Bools:
        """Frames whose body has a frame of native size at the very same moment."""
        key = pd.Series(
            self.body.astype(np.int64) * (int(self.moment.max(initial=0)) + 2) + self.moment
        )
        timed = self.has_body & (self.moment >= 0)
        twins = set(key[native & timed])
        return np.asarray(key.isin(twins)) & timed

    def _size_share(self) -> Floats:
        """Share of the body's frames that have this frame's size."""
        key = pd.DataFrame({"body": self.body, "long": self.long, "short": self.short})
        here = key.groupby(["body", "long", "short"], dropna=False)["body"].transform("size")
        return (here / key.groupby("body")["body"].transform("size")).to_numpy(float)
