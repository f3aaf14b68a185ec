"""Columns of a frame table as plain arrays, whatever their type; a missing column is an empty one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = [
    "as_categories",
    "as_texts",
    "codes",
    "flags",
    "map_names",
    "name_combinations",
    "numbers",
    "rows_by_names",
    "texts",
    "words",
]


def numbers(frames: pd.DataFrame, name: str) -> NDArray[np.float64]:
    """Column as numbers.

    Parameters
    ----------
    frames : pandas.DataFrame
        Table that may lack the column.
    name : str
        Name of the column.

    Returns
    -------
    (n,) ndarray of float64
        A copy; NaN where a value is missing or unreadable, or there is no such column.
    """
    if name not in frames:
        return np.full(len(frames), np.nan)
    column = frames[name]
    if isinstance(column.dtype, np.dtype) and column.dtype.kind in "fiub":
        return np.array(column.to_numpy(), dtype=np.float64)  # in one pass
    if not pd.api.types.is_numeric_dtype(column.dtype):
        column = pd.to_numeric(column, errors="coerce")
    return np.array(column.to_numpy(dtype=np.float64, na_value=np.nan))


def texts(frames: pd.DataFrame, name: str) -> pd.Series:
    """Column as text.

    Parameters
    ----------
    frames : pandas.DataFrame
        Table that may lack the column.
    name : str
        Name of the column.

    Returns
    -------
    pandas.Series
        Text with the table's index; '' where a value or the column is missing.
    """
    if name not in frames:
        return pd.Series("", index=frames.index, dtype="str")
    return as_texts(frames[name])


def as_texts(column: pd.Series) -> pd.Series:
    """Series as text.

    Parameters
    ----------
    column : pandas.Series
        Values of any type.

    Returns
    -------
    pandas.Series
        Text; '' where a value is missing.
    """
    return column.astype("str").where(column.notna(), "")


def words(frames: pd.DataFrame, name: str, missing: str = "") -> NDArray[np.object_]:
    """Column of names that repeat, as Python objects.

    Equal names are one object, so that a million of them take no more than their references.

    Parameters
    ----------
    frames : pandas.DataFrame
        Table that may lack the column.
    name : str
        Name of the column.
    missing : str
        What stands where there is no name.

    Returns
    -------
    (n,) ndarray of object
        Names.
    """
    if name not in frames:
        return np.full(len(frames), missing, dtype=object)
    code, found = _factorized(frames[name])
    return np.array([*(str(v) or missing for v in found), missing], dtype=object)[code]


def as_categories(column: pd.Series) -> pd.Series:
    """Column of names as categories in alphabetical order.

    Parameters
    ----------
    column : pandas.Series
        Names; one that holds anything but texts is given back as it is.

    Returns
    -------
    pandas.Series
        Categorical, missing where a name is; so each name is compared once and for all.
    """
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


def map_names(column: pd.Series, by_name: Mapping[str, Any], missing: Any) -> NDArray[Any]:
    """Look up each name of a column in a mapping, once per distinct name.

    Parameters
    ----------
    column : pandas.Series
        Names.
    by_name : mapping
        Value of each name.
    missing : object
        What stands for names that the mapping does not hold, and where there is none.

    Returns
    -------
    (n,) ndarray
        float64 where `missing` is a float, else of objects.
    """
    code, found = _factorized(column)
    values = [*(by_name.get(name, missing) for name in found), missing]
    out = np.empty(len(values), dtype=type(missing) if isinstance(missing, float) else object)
    out[:] = values
    return out[code]


def name_combinations(
    frames: pd.DataFrame, names: Sequence[str]
) -> tuple[NDArray[np.int64], list[tuple[str, ...]]]:
    """Group rows by several columns of names taken together.

    Parameters
    ----------
    frames : pandas.DataFrame
        Table that may lack some of the columns.
    names : sequence of str
        Names of the columns.

    Returns
    -------
    place : (n,) ndarray of int64
        Index of each row's group in `combinations`.
    combinations : list of tuple of str
        The combinations in alphabetical order; '' where a name is missing.
    """
    place = np.zeros(len(frames), np.int64)
    levels = []
    for name in names:
        code, found = _codes(frames, name)
        levels.append(found)
        place = place * len(found) + code
    place, used = pd.factorize(place, sort=True)
    keys = zip(*np.unravel_index(used, [len(found) for found in levels]), strict=True)
    combinations = [tuple(found[i] for found, i in zip(levels, key, strict=True)) for key in keys]
    return place.astype(np.int64), combinations


def rows_by_names(
    frames: pd.DataFrame, names: Sequence[str]
) -> dict[tuple[str, ...], NDArray[np.int64]]:
    """Rows of every combination of names (`name_combinations`).

    Parameters
    ----------
    frames : pandas.DataFrame
        Table that may lack some of the columns.
    names : sequence of str
        Names of the columns.

    Returns
    -------
    dict
        Combination of names -> row numbers, ascending, as (k,) int64; in alphabetical order.
    """
    place, combinations = name_combinations(frames, names)
    # Numbers of 16 bits are sorted by counting.
    few = len(combinations) <= np.iinfo(np.int16).max
    order = np.argsort(place.astype(np.int16) if few else place, kind="stable")
    parts = np.split(order, np.cumsum(np.bincount(place, minlength=len(combinations)))[:-1])
    return dict(zip(combinations, parts, strict=True)) if combinations else {}


def _codes(frames: pd.DataFrame, name: str) -> tuple[NDArray[np.int64], list[str]]:
    """Names of a column by number, (n,), and their list in the order of the alphabet, with the empty string."""
    if name not in frames:
        return np.zeros(len(frames), np.int64), [""]
    code, found = _factorized(frames[name])
    texts = [*(str(v) for v in found), ""]
    ordered = sorted(set(texts))
    place = {text: i for i, text in enumerate(ordered)}
    return np.array([place[text] for text in texts], np.int64)[code], ordered


def _factorized(column: pd.Series) -> tuple[NDArray[np.integer], pd.Index]:
    """Number of each value, -1 where missing, and the values."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        return column.cat.codes.to_numpy(), column.cat.categories
    code, found = pd.factorize(column)
    return code, pd.Index(found)


def codes(frames: pd.DataFrame, name: str) -> NDArray[np.int64]:
    """Column as integer codes of its distinct values.

    Parameters
    ----------
    frames : pandas.DataFrame
        Table that may lack the column.
    name : str
        Name of the column.

    Returns
    -------
    (n,) ndarray of int64
        Equal where values are equal; -1 where missing.
    """
    if name not in frames:
        return np.full(len(frames), -1)
    return pd.factorize(frames[name])[0].astype(np.int64)


def flags(frames: pd.DataFrame, name: str, default: bool) -> NDArray[np.bool_]:
    """Column as booleans.

    Parameters
    ----------
    frames : pandas.DataFrame
        Table that may lack the column.
    name : str
        Name of the column.
    default : bool
        What stands where a value or the column is missing.

    Returns
    -------
    (n,) ndarray of bool
        Values.
    """
    if name not in frames:
        return np.full(len(frames), default)
    column = frames[name]
    missing = column.isna().to_numpy()
    values = column.where(~missing, default) if missing.any() else column
    return np.asarray(values.to_numpy(dtype=bool))
