"""Columns of a frame table as plain arrays, whatever their type; a missing column is an empty one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = [
    "as_numbers",
    "as_texts",
    "codes",
    "flags",
    "named_once",
    "names_together",
    "numbers",
    "rows_by_names",
    "texts",
    "told_by_name",
    "words",
]


def numbers(frames: pd.DataFrame, name: str) -> NDArray[np.float64]:
    """A copy of a column as float64, NaN where missing, unreadable or the column does not exist."""
    return as_numbers(frames[name]) if name in frames else np.full(len(frames), np.nan)


def as_numbers(column: pd.Series) -> NDArray[np.float64]:
    """A copy of a column as float64, NaN where missing or unreadable."""
    if isinstance(column.dtype, np.dtype) and column.dtype.kind in "fiub":
        return np.array(column.to_numpy(), dtype=np.float64)  # in one pass
    if not pd.api.types.is_numeric_dtype(column.dtype):
        column = pd.to_numeric(column, errors="coerce")
    return np.array(column.to_numpy(dtype=np.float64, na_value=np.nan))


def texts(frames: pd.DataFrame, name: str) -> pd.Series:
    """A column of text with missing values as the empty string."""
    if name not in frames:
        return pd.Series("", index=frames.index, dtype="str")
    return as_texts(frames[name])


def as_texts(column: pd.Series) -> pd.Series:
    """Text with missing values as the empty string."""
    return column.astype("str").where(column.notna(), "")


def words(frames: pd.DataFrame, name: str, missing: str = "") -> NDArray[np.object_]:
    """A column of names that repeat, `missing` where there is none; equal names are one object, so
    that a million of them take no more than their places."""
    if name not in frames:
        return np.full(len(frames), missing, dtype=object)
    code, found = _told_apart(frames[name])
    return np.array([*(str(v) or missing for v in found), missing], dtype=object)[code]


def named_once(column: pd.Series) -> pd.Series:
    """A column of names as categories in the order of the alphabet, for which each name is looked at once
    and for all; one that holds anything but texts as it is."""
    if column.dtype != object and not isinstance(column.dtype, pd.StringDtype):
        return column
    code, found = pd.factorize(column)
    if not all(isinstance(name, str) for name in found):
        return column
    order = np.argsort(np.array(found, dtype=object), kind="stable")
    place = np.empty(len(found) + 1, np.int64)
    place[order] = np.arange(len(found))
    place[-1] = -1
    names = pd.Categorical.from_codes(
        place[code], pd.Index(np.array(found, object)[order], dtype=object)
    )
    return pd.Series(names, index=column.index, name=column.name)


def told_by_name(column: pd.Series, by_name: Mapping[str, Any], missing: Any) -> NDArray[Any]:
    """What a mapping holds for each name of a column, (n,), `missing` for those that it does not hold and
    where there is none; each name is looked up once."""
    code, found = _told_apart(column)
    told = [*(by_name.get(name, missing) for name in found), missing]
    out = np.empty(len(told), dtype=type(missing) if isinstance(missing, float) else object)
    out[:] = told
    return out[code]


def names_together(
    frames: pd.DataFrame, names: Sequence[str]
) -> tuple[NDArray[np.int64], list[tuple[str, ...]]]:
    """Number of each row's names taken together, (n,), and these in the order of the alphabet; missing ones
    are the empty string."""
    place = np.zeros(len(frames), np.int64)
    sorts = []
    for name in names:
        code, found = _codes(frames, name)
        sorts.append(found)
        place = place * len(found) + code
    place, used = pd.factorize(place, sort=True)
    keys = zip(*np.unravel_index(used, [len(found) for found in sorts]), strict=True)
    together = [tuple(found[i] for found, i in zip(sorts, key, strict=True)) for key in keys]
    return place.astype(np.int64), together


def rows_by_names(
    frames: pd.DataFrame, names: Sequence[str]
) -> dict[tuple[str, ...], NDArray[np.int64]]:
    """Rows of all that have the same names, by these (`names_together`), in the order of the alphabet."""
    place, together = names_together(frames, names)
    # Numbers of 16 bits are sorted by counting.
    few = len(together) <= np.iinfo(np.int16).max
    order = np.argsort(place.astype(np.int16) if few else place, kind="stable")
    parts = np.split(order, np.cumsum(np.bincount(place, minlength=len(together)))[:-1])
    return dict(zip(together, parts, strict=True)) if together else {}


def _codes(frames: pd.DataFrame, name: str) -> tuple[NDArray[np.int64], list[str]]:
    """Names of a column by number, (n,), and their list in the order of the alphabet, with the empty string."""
    if name not in frames:
        return np.zeros(len(frames), np.int64), [""]
    code, found = _told_apart(frames[name])
    texts = [*(str(v) for v in found), ""]
    ordered = sorted(set(texts))
    place = {text: i for i, text in enumerate(ordered)}
    return np.array([place[text] for text in texts], np.int64)[code], ordered


def _told_apart(column: pd.Series) -> tuple[NDArray[np.integer], pd.Index]:
    """Number of each value, -1 where missing, and the values."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        return column.cat.codes.to_numpy(), column.cat.categories
    code, found = pd.factorize(column)
    return code, pd.Index(found)


def codes(frames: pd.DataFrame, name: str) -> NDArray[np.int64]:
    """A column as integers, equal where its values are; -1 where missing."""
    if name not in frames:
        return np.full(len(frames), -1)
    return pd.factorize(frames[name])[0].astype(np.int64)


def flags(frames: pd.DataFrame, name: str, default: bool) -> NDArray[np.bool_]:
    """A column of booleans; `default` where missing."""
    if name not in frames:
        return np.full(len(frames), default)
    column = frames[name]
    missing = column.isna().to_numpy()
    values = column.where(~missing, default) if missing.any() else column
    return np.asarray(values.to_numpy(dtype=bool))
