"""The profile as flat tables, for spreadsheets and for pandas: CSV and Parquet.

One table per idea. Columns carry their unit in their name; a row stands for one figure with its
interval and its count of frames. Missing is empty in CSV and null in Parquet, never 0.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any, Final, get_args, get_type_hints

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
import pyarrow.parquet as pq
from numpy.typing import NDArray

from auditor.model import FocalRange, Lens, Profile, Tone
from auditor.record import ZONES
from auditor.record.values import flags
from auditor.record.values import words as words_of
from auditor.report.iso_words import LEVELS
from auditor.report.listing import evidence
from auditor.report.words import pair

__all__ = ["frame_table", "tables", "write_csv", "write_tables"]

Row = dict[str, Any]


def tables(profile: Profile) -> dict[str, pa.Table]:
    """The profile as flat tables.

    Parameters
    ----------
    profile : Profile
        A profile as plain JSON.

    Returns
    -------
    dict of pyarrow.Table
        By name; a table without rows is there with no rows, one that can't be made is not there.
    """
    makers: dict[str, Callable[[Any], Iterable[Row]]] = {
        "lens_sharpness": _sharpness,
        "lens_ranges": _ranges,
        "body_tones": _tones,
        "body_usable_iso": _usable,
        "keepers": _keepers,
        **{name: partial(_entries, name=name) for name in _ENTRIES},
    }
    out = {}
    for name, made in makers.items():
        try:
            rows = list(made(profile))
            out[name] = _table(rows) if rows else _table(list(made(_BLANK))).slice(0, 0)
        except Exception as error:
            _log.warning("the table %s cannot be made: %s", name, error)
    return out


_log = logging.getLogger(__name__)

_ENTRIES: Final = (
    *("comparisons", "set_aside", "iso_matches", "visible", "noise_visible", "rivals"),
    *("lens_choice", "changes", "dust", "focus_bias", "settings", "handheld", "next_shots"),
)
"""Tables whose rows are entries of the profile as they are."""


def _blank(name: str) -> list[Row]:
    """A list of the profile with one entry, which has every key of its type and no value."""
    (kind,) = get_args(get_type_hints(Profile)[name])
    return [dict.fromkeys(get_type_hints(kind))]


_BLANK: Final[Any] = {
    "lenses": [{"focal_ranges": [{"apertures": [{}]}]}],
    "bodies": [{"tones": [dict.fromkeys(get_type_hints(Tone))], "brightness": [{}]}],
    **{name: _blank(name) for name in ("keepers", *_ENTRIES)},
    "comparisons": [dict.fromkeys(("label", "against", "lens")) | _blank("comparisons")[0]],
}
"""A profile of one entry of each kind: what is made of it has the columns of tables without rows."""


def _entries(profile: Any, name: str) -> list[Row]:
    """Entries of a list, the first with all keys of its type."""
    rows = profile.get(name) or []
    return [row | {k: None for k in _BLANK[name][0] if k not in row} for row in rows[:1]] + rows[1:]


def _each(entry: Any, *keys: str) -> Iterator[tuple[Any, ...]]:
    """Entries of nested lists: of each innermost one all that it lies in, and itself."""
    for found in entry.get(keys[0]) or []:
        inner = _each(found, *keys[1:]) if len(keys) > 1 else [()]
        yield from ((found, *rest) for rest in inner)


def _lens_head(lens: Lens, part: FocalRange) -> Row:
    low, high = pair(part.get("focal_mm"))
    names: Row = {k: lens.get(k) for k in ("lens", "converter", "body", "source")}
    return names | {"focal_low_mm": low, "focal_high_mm": high}


def _sharpness(profile: Profile) -> Iterator[Row]:
    for lens, part, row in _each(profile, "lenses", "focal_ranges", "apertures"):
        for zone in ZONES:
            block = row.get(zone) or {}
            yield _lens_head(lens, part) | {
                "f_number": row.get("f_number"), "zone": zone,
                "mtf50_cpp": block.get("mtf50_cpp"), "low_cpp": block.get("low"),
                "high_cpp": block.get("high"), "frames": block.get("frames", row.get("frames")),
                "usual_cpp": row.get(f"usual_{zone}_cpp"), "lens_serial": lens.get("lens_serial"),
            }  # fmt: skip


def _ranges(profile: Profile) -> Iterator[Row]:
    for lens, part in _each(profile, "lenses", "focal_ranges"):
        sweet = part.get("sweet_spot") or {}
        pin, fine = pair(part.get("pin_sharp")), pair(part.get("acceptable"))
        yield _lens_head(lens, part) | {
            "frames": part.get("frames"),
            "sweet_spot": sweet.get("f_number"), "sweet_spot_low": sweet.get("low"),
            "sweet_spot_high": sweet.get("high"),
            "pin_sharp_low": pin[0], "pin_sharp_high": pin[1],
            "acceptable_low": fine[0], "acceptable_high": fine[1],
            "fringing_onset": (part.get("fringing") or {}).get("onset_f_number"),
            "evidence": part.get("evidence"), "reasons": part.get("reasons"),
            "lens_serial": lens.get("lens_serial"),
        }  # fmt: skip


def _tones(profile: Profile) -> Iterator[Row]:
    for body, tone in _each(profile, "bodies", "tones"):
        yield {"body": body.get("body"), **tone}


def _usable(profile: Profile) -> Iterator[Row]:
    for body, band in _each(profile, "bodies", "brightness"):
        low, high = pair(band.get("ev100"))
        usable, detail = (band.get(k) or {} for k in ("usable_iso", "usable_iso_detail"))
        yield {
            "body": body.get("body"), "band": band.get("band"),
            "ev100_low": low, "ev100_high": high, "frames": band.get("frames"),
            "long_exposures": band.get("long_exposures"),
            **{level: usable.get(level) for level in LEVELS},
            **{
                f"{level}_{end}": (detail.get(level) or {}).get(end)
                for level in LEVELS for end in ("low", "high", "predicted", "reason")
            },
        }  # fmt: skip


def _keepers(profile: Profile) -> Iterator[Row]:
    """Frames that fell short, their settings as columns."""
    first = (
        *("path", "soft", "noisy", "cause", "probability", "expected_cpp", "measured_cpp"),
        *("body", "lens", "converter", "focal_length_mm", "f_number", "exposure_time_s", "iso"),
        *("answer", "evidence"),
    )
    for keeper in profile.get("keepers") or []:
        row = dict.fromkeys(first) | {**keeper} | (keeper.get("settings") or {})
        row.pop("settings", None)
        yield row | {"evidence": evidence(keeper)}


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


def _table(rows: Sequence[Row]) -> pa.Table:
    """A table of rows."""
    names = dict.fromkeys(k for row in rows for k in row)
    return pa.table({name: _column([row.get(name) for row in rows]) for name in names})


def _column(values: list[Any]) -> pa.Array:
    """Cells of one type: numbers, or else texts; texts where nothing is known."""
    cells = [_text(value) for value in values]
    try:
        column = pa.array(cells, from_pandas=True)
    except (pa.ArrowException, OverflowError):
        column = pa.array([None if cell is None else str(cell) for cell in cells])
    return column.cast(pa.string()) if pa.types.is_null(column.type) else column


_FRAME_COLUMNS: Final = (
    *("path", "status", "verdict", "cause", "probability", "answer", "body", "lens", "converter"),
    *("focal_length_mm", "f_number", "exposure_time_s", "iso", "ev100", "taken", "source"),
    *("rating", "width_px", "height_px"),
    *(*(f"{z}_cpp" for z in ZONES), *(f"{z}_stderr_cpp" for z in ZONES)),
    *("expected_cpp", "measured_cpp", "sigma_code8", "reason"),
    *("lateral_red_px", "lateral_blue_px", "fringe_width_px"),
)
"""Columns of the table of frames, named as those of the frame table ..."""
_SHARPNESS: Final = {f"{z}_cpp": f"{z}_mtf50_cpp" for z in ZONES}
"""... but for these."""


def frame_table(frames: pd.DataFrame) -> pd.DataFrame:
    """One row per file: settings, sharpness by zone, noise, verdict, cause, probability.

    Parameters
    ----------
    frames : DataFrame
        The frame table with the columns of verdicts; missing columns are empty.

    Returns
    -------
    DataFrame
        `verdict` is "in order", "soft", "noisy", "soft and noisy", "not judged", "counted" (its exposure is
        measured on a better file) or "set aside".
    """
    out = {}
    for name in _FRAME_COLUMNS:
        column = frames.get(_SHARPNESS.get(name, name))
        if name == "verdict":
            column = _verdicts(frames)
        elif column is not None and column.dtype == object:
            column = _texts(column)
        out[name] = np.nan if column is None else column
    return pd.DataFrame(out, index=frames.index)


def _texts(column: pd.Series) -> pd.Series:
    """A column of names that repeat as text: each name is looked at once."""
    code, found = pd.factorize(column)
    names = pd.array([*map(_text, found), None], dtype="string")
    return pd.Series(names.take(code), index=column.index)


def _verdicts(frames: pd.DataFrame) -> pd.Series:
    soft, noisy, judged = (flags(frames, name, False) for name in ("soft", "noisy", "judged"))
    status = words_of(frames, "status")
    by_verdict = {
        "set aside": status == "set-aside", "counted": status == "counted",
        "soft and noisy": soft & noisy, "soft": soft, "noisy": noisy, "in order": judged,
    }  # fmt: skip
    code = np.select(list(by_verdict.values()), range(len(by_verdict)), len(by_verdict))
    names = pd.array([*by_verdict, "not judged"], dtype="string")
    return pd.Series(names.take(code), index=frames.index)


def write_tables(profile: Profile, folder: Path, frames: pd.DataFrame | None = None) -> None:
    """Write every table as `NAME.csv` (UTF-8, comma) and `NAME.parquet` into `folder`.

    Texts that spreadsheets would run are made harmless in the CSV; the Parquet file holds them as they are.
    """
    folder.mkdir(parents=True, exist_ok=True)
    made = tables(profile)
    if frames is not None:
        try:
            made["frames"] = pa.Table.from_pandas(frame_table(frames), preserve_index=False)
        except Exception as error:
            _log.warning("the table frames cannot be made: %s", error)
    for name, table in made.items():
        write_csv(table, folder / f"{name}.csv")
        # Arrow would leave a file of its own open where the disk is full.
        with (folder / f"{name}.parquet").open("wb") as file:
            pq.write_table(table, file)


_DIGITS: Final = 6
"""So many digits are more than any figure is good for."""
_FORMULA: Final = r"^([\s\pZ]*[=+\-@\t\r])"
"""How a text begins that spreadsheets take for a formula (common practice, no source)."""


def write_csv(table: pa.Table, path: Path) -> None:
    """Write a table; missing cells are empty, figures have `_DIGITS` digits.

    Spreadsheets run a cell that begins as a formula does; here such a text begins with an apostrophe,
    which they take for the mark of plain text.
    """
    cells = {name: _csv_cells(table[name]) for name in table.column_names}
    with path.open("wb") as file:
        pa.csv.write_csv(pa.table(cells), file)


def _csv_cells(column: pa.ChunkedArray) -> pa.ChunkedArray | pa.Array:
    if pa.types.is_dictionary(column.type):
        column = column.cast(column.type.value_type)
    if pa.types.is_floating(column.type):
        return pa.array(_rounded(column.to_numpy().astype(float)), from_pandas=True)
    if pa.types.is_string(column.type) or pa.types.is_large_string(column.type):
        return pc.replace_substring_regex(column, _FORMULA, r"'\1")
    return column


def _rounded(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """The nearest figures of `_DIGITS` digits: one multiplication or division by an exact power of ten leaves the
    very number that such a figure names."""
    with np.errstate(divide="ignore", invalid="ignore"):
        places = _DIGITS - 1 - np.floor(np.log10(np.abs(values)))
        power = 10.0 ** np.abs(places)
        behind = places >= 0
        whole = np.rint(np.where(behind, values * power, values / power))
        figures = np.where(behind, whole / power, whole * power)
    return np.where(np.isfinite(figures), figures, values)
