"""What frames look like, read when it is known which are compared: thumbnails and colour grids, and
signatures."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.comparisons.colour import read_grid
from auditor.infer.enough import CHUNK
from auditor.infer.lenses.scene_groups import read_signatures
from auditor.record.pictures import PictureSource, fetch_pictures
from auditor.record.values import texts

__all__ = ["Signatures", "SmallPictures"]


_MOST: Final = 5000
"""So many pictures at most are fetched at a time; they are read into memory."""


class SmallPictures:
    """Small pictures by position in the frame table. What is not there is None."""

    def __init__(self, frames: pd.DataFrame, source: PictureSource | None) -> None:
        self._ids = texts(frames, "file_id")
        self._source = source
        self._cache: dict[str, tuple[bytes | None, bytes | None]] = {}

    def fetch(self, rows: Iterable[int]) -> None:
        """Have the pictures of these rows at hand; those fetched before are let go."""
        if self._source is None:
            return
        wanted = list(dict.fromkeys(rows))
        ids = [str(i) for i in dict.fromkeys(self._ids.iloc[wanted]) if i][:_MOST]
        self._cache = {k: self._cache[k] for k in ids if k in self._cache}
        missing = [k for k in ids if k not in self._cache]
        for key, found in fetch_pictures(self._source, missing, _MOST):
            self._cache[key] = _bytes(found.get("thumb_jpeg")), _bytes(found.get("colour_grid"))

    def thumb(self, row: int) -> bytes | None:
        """The small JPEG of one frame, None where it is not known."""
        return self._cache.get(str(self._ids.iloc[row]), (None, None))[0]

    def grid(self, row: int) -> NDArray[np.float64] | None:
        """Area means of one frame in linear light (see `read_grid`), None where they are not known."""
        return read_grid(self._cache.get(str(self._ids.iloc[row]), (None, None))[1])


def _bytes(value: object) -> bytes | None:
    return bytes(value) if isinstance(value, (bytes, bytearray, memoryview)) else None


Rows = NDArray[np.int64]


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
        """Decode the signatures of some rows, in place of those read before.

        Parameters
        ----------
        rows : ndarray of int64
            Positions in the table, in any order.
        """
        rows = np.unique(rows)
        self._place[:] = -1
        self._place[rows] = np.arange(len(rows))
        self._vectors = read_signatures(self._texts.iloc[rows])
        self._known = np.asarray(self._vectors.any(axis=1))

    def __getitem__(self, row: int) -> NDArray[np.float32]:
        """Zeros where there is none. Raises KeyError for a row that was not read."""
        if self._place[row] < 0:
            raise KeyError(row)
        return np.asarray(self._vectors[self._place[row]])

    def known(self, row: int) -> bool:
        """Whether a row that was read has a signature."""
        return bool(self._known[self._place[row]])

    def correlation(self, a: Rows, b: Rows) -> NDArray[np.float32]:
        """Correlation of rows that were read, pair by pair.

        Parameters
        ----------
        a, b : ndarray of int64, shape (n,)
            Positions in the table.

        Returns
        -------
        ndarray of float32, shape (n,)
            0 where one has no signature.
        """
        out = np.zeros(len(a), np.float32)
        for i in range(0, len(a), CHUNK):
            one, other = (self._vectors[self._place[x[i : i + CHUNK]]] for x in (a, b))
            out[i : i + CHUNK] = np.einsum("ij,ij->i", one, other)
        return out
