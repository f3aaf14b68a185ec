"""The profile as flat tables, for spreadsheets and for pandas: CSV and Parquet.

One table per idea. Columns carry their unit in their name; a row stands for one figure with its
interval and its count of frames. Missing is empty in CSV and null in Parquet, never 0.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from auditor.record import ZONES
from auditor.report.listing import evidence

__all__ = ["tables", "write_tables"]

Row = dict[str, Any]
Block = Mapping[str, Any]


def tables(profile: Block) -> dict[str, pd.DataFrame]:
    """Name -> table; a table without rows is there with no rows."""
    rows: dict[str, list[Row]] = {
        "lens_sharpness": list(_sharpness(profile)),
        "lens_ranges": list(_ranges(profile)),
        "body_tones": [
            {"body": b.get("body"), **t}
            for b in _list(profile, "bodies")
            for t in _list(b, "tones")
        ],
        "body_usable_iso": list(_usable(profile)),
        "iso_matches": [_flat(m) for m in _list(profile, "iso_matches")],
        **{name: [_flat(r) for r in _list(profile, name)] for name in _DECISIONS},
        "keepers": [_flat(k) | {"evidence": evidence(k)} for k in _list(profile, "keepers")],
        "comparisons": [_flat(c) for c in _list(profile, "comparisons")],
        "settings": [_flat(s) for s in _list(profile, "settings")],
        "handheld": [_flat(h) for h in _list(profile, "handheld")],
        "next_shots": [_flat(s) for s in _list(profile, "next_shots")],
        "set_aside": [_flat(s) for s in _set_aside(profile)],
    }
    return {name: _frame(name, found) for name, found in rows.items()}


_DECISIONS: dict[str, tuple[str, ...]] = {
    "visible": (
        *("lens", "body", "converter", "focal_mm", "f_number", "against_f_number", "viewing"),
        *("zone", "loss_jnd", "low", "high", "verdict", "largest_print_cm", "frames"),
    ),
    "noise_visible": ("body", "viewing", "iso", "first_seen_iso", "frames", "text"),
    "rivals": ("lens", "body", "against", "against_body", "focal_mm", "declined", "text"),
    "lens_choice": ("body", "lens", "converter", "focal_mm", "f_number", "mtf50_cpp", "take"),
    "changes": (
        *("lens", "body", "converter", "what", "place", "date", "date_low", "date_high"),
        *("change", "low", "high", "frames_before", "frames_after", "text"),
    ),
    "dust": (
        *("body", "body_serial", "x", "y", "f_number", "diameter_px", "depth", "since", "last"),
        *("not_before", "gone_by", "frames", "could_show", "text"),
    ),
    "focus_bias": (
        *("lens", "body", "converter", "focal_mm", "direction", "meant", "front", "behind"),
        *("frames", "share", "low", "high", "text"),
    ),
}
"""Columns of the tables of decisions."""

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
    "iso_matches": ("body", "reference_body", "ev100", "reference_iso", "iso", "low", "high"),
    **_DECISIONS,
    "keepers": ("path", "soft", "noisy", "cause", "expected_cpp", "measured_cpp", "evidence"),
    "comparisons": (
        *("label", "against", "lens", "what", "zone", "pairs", "difference", "low", "high"),
        "verdict",
    ),
    "settings": ("lens", "setting", "frames", "soft_share", "noisy_share", "usual_share"),
    "handheld": (
        "lens",
        "body",
        "converter",
        "limit_stops",
        "low",
        "high",
        "frames",
        "shaken",
        "text",
    ),
    "next_shots": ("lens", "body", "focal_mm", "apertures", "iso", "frames", "how", "why", "gain"),
    "set_aside": ("path", "reason"),
}
"""Columns that a table always has, first and in this order; others follow as they come."""


def _list(block: Block, key: str) -> Sequence[Block]:
    return [v for v in block.get(key) or () if isinstance(v, Mapping)]


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
    for lens in _list(profile, "lenses"):
        for part in _list(lens, "focal_ranges"):
            for row in _list(part, "apertures"):
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
    for lens in _list(profile, "lenses"):
        for part in _list(lens, "focal_ranges"):
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
    for body in _list(profile, "bodies"):
        for band in _list(body, "brightness"):
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


def _set_aside(profile: Block) -> Iterator[Row]:
    found = profile.get("set_aside")
    if isinstance(found, Mapping):
        found = [{"reason": k, "frames": v} for k, v in found.items()]
    yield from (dict(f) for f in found or () if isinstance(f, Mapping))


def _text(value: Any) -> Any:
    """A cell: nested values become text, so that CSV and Parquet hold the same."""
    if isinstance(value, Mapping):
        return "; ".join(f"{k}: {_text(v)}" for k, v in value.items() if v is not None)
    if isinstance(value, list | tuple):
        return "; ".join(str(_text(v)) for v in value)
    if isinstance(value, str):  # undecodable bytes of a file name have no place in UTF-8
        return value.encode("utf-8", "replace").decode("utf-8")
    return value


def _flat(row: Block) -> Row:
    return {str(k): _text(v) for k, v in row.items()}


def _frame(name: str, rows: list[Row]) -> pd.DataFrame:
    first = _COLUMNS[name]
    more = dict.fromkeys(k for row in rows for k in row if k not in first)
    cells = [{k: _text(v) for k, v in row.items()} for row in rows]
    table = pd.DataFrame(cells, columns=[*first, *more])
    for column in table.columns:  # mixed or empty columns would have no type in Parquet
        if table[column].dtype == object:
            numbers = pd.to_numeric(table[column], errors="coerce")
            known = table[column].notna()
            if known.any() and numbers[known].notna().all():
                table[column] = numbers
            else:
                table[column] = table[column].astype("string")
    return table


def write_tables(profile: Block, folder: Path) -> None:
    """Write every table as `NAME.csv` (UTF-8, comma) and `NAME.parquet` into `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, table in tables(profile).items():
        table.to_csv(folder / f"{name}.csv", index=False)
        table.to_parquet(folder / f"{name}.parquet", index=False)
