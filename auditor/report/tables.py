"""The profile as flat tables, for spreadsheets and for pandas: CSV and Parquet.

One table per idea. Columns carry their unit in their name; a row stands for one figure with its
interval and its count of frames. Missing is empty in CSV and null in Parquet, never 0.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any, Final, get_args, get_type_hints

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from auditor.model import Profile
from auditor.record import ZONES
from auditor.report.csv_file import write_csv
from auditor.report.listing import evidence
from auditor.report.profile_parts import Block, blocks

Row = dict[str, Any]


def tables(profile: Block) -> dict[str, pd.DataFrame]:
    """Name -> table; a table without rows is there with no rows, one that can't be made is not there."""
    rows: dict[str, Callable[[], Sequence[Block]]] = {
        "lens_sharpness": lambda: list(_sharpness(profile)),
        "lens_ranges": lambda: list(_ranges(profile)),
        "body_tones": lambda: [
            {"body": b.get("body"), **t}
            for b in (profile.get("bodies") or [])
            for t in (b.get("tones") or [])
        ],
        "body_usable_iso": lambda: list(_usable(profile)),
        "keepers": lambda: list(_keepers(profile)),
    }
    rows |= {n: partial(blocks, profile, n) for n in (*_ENTRIES, "comparisons", "set_aside")}
    out = {}
    for name in rows:
        try:
            out[name] = _frame(name, rows[name]())
        except Exception as error:
            _log.warning("the table %s cannot be made: %s", name, error)
    return out


_log = logging.getLogger(__name__)

_ENTRIES: Final = (
    *("iso_matches", "visible", "noise_visible", "rivals", "lens_choice", "changes", "dust"),
    *("focus_bias", "settings", "handheld", "next_shots"),
)
"""Tables whose rows are entries of the profile as they are: their keys are the columns, in that order."""

_COLUMNS: dict[str, tuple[str, ...]] = {
    "lens_sharpness": (
        *("lens", "converter", "body", "source", "focal_low_mm", "focal_high_mm", "f_number"),
        *("zone", "mtf50_cpp", "low_cpp", "high_cpp", "frames", "usual_cpp"),
    ),
    "lens_ranges": (
        *("lens", "converter", "body", "source", "focal_low_mm", "focal_high_mm", "frames"),
        *("sweet_spot", "sweet_spot_low", "sweet_spot_high", "pin_sharp_low", "pin_sharp_high"),
        *("acceptable_low", "acceptable_high", "fringing_onset", "evidence", "reasons"),
    ),
    "body_tones": ("body", "iso", "signal", "snr", "low", "high", "frames"),
    "body_usable_iso": (
        "body",
        "band",
        "ev100_low",
        "ev100_high",
        "frames",
        "excellent",
        "acceptable",
        *("excellent_low", "excellent_high", "acceptable_low", "acceptable_high"),
    ),
    "keepers": (
        *("path", "soft", "noisy", "cause", "probability", "expected_cpp", "measured_cpp"),
        *("body", "lens", "converter", "focal_length_mm", "f_number", "exposure_time_s", "iso"),
        *("answer", "evidence"),
    ),
    "comparisons": (
        *("label", "against", "lens", "what", "zone", "pairs", "difference", "low", "high"),
        "verdict",
    ),
    "set_aside": ("path", "reason"),
}
"""Columns of the other tables, first and in this order; others follow as they come."""


def _pair(value: Any) -> tuple[Any, Any]:
    return (
        (value[0], value[1])
        if isinstance(value, list | tuple) and len(value) == 2
        else (None, None)
    )


def _lens_head(lens: Block, part: Block) -> Row:
    low, high = _pair(part.get("focal_mm"))
    names = {k: lens.get(k) for k in ("lens", "converter", "body", "source")}
    return names | {"focal_low_mm": low, "focal_high_mm": high}


def _sharpness(profile: Block) -> Iterator[Row]:
    for lens in profile.get("lenses") or []:
        for part in lens.get("focal_ranges") or []:
            for row in part.get("apertures") or []:
                for zone in ZONES:
                    block = row.get(zone) or {}
                    yield _lens_head(lens, part) | {
                        "f_number": row.get("f_number"), "zone": zone,
                        "mtf50_cpp": block.get("mtf50_cpp"), "low_cpp": block.get("low"),
                        "high_cpp": block.get("high"),
                        "frames": block.get("frames", row.get("frames")),
                        "usual_cpp": row.get(f"usual_{zone}_cpp"),
                    }  # fmt: skip


def _ranges(profile: Block) -> Iterator[Row]:
    for lens in profile.get("lenses") or []:
        for part in lens.get("focal_ranges") or []:
            sweet = part.get("sweet_spot") or {}
            pin, fine = _pair(part.get("pin_sharp")), _pair(part.get("acceptable"))
            yield _lens_head(lens, part) | {
                "frames": part.get("frames"),
                "sweet_spot": sweet.get("f_number"), "sweet_spot_low": sweet.get("low"),
                "sweet_spot_high": sweet.get("high"),
                "pin_sharp_low": pin[0], "pin_sharp_high": pin[1],
                "acceptable_low": fine[0], "acceptable_high": fine[1],
                "fringing_onset": (part.get("fringing") or {}).get("onset_f_number"),
                "evidence": part.get("evidence"), "reasons": _text(part.get("reasons")),
            }  # fmt: skip


def _usable(profile: Block) -> Iterator[Row]:
    for body in profile.get("bodies") or []:
        for band in body.get("brightness") or []:
            low, high = _pair(band.get("ev100"))
            usable = band.get("usable_iso") or {}
            yield {
                "body": body.get("body"), "band": band.get("band") or band.get("name"),
                "ev100_low": low, "ev100_high": high, "frames": band.get("frames"),
                "excellent": usable.get("excellent"), "acceptable": usable.get("acceptable"),
            } | {
                f"{level}_{end}": ((band.get("usable_iso_detail") or {}).get(level) or {}).get(end)
                for level in ("excellent", "acceptable") for end in ("low", "high")
            }  # fmt: skip


def _keepers(profile: Block) -> Iterator[Row]:
    """Frames that fell short, their settings as columns."""
    for keeper in profile.get("keepers") or []:
        row = {k: v for k, v in keeper.items() if k != "settings"}
        settings = keeper.get("settings")
        more = settings if isinstance(settings, Mapping) else {}
        yield row | dict(more) | {"evidence": evidence(keeper)}


def _text(value: Any) -> Any:
    """A cell: nested values become text, so that CSV and Parquet hold the same."""
    if value is None or isinstance(value, float | int):
        return value
    if isinstance(value, str):  # undecodable bytes of a file name have no place in UTF-8
        return value if value.isascii() else value.encode("utf-8", "replace").decode("utf-8")
    if isinstance(value, list | tuple):
        return "; ".join(str(_text(v)) for v in value)
    if isinstance(value, Mapping):
        return "; ".join(f"{k}: {_text(v)}" for k, v in value.items() if v is not None)
    return value


def _cells(column: list[Any]) -> list[Any]:
    """A column with nested values as text; one of figures alone is as it was."""
    return column if {type(v) for v in column} <= _FIGURES else [_text(v) for v in column]


_FIGURES: Final = frozenset((float, int, bool, type(None)))


def _keys(name: str, rows: Sequence[Block]) -> list[str]:
    """Keys of a list's entries that any of them has, in the order of their type; all of them without rows."""
    (entry,) = get_args(get_type_hints(Profile)[name])
    return [k for k in entry.__annotations__ if not rows or any(k in row for row in rows)]


def _frame(name: str, rows: Sequence[Block]) -> pd.DataFrame:
    first = _COLUMNS.get(name) or _keys(name, rows)
    more = dict.fromkeys(k for row in rows for k in row if k not in first)
    columns = {k: _cells([row.get(k) for row in rows]) for k in (*first, *more)}
    if not rows:
        return pd.DataFrame(columns, dtype="string")
    table = pd.DataFrame(columns)
    for column in table.columns[table.dtypes == "object"]:  # those would have no type in Parquet
        known = table[column].notna()
        numbers = pd.to_numeric(table[column], errors="coerce") if known.any() else None
        if numbers is not None and numbers[known].notna().all():
            table[column] = numbers
        else:
            table[column] = table[column].astype("string")
    return table


_FRAME_COLUMNS: Final = {
    "path": "path", "status": "status", "verdict": None, "cause": "cause",
    "probability": "probability", "answer": "answer",
    "body": "body", "lens": "lens", "converter": "converter",
    "focal_length_mm": "focal_length_mm", "f_number": "f_number",
    "exposure_time_s": "exposure_time_s", "iso": "iso", "ev100": "ev100", "taken": "taken",
    "source": "source", "rating": "rating", "width_px": "width_px", "height_px": "height_px",
    **{f"{z}_cpp": f"{z}_mtf50_cpp" for z in ZONES},
    **{f"{z}_stderr_cpp": f"{z}_stderr_cpp" for z in ZONES},
    "expected_cpp": "expected_cpp", "measured_cpp": "measured_cpp",
    "sigma_code8": "sigma_code8", "reason": "reason",
}  # fmt: skip
"""Columns of the table of frames -> columns of the frame table."""


def frame_table(frames: pd.DataFrame) -> pd.DataFrame:
    """One row per file: settings, sharpness by zone, noise, verdict, cause, probability.

    `verdict` is "in order", "soft", "noisy", "soft and noisy", "not judged", "counted" (its exposure is
    measured on a better file) or "set aside".
    """
    out = pd.DataFrame(index=frames.index)
    for name, column in _FRAME_COLUMNS.items():
        if column is None:
            out[name] = _verdicts(frames)
        elif column not in frames:
            out[name] = np.nan
        elif frames[column].dtype == object:
            out[name] = _texts(frames[column])
        else:
            out[name] = frames[column]
    return out


def _texts(column: pd.Series) -> pd.Series:
    """A column of names that repeat as text: each name is looked at once."""
    code, found = pd.factorize(column)
    names = pd.array([*map(_text, found), None], dtype="string")
    return pd.Series(names.take(code), index=column.index)


def _verdicts(frames: pd.DataFrame) -> pd.Series:
    def flag(name: str) -> Any:
        missing = pd.Series(False, index=frames.index)
        return frames.get(name, missing).fillna(False).to_numpy(bool)

    soft, noisy = flag("soft"), flag("noisy")
    is_status = frames.get("status", pd.Series("", index=frames.index)).eq
    told = {
        "set aside": is_status("set-aside").to_numpy(bool),
        "counted": is_status("counted").to_numpy(bool),
        "soft and noisy": soft & noisy, "soft": soft, "noisy": noisy, "in order": flag("judged"),
    }  # fmt: skip
    code = np.select(list(told.values()), range(len(told)), len(told))
    names = pd.array([*told, "not judged"], dtype="string")
    return pd.Series(names.take(code), index=frames.index)


def write_tables(profile: Block, folder: Path, frames: pd.DataFrame | None = None) -> None:
    """Write every table as `NAME.csv` (UTF-8, comma) and `NAME.parquet` into `folder`.

    Texts that spreadsheets would run are made harmless in the CSV (`csv_file`); the Parquet file holds
    them as they are.
    """
    folder.mkdir(parents=True, exist_ok=True)
    made = tables(profile)
    if frames is not None:
        try:
            made["frames"] = frame_table(frames)
        except Exception as error:
            _log.warning("the table frames cannot be made: %s", error)
    for name, table in made.items():
        columns = pa.Table.from_pandas(table, preserve_index=False)
        write_csv(columns, folder / f"{name}.csv")
        # Arrow would leave a file of its own open where the disk is full.
        with (folder / f"{name}.parquet").open("wb") as file:
            pq.write_table(columns, file)
