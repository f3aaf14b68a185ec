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
from numpy.typing import NDArray

from auditor.exposure import nominal_f_number
from auditor.infer.frame_values import evenly
from auditor.model import Body, Lens
from auditor.record import ZONES
from auditor.record.pools import SAME_SCALE
from auditor.record.values import numbers
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

Points = dict[str, list[int]]
Block = dict[str, object]
"""Rows behind the points of a lens or body, by columns, as the page unpacks them."""
Rows = NDArray[np.int64]


class FrameIndex:
    """Finds the frames behind the points of a profile.

    `frames` has `record.COLUMNS` (any of them may be missing).
    """

    def __init__(self, frames: pd.DataFrame | None) -> None:
        self.begin()
        frames = pd.DataFrame() if frames is None else frames
        kept = np.ones(len(frames), bool)
        if "status" in frames:
            kept &= ~frames["status"].isin(["set-aside", "counted"]).to_numpy(bool)
        for name, wanted in (("best", True), ("upsampled", False)):  # as inference leaves them out
            if name in frames:
                kept &= (frames[name].isna() | (frames[name] == wanted)).to_numpy(bool)
        weaker = np.fmin(numbers(frames, "centre_mtf50_cpp"), numbers(frames, "corner_mtf50_cpp"))
        order = np.argsort(-np.nan_to_num(weaker, nan=-1.0), kind="stable")
        order = order[kept[order]]
        # Single columns: a row picked out of the table would copy all of them.
        sizes = ("pixel_pitch_um", "width_px", "height_px")
        self._number = {name: numbers(frames, name)[order] for name in (*sizes, *_FIGURES)}
        names = ("source", "body", "lens", "converter", "lens_serial")
        self._name = {name: names_of(frames, name)[order] for name in names}
        found, code = np.unique(self._number["f_number"], return_inverse=True)
        nominal = [nominal_f_number(n) if math.isfinite(n) and n > 0 else math.nan for n in found]
        self._nominal = np.array(nominal, float)[code]
        self._text = {
            name: (frames[name] if name in frames else pd.Series("", frames.index)).array
            for name in ("path", "file_id", "taken")
        }
        self._order = order
        self._by_lens = self._groups(["body", "lens", "converter"])
        self._by_body = self._groups(["body"])

    def begin(self) -> None:
        """Begin a page; what another one pictured is forgotten."""
        self.pictured: list[list[str]] = []
        """File ids worth a picture: one list per point, the sharpest first, then from the softest on."""
        self._keys: dict[str, str] = {}

    def _groups(self, keys: list[str]) -> dict[Any, Rows]:
        """Row numbers of each lens or body."""
        table = pd.DataFrame({key: self._name[key] for key in keys}, dtype=object)
        groups = table.groupby(keys, sort=False).indices if len(table) else {}
        return {key if isinstance(key, tuple) else (key,): rows for key, rows in groups.items()}

    def _alike(self, rows: Rows, name: str, value: Any) -> Rows:
        """Those of some rows that bear a name, or all where none does or none is given."""
        same = self._name[name][rows] == value
        return rows[same] if isinstance(value, str) and same.any() else rows

    def _rows_of(self, lens: Lens) -> Rows | None:
        """Rows by which a lens was judged: of its kind of file, copy and pixel pitch."""
        rows = self._by_lens.get(tuple(_key(lens.get(k)) for k in ("body", "lens", "converter")))
        if rows is None:
            return None
        for name in ("source", "lens_serial"):
            rows = self._alike(rows, name, lens.get(name))
        if pitch := lens.get("pixel_pitch_um"):
            own = self._number["pixel_pitch_um"][rows]
            # An unknown pitch counts as that of most, as the curve has it.
            same = np.isnan(own) | (np.abs(own / pitch - 1) <= SAME_SCALE)
            rows = rows[same] if same.any() else rows
        return rows

    def height(self, lens: Lens) -> int | None:
        """Usual height (px, short side) of the pictures by which a lens was judged; None where it is unknown."""
        rows = self._rows_of(lens)
        if rows is None:
            return None
        short = np.minimum(self._number["width_px"][rows], self._number["height_px"][rows])
        known = short[np.isfinite(short)]
        return int(np.median(known)) if len(known) else None

    def lens_block(self, lens: Lens) -> Block | None:
        """Rows of one lens and, per 'focal range:aperture', which of them lie behind the point."""
        rows = self._rows_of(lens)
        if rows is None:
            return None
        focal, nominal = self._number["focal_length_mm"][rows], self._nominal[rows]
        chosen: list[tuple[str, Rows]] = []
        for i, part in enumerate(lens.get("focal_ranges") or ()):
            within = np.ones(len(rows), bool)
            low, high = words.pair(part.get("focal_mm"))
            if low is not None and high is not None:
                within = np.abs(focal - (low + high) / 2) <= (high - low) / 2 + _FOCAL_TOLERANCE_MM
            for j, row in enumerate(part.get("apertures") or ()):
                if n := row.get("f_number"):
                    chosen.append((f"{i}:{j}", rows[within & (nominal == nominal_f_number(n))]))
        return self._block(chosen)

    def body_block(self, body: Body) -> Block | None:
        """Rows of one body and, per 'tone row', which of them were taken at its ISO."""
        rows = self._by_body.get((_key(body.get("body")),))
        if rows is None:
            return None
        rows = self._alike(rows, "source", body.get("kind"))
        tones = [tone.get("iso") for tone in body.get("tones") or ()]
        with np.errstate(divide="ignore", invalid="ignore"):
            at = np.log2(self._number["iso"][rows])
        # Within a sixth of a stop: odd values belong to the nearest.
        behind = {iso: rows[np.abs(at - math.log2(iso)) < SIXTH_STOP] for iso in set(tones) if iso}
        return self._block([(f"0:{j}", behind[iso]) for j, iso in enumerate(tones) if iso])

    def _block(self, chosen: list[tuple[str, Rows]]) -> Block:
        """Rows behind some points, each once."""
        used: dict[int, int] = {}
        points: Points = {}
        for key, hit in chosen:
            kept = hit[evenly(len(hit), ROWS_PER_POINT)].tolist()
            points[key] = [used.setdefault(row, len(used)) for row in kept]
        rows = np.fromiter(used, np.int64, len(used))
        ids = self._texts("file_id", rows)
        for found in points.values():
            kept = evenly(len(found), PICTURED).tolist()
            # The softest is second: where room for pictures is short both ends are seen.
            chosen_ids = [ids[found[i]] for i in (*kept[:1], *kept[:0:-1])]
            self.pictured.append([file_id for file_id in chosen_ids if file_id])
        totals = {key: len(hit) for key, hit in chosen}
        keys = [self.picture_key(i) if i else "" for i in ids]
        return {"points": points, "totals": totals, **self._columns(rows), "id": keys}

    def _texts(self, name: str, rows: Rows) -> list[str]:
        """A column's texts of some rows, '' where missing: of a million they would weigh as much as all else."""
        column = self._text[name].take(self._order[rows]).tolist()
        return [text if isinstance(text, str) or pd.notna(text) else "" for text in column]

    def _columns(self, rows: Rows) -> Block:
        paths = [words.clean(p) for p in self._texts("path", rows)]
        folders: dict[str, int] = {}
        heads = [folders.setdefault(os.path.dirname(p), len(folders)) for p in paths]
        out: Block = {
            "folders": list(folders),
            "addresses": [link(f) for f in folders],
            "folder": heads,
            "name": [os.path.basename(p) for p in paths],
            "taken": [str(t)[:16].replace("T", " ") for t in self._texts("taken", rows)],
        }
        for name, digits in _FIGURES.items():
            values = np.round(self._number[name][rows], digits).tolist()
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
