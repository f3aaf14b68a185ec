"""The self-check: reads every byte of a store and says what is wrong with it."""

from __future__ import annotations

import contextlib
from pathlib import Path

import numpy as np
import pyarrow as pa

from .arrow_columns import chosen, whole_numbers
from .known_files import KNOWN_COLUMNS, Known
from .merge import last_in_parts
from .parts import DamagedPart, Part, damaged, is_whole, list_parts, read_part
from .repair import without_pictures
from .schema import FRAME_SCHEMA, PICTURE_SCHEMA, stored_key

__all__ = ["check"]


def check(folder: Path) -> list[str]:
    """One line for each problem in the store at `folder`; an empty list means it is whole."""
    problems: list[str] = []
    parts, leftovers = list_parts(folder / "frames")
    for part in leftovers:
        problems.append(f"{part.path.name}: left over from a merge; the next run removes it")
    for part in parts:
        problems += _frames(part)
    pictures, _ = list_parts(folder / "pictures")
    for part in pictures:
        problems += _pictures(part)
    problems += _lost_pictures(folder)
    for name in ("frames", "pictures"):
        for path in sorted((folder / name).glob("*.tmp")):
            problems.append(f"{path.name}: a write that was cut short; the next run removes it")
    return problems


def _lost_pictures(folder: Path) -> list[str]:
    tables = []
    for part in list_parts(folder / "frames")[0]:
        with contextlib.suppress(DamagedPart, OSError):
            tables.append(read_part(part, KNOWN_COLUMNS, FRAME_SCHEMA))
    if not tables:
        return []
    keys = [whole_numbers(t["path_key"]) for t in tables]
    newest = [
        chosen(t, np.flatnonzero(last)) for t, last in zip(tables, last_in_parts(keys), strict=True)
    ]
    lost = len(without_pictures(folder, Known(pa.concat_tables(newest))))
    return (
        [f"small pictures of {lost:,} frames are lost; the next run measures them again"]
        if lost
        else []
    )


def _read(part: Part, schema: pa.Schema) -> pa.Table | str:
    try:
        if not is_whole(part):
            return str(damaged(part, ValueError("its checksum is wrong")))
        return read_part(part, schema.names, schema)
    except (DamagedPart, OSError) as error:
        return str(error)


def _frames(part: Part) -> list[str]:
    table = _read(part, FRAME_SCHEMA)
    if isinstance(table, str):
        return [table]
    name, problems = part.path.name, []
    paths = table["path"].to_pylist()
    keys = table["path_key"].to_numpy()
    if any(p is None for p in paths):
        return [f"{name}: rows without a path"]
    if not np.array_equal(keys, np.array([stored_key(p) for p in paths], np.int64)):
        problems.append(f"{name}: paths do not agree with their keys")
    for path, status, reason, file_id, leader in zip(
        paths,
        *(table[c].to_pylist() for c in ("status", "reason", "file_id", "measured_on")),
        strict=True,
    ):
        if status not in ("measured", "set-aside", "counted"):
            problems.append(f"{name}: {path}: unknown status {status}")
        elif status == "counted" and not leader:
            problems.append(f"{name}: {path}: counted without the file that it is measured on")
        elif status == "set-aside" and not reason:
            problems.append(f"{name}: {path}: set aside without a reason")
        elif status == "measured" and not file_id:
            problems.append(f"{name}: {path}: measured without a content hash")
    return problems


def _pictures(part: Part) -> list[str]:
    table = _read(part, PICTURE_SCHEMA)
    if isinstance(table, str):
        return [table.replace("its frames are measured again on the next run", "pictures are lost")]
    missing = table["file_id"].null_count
    return [f"{part.path.name}: {missing} pictures without a content hash"] if missing else []
