"""Signatures of the frames that are held against each other, read when it is known which they are."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.lenses.scene_groups import read_signatures

__all__ = ["Signatures"]

Rows = NDArray[np.int64]

_CHUNK: Final = 50_000
"""Rows read at a time, for the memory that their text takes: some 10 MB."""


class Signatures:
    """Signatures by position in the frame table, as vectors of mean 0 and length 1.

    Those of a whole archive would take more memory than all else that is compared: `read` those that
    are needed first.
    """

    def __init__(self, texts: pd.Series) -> None:
        """`texts`: hex of `FrameRecord.signature`, the empty string where there is none."""
        self._texts = texts
        self._place = np.full(len(texts), -1, np.int32)
        self._vectors = read_signatures(texts.iloc[:0])
        self._known = np.zeros(0, bool)

    def read(self, rows: Rows) -> None:
        """Have the signatures of these rows at hand, in place of those read before."""
        rows = np.unique(rows)
        self._place[:] = -1
        self._place[rows] = np.arange(len(rows))
        self._vectors = np.concatenate(
            [self._vectors[:0]]
            + [
                read_signatures(self._texts.iloc[rows[i : i + _CHUNK]])
                for i in range(0, len(rows), _CHUNK)
            ]
        )
        self._known = np.asarray(self._vectors.any(axis=1))

    def __getitem__(self, row: int) -> NDArray[np.float32]:
        """Zeros where there is none. Raises KeyError for a row that was not read."""
        if self._place[row] < 0:
            raise KeyError(row)
        return np.asarray(self._vectors[self._place[row]])

    def known(self, row: int) -> bool:
        """Whether a row that was read has a signature."""
        return bool(self._known[self._place[row]])

    def likeness(self, a: Rows, b: Rows) -> NDArray[np.float32]:
        """Correlation of rows that were read, pair by pair; 0 where one has no signature."""
        out = np.zeros(len(a), np.float32)
        for i in range(0, len(a), _CHUNK):
            one, other = (self._vectors[self._place[x[i : i + _CHUNK]]] for x in (a, b))
            out[i : i + _CHUNK] = np.einsum("ij,ij->i", one, other)
        return out
