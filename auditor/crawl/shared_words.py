"""Stars and keywords that the files of one capture share."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = ["share_words"]


def share_words(frames: pd.DataFrame, capture: NDArray[np.int64]) -> dict[str, pd.Series]:
    """Stars and keywords that the files of a capture share.

    Parameters
    ----------
    frames : pandas.DataFrame
        Table that may lack the columns.
    capture : (n,) ndarray of int64
        Capture of each row.

    Returns
    -------
    dict
        The columns `rating` and `labels`, each only where it changes: a file without stars has the most that
        any file of its capture has, and every file the keywords of all of them.
    """
    out: dict[str, pd.Series] = {}
    several = np.bincount(capture)[capture] > 1
    if not several.any():
        return out
    if "rating" in frames:
        stars = pd.to_numeric(frames["rating"], errors="coerce").astype("Float64")
        most = stars.groupby(capture).transform("max")
        filled = stars.isna() & most.notna() & several
        if filled.any():
            out["rating"] = stars.where(~filled, most).astype("Int64")
    if "labels" in frames:
        labels = _shared_labels(frames["labels"], capture, several)
        if labels is not None:
            out["labels"] = labels
    return out


def _shared_labels(
    column: pd.Series, capture: NDArray[np.int64], several: NDArray[np.bool_]
) -> pd.Series | None:
    values = column.to_numpy(object).copy()
    rows = [i for i in np.flatnonzero(several).tolist() if _words(values[i])]
    if not rows:
        return None
    by_capture: dict[int, dict[str, None]] = {}
    for i in rows:
        by_capture.setdefault(int(capture[i]), {}).update(dict.fromkeys(_words(values[i])))
    changed = False
    for i in np.flatnonzero(several & np.isin(capture, list(by_capture))).tolist():
        words = list(by_capture[int(capture[i])])
        if words != _words(values[i]):
            values[i] = words
            changed = True
    return pd.Series(values, index=column.index, name=column.name) if changed else None


def _words(value: Any) -> list[str]:
    return list(value) if isinstance(value, list | tuple | np.ndarray) else []
