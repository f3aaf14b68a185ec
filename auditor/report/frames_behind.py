"""The frames behind a point: which they are, what they showed, and which of them to picture.

Rows are kept column-wise and short, one block per lens and one per body, so that 50,000 frames take
about a megabyte of page and are only unpacked when somebody asks. A point with many frames keeps its
sharpest, its softest and an even choice between.
"""

from __future__ import annotations

import math
import os.path
from collections.abc import Iterator
from typing import Any, Final

import numpy as np
import pandas as pd

from auditor.exposure import nominal_f_number
from auditor.infer.frame_values import evenly
from auditor.model import Body, Lens
from auditor.record import ZONES
from auditor.record.pools import SAME_SCALE
from auditor.record.values import words as names_of
from auditor.report import words
from auditor.report.rendering import link
from auditor.report.scales import SIXTH_STOP

__all__ = ["Block", "FrameIndex"]

ROWS_PER_POINT: Final = 60
"""At most so many frames per point: a list that is still read through, and hundreds of which weigh some 2 MB."""
_FOCAL_TOLERANCE_MM: Final = 0.5
"""Focal ranges are given in whole millimetres."""
PICTURED: Final = 6
"""At most so many pictures per point: a few are looked at, hundreds only weigh."""
_FIGURES: Final = {
    "focal_length_mm": 1, "f_number": 1, "exposure_time_s": 6, "iso": 0, "sigma_code8": 2,
    **{f"{z}_mtf50_cpp": 3 for z in ZONES},
}  # fmt: skip
"""Columns that a row shows, with the digits that are kept."""

_NAMES: Final = ("source", "body", "lens", "converter", "lens_serial")
"""Columns by which the rows behind a point are found."""
_SIZES: Final = ("pixel_pitch_um", "width_px", "height_px")
"""Columns of what a lens's pictures measure."""
_SHOWN: Final = ("path", "file_id", "taken")
"""Columns of text that a row shows or is pictured by."""

Points = dict[str, list[int]]
Block = dict[str, object]
"""Rows behind the points of a lens or body, by columns, as the page unpacks them."""


_LOOKED_UP: Final = ("source", "lens_serial", "nominal")
"""Columns by which rows are put to the points of a lens or body, beside the figures."""


class FrameIndex:
    """Finds the frames behind the points of a profile.

    `frames` has `record.COLUMNS` (any of them may be missing).
    """

    def __init__(self, frames: pd.DataFrame | None) -> None:
        self.begin()
        self._table = self._prepare(frames)
        # Rows are picked out of single columns: a row of the table copies all of them.
        self._column = {n: self._table[n].to_numpy() for n in (*_LOOKED_UP, *_SIZES, *_FIGURES)}
        self._text = {n: self._table[n].array for n in _SHOWN}
        self._by_lens = self._groups(["body", "lens", "converter"])
        self._by_body = self._groups(["body"])

    def begin(self) -> None:
        """Begin a page; what another one pictured is forgotten."""
        self.pictured: list[list[str]] = []
        """File ids worth a picture: one list per point, the sharpest first, then from the softest on."""
        self._keys: dict[str, str] = {}

    @staticmethod
    def _prepare(frames: pd.DataFrame | None) -> pd.DataFrame:
        if frames is None:
            frames = pd.DataFrame()
        kept = np.ones(len(frames), bool)
        if "status" in frames.columns:
            kept &= ~frames["status"].isin(["set-aside", "counted"]).to_numpy(bool)
        for name, wanted in (("best", True), ("upsampled", False)):  # as inference leaves them out
            if name in frames.columns:
                kept &= (frames[name].isna() | (frames[name] == wanted)).to_numpy(bool)
        weakest = frames.reindex(columns=["centre_mtf50_cpp", "corner_mtf50_cpp"]).reset_index(
            drop=True
        )
        weakest = weakest[kept].apply(pd.to_numeric, errors="coerce").astype(float).min(axis=1)
        order = weakest.fillna(-1).sort_values(ascending=False).index
        # The rows in their order at once: choosing rows copies every column that is there.
        table = frames.reindex(columns=["status", *_SHOWN, *_NAMES, *_SIZES, *_FIGURES]).iloc[order]
        for name in _NAMES:
            table[name] = names_of(table, name)
        for name in (*_SIZES, *_FIGURES):
            table[name] = pd.to_numeric(table[name], errors="coerce").astype(float)
        code, found = pd.factorize(table["f_number"])
        nominal = [nominal_f_number(n) if math.isfinite(n) and n > 0 else math.nan for n in found]
        table["nominal"] = np.array([*nominal, math.nan])[code]
        return table

    def _groups(self, keys: list[str]) -> dict[Any, np.ndarray]:
        """Row numbers of each lens or body."""
        if self._table.empty:
            return {}
        groups = self._table.groupby(keys, sort=False).indices
        return {key if isinstance(key, tuple) else (key,): rows for key, rows in groups.items()}

    def _rows_of(self, lens: Lens) -> np.ndarray | None:
        """Rows by which a lens was judged: of its kind of file, copy and pixel pitch."""
        key = tuple(_key(lens.get(k)) for k in ("body", "lens", "converter"))
        rows = self._by_lens.get(key)
        if rows is None:
            return None
        for name in ("source", "lens_serial"):
            value = lens.get(name)
            same = self._column[name][rows] == value
            if isinstance(value, str) and same.any():
                rows = rows[same]
        if pitch := lens.get("pixel_pitch_um"):
            own = self._column["pixel_pitch_um"][rows]
            # An unknown pitch counts as that of most, as the curve has it.
            same = np.isnan(own) | (np.abs(own / pitch - 1) <= SAME_SCALE)
            rows = rows[same] if same.any() else rows
        return rows

    def height(self, lens: Lens) -> int | None:
        """Usual height (px, short side) of the pictures by which a lens was judged; None where it is unknown."""
        rows = self._rows_of(lens)
        if rows is None:
            return None
        short = np.minimum(self._column["width_px"][rows], self._column["height_px"][rows])
        known = short[np.isfinite(short)]
        return int(np.median(known)) if len(known) else None

    def lens_block(self, lens: Lens) -> Block | None:
        """Rows of one lens and, per 'focal range:aperture', which of them lie behind the point."""
        rows = self._rows_of(lens)
        if rows is None:
            return None
        chosen: list[tuple[str, np.ndarray]] = []
        focal, nominal = (self._column[name][rows] for name in ("focal_length_mm", "nominal"))
        for i, part in enumerate(lens.get("focal_ranges") or ()):
            within = np.ones(len(rows), bool)
            ends = [words.number(v) for v in part.get("focal_mm") or ()]
            known = [v for v in ends if v is not None]
            if len(known) == 2:
                within = (focal >= known[0] - _FOCAL_TOLERANCE_MM) & (
                    focal <= known[1] + _FOCAL_TOLERANCE_MM
                )
            for j, row in enumerate(part.get("apertures") or ()):
                n = row.get("f_number")
                if n and n > 0:
                    hit = np.flatnonzero(within & (np.abs(nominal - nominal_f_number(n)) < 1e-6))
                    chosen.append((f"{i}:{j}", hit))
        return self._block(rows, chosen)

    def body_block(self, body: Body) -> Block | None:
        """Rows of one body and, per 'tone row', which of them were taken at its ISO."""
        rows = self._by_body.get((_key(body.get("body")),))
        if rows is None:
            return None
        same = self._column["source"][rows] == body.get("kind")
        rows = rows[same] if same.any() else rows
        iso = self._column["iso"][rows]
        hits: dict[float, np.ndarray] = {}
        chosen = []
        for j, tone in enumerate(body.get("tones") or ()):
            value = tone.get("iso")
            if value and value > 0:
                if value not in hits:  # within a sixth of a stop: odd values belong to the nearest
                    with np.errstate(divide="ignore", invalid="ignore"):
                        hits[value] = np.flatnonzero(np.abs(np.log2(iso / value)) < SIXTH_STOP)
                chosen.append((f"0:{j}", hits[value]))
        return self._block(rows, chosen)

    def _block(self, of: np.ndarray, chosen: list[tuple[str, np.ndarray]]) -> Block:
        """Rows behind some points; `of` are the rows of a lens or body, and each point's are places in it."""
        used: dict[int, int] = {}
        points: Points = {}
        totals: dict[str, int] = {}
        for key, hit in chosen:
            kept = hit[evenly(len(hit), ROWS_PER_POINT)]
            points[key] = [used.setdefault(int(r), len(used)) for r in kept]
            totals[key] = len(hit)
        rows = of[np.fromiter(used, np.int64, len(used))]
        ids = self._texts_of("file_id", rows)
        for found in points.values():
            kept = evenly(len(found), PICTURED).tolist()
            # The softest is second: where room for pictures is short both ends are seen.
            chosen_ids = [ids[found[i]] for i in (*kept[:1], *kept[:0:-1])]
            self.pictured.append([file_id for file_id in chosen_ids if file_id])
        keys = [self.picture_key(i) if i else "" for i in ids]
        return {"points": points, "totals": totals, **self._columns(rows), "id": keys}

    def _texts_of(self, name: str, rows: np.ndarray) -> list[Any]:
        """A column's texts of some rows: of a million they would weigh as much as all else."""
        return _texts(self._text[name].take(rows))

    def _columns(self, rows: np.ndarray) -> Block:
        paths = [words.clean(p) for p in self._texts_of("path", rows)]
        folders: dict[str, int] = {}
        heads = [folders.setdefault(os.path.dirname(p), len(folders)) for p in paths]
        out: Block = {
            "folders": list(folders),
            "addresses": [link(f) for f in folders],
            "folder": heads,
            "name": [os.path.basename(p) for p in paths],
            "taken": [str(t)[:16].replace("T", " ") for t in self._texts_of("taken", rows)],
        }
        for name, digits in _FIGURES.items():
            values = np.round(self._column[name][rows], digits).tolist()
            out[name] = [
                None if not math.isfinite(v) else int(v) if digits == 0 else v for v in values
            ]
        return out

    def picture_key(self, file_id: str) -> str:
        """The short name under which the page keeps the pictures of a file."""
        return self._keys.setdefault(file_id, f"p{len(self._keys)}")

    def wanted(self) -> Iterator[str]:
        """File ids in the order in which pictures should be spent: the first of every point first."""
        for rank in range(PICTURED):
            for point in self.pictured:
                if rank < len(point):
                    yield point[rank]


def _key(value: Any) -> str:
    """A name as the frame table has it: the profile's 'unknown lens' is an empty name there."""
    return value if isinstance(value, str) and words.known_name(value) else ""


def _texts(column: Any) -> list[Any]:
    """Texts that are only shown, '' where missing."""
    return [text if isinstance(text, str) or pd.notna(text) else "" for text in column.tolist()]
