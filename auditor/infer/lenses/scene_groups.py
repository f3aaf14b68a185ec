"""Frames of one scene: within an outing, similar pictures.

Similarity is the correlation of the stored signatures (12 x 8 grey means, free of exposure). Only frames of one
outing, and of one group where groups are given, are compared: of a million frames that costs little.
"""

from __future__ import annotations

from binascii import unhexlify
from collections.abc import Iterator
from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from auditor.infer.enough import CHUNK
from auditor.infer.frame_values import group_numbers
from auditor.record.values import texts

__all__ = ["MINUTES", "SAME_SCENE", "grey_means", "read_signatures", "scenes_of"]

Rows = NDArray[np.int64]

CELLS: Final = 96
"""Grey means of a signature, 12 x 8."""
_DIGITS: Final = f"^[0-9a-fA-F]{{{2 * CELLS}}}$"
"""What a signature is written as."""
_COMPARED: Final = 250
"""Frames compared with all later ones of their outing at a time, for the memory."""
SAME_SCENE: Final = 0.9
"""Correlation of two signatures from which they show one scene."""
MINUTES: Final = 15.0
"""Frames further apart in time show another scene: light and what lies in it have changed (common practice, no
source)."""


def read_signatures(signature: pd.Series) -> NDArray[np.float32]:
    """Signatures as unit vectors, whose products are correlations.

    Parameters
    ----------
    signature : Series of str
        192 hexadecimal digits each: 12 x 8 grey means.

    Returns
    -------
    ndarray of float32, shape (n, 96)
        Mean 0, unit length; zero where missing or unreadable.
    """
    out = np.zeros((len(signature), CELLS), np.float32)
    # Piece by piece: the digits of a million signatures would take as much memory again and again.
    for first in range(0, len(signature), CHUNK):
        good, means = grey_means(signature.iloc[first : first + CHUNK])
        grey = means.astype(np.float32)
        grey -= grey.mean(1, keepdims=True)
        grey /= np.maximum(np.sqrt((grey**2).sum(1, keepdims=True)), 1e-6)
        out[first : first + CHUNK][good] = grey
    return out


def grey_means(signature: pd.Series) -> tuple[NDArray[np.bool_], NDArray[np.uint8]]:
    """Decode signatures.

    Parameters
    ----------
    signature : Series of str
        192 hexadecimal digits each; others count as unreadable.

    Returns
    -------
    known : ndarray of bool, shape (n,)
        Which can be read.
    means : ndarray of uint8, shape (m, 96)
        Grey means of those.
    """
    texts = pa.array(signature.astype("str"), from_pandas=True)
    if isinstance(texts, pa.ChunkedArray):
        texts = texts.combine_chunks()
    length = pc.binary_length(texts.cast(pa.large_binary()))
    good = pc.fill_null(pc.equal(length, 2 * CELLS), False)
    try:
        digits = unhexlify(_concatenated(texts.filter(good)))
    except ValueError:  # one holds other characters, which it takes longer to find
        good = pc.fill_null(pc.match_substring_regex(texts, _DIGITS), False)
        digits = unhexlify(_concatenated(texts.filter(good)))
    return np.asarray(good), np.frombuffer(digits, np.uint8).reshape(-1, CELLS)


def _concatenated(texts: pa.Array) -> bytes | pa.Buffer:
    """The bytes of signatures, one after another."""
    data = texts.cast(pa.large_binary()).cast(pa.binary(2 * CELLS))
    if not len(data):
        return b""
    return data.buffers()[1].slice(data.offset * 2 * CELLS, len(data) * 2 * CELLS)


def _similar_pairs(vectors: NDArray[np.float32]) -> Iterator[tuple[Rows, Rows]]:
    """Pairs of the vectors of one outing that show one scene, piece by piece."""
    n = len(vectors)
    for at in range(0, n, _COMPARED):
        alike = vectors[at : at + _COMPARED] @ vectors[at:].T > SAME_SCENE
        a, b = np.divmod(np.flatnonzero(alike), n - at)
        yield at + a[a < b], at + b[a < b]


def scenes_of(frames: pd.DataFrame, group: NDArray[np.int64] | None = None) -> NDArray[np.int64]:
    """Number the scenes of a frame table: connected components of similar frames of one outing, and bursts.

    Two frames are of one scene where their signatures correlate by more than `SAME_SCENE`, or their burst is
    one.

    Parameters
    ----------
    frames : DataFrame
        Columns `signature`, `outing`, `burst`; a row without an outing or burst has one of its own.
    group : ndarray of int64, shape (n,), optional
        Frames of different groups are never compared: comparing all of a large archive's outings takes
        longer than all else.

    Returns
    -------
    ndarray of int64, shape (n,)
        Number of the scene; a frame without a signature stands alone, but for its burst.
    """
    n = len(frames)
    if not n:
        return np.empty(0, np.int64)
    group = np.zeros(n, np.int64) if group is None else group
    outing, burst = (
        group * n + pd.factorize(group_numbers(frames, name))[0] for name in ("outing", "burst")
    )
    vectors = read_signatures(texts(frames, "signature"))
    order = np.argsort(outing, kind="stable")
    joined = []
    for rows in np.split(order, np.flatnonzero(np.diff(outing[order])) + 1):
        joined += [(rows[a], rows[b]) for a, b in _similar_pairs(vectors[rows])]
    by_burst = np.argsort(burst, kind="stable")
    same_burst = np.flatnonzero(np.diff(burst[by_burst]) == 0)
    joined.append((by_burst[same_burst], by_burst[same_burst + 1]))
    i, j = np.concatenate(joined, axis=1)
    graph = coo_matrix((np.ones(len(i), bool), (i, j)), shape=(n, n))
    return np.asarray(connected_components(graph, directed=False)[1], np.int64)
