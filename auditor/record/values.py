"""Columns of a frame table as plain arrays, whatever their type; a missing column is an empty one."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = ["as_numbers", "as_texts", "codes", "flags", "numbers", "texts", "words"]


def numbers(frames: pd.DataFrame, name: str) -> NDArray[np.float64]:
    """A copy of a column as float64, NaN where missing, unreadable or the column does not exist."""
    return as_numbers(frames[name]) if name in frames else np.full(len(frames), np.nan)


def as_numbers(column: pd.Series) -> NDArray[np.float64]:
    """A copy of a column as float64, NaN where missing or unreadable."""
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
    code, found = pd.factorize(frames[name])
    return np.array([*(str(v) or missing for v in found), missing], dtype=object)[code]


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
