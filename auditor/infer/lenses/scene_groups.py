"""Frames of one scene: within an outing, pictures that look alike.

The likeness is that of the stored signature (12 x 8 grey means, free of exposure). Looked for among
the frames of one curve only, so that it costs little in an archive of a million frames.
"""

from __future__ import annotations

import re
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from auditor.infer.lenses.grouping import numbers, texts

__all__ = ["CELLS", "SIGNATURE", "find_scenes", "read_signatures", "scenes_of"]

CELLS: Final = 96
"""Grey means of a signature, 12 x 8."""
SIGNATURE: Final = re.compile(r"[0-9a-fA-F]{192}")
_CHUNK: Final = 20_000
"""Signatures read at a time."""
_ALIKE: Final = 0.9
"""Correlation of two signatures from which they show one scene."""


def read_signatures(signature: NDArray[np.object_]) -> NDArray[np.float32]:
    """n x 96 grey means with mean 0 and unit length; zero where missing or unreadable."""
    out = np.zeros((len(signature), CELLS), np.float32)
    # Piece by piece: the text of a million signatures would take as much memory again and again.
    for first in range(0, len(signature), _CHUNK):
        part = signature[first : first + _CHUNK]
        good = np.array([SIGNATURE.fullmatch(s) is not None for s in part], bool)
        if good.any():
            raw = bytes.fromhex("".join(part[good]))
            grey = np.frombuffer(raw, np.uint8).reshape(-1, CELLS).astype(np.float32)
            grey -= grey.mean(1, keepdims=True)
            grey /= np.maximum(np.sqrt((grey**2).sum(1, keepdims=True)), 1e-6)
            out[first : first + _CHUNK][good] = grey
    return out


def find_scenes(
    signature: NDArray[np.object_], outing: NDArray[np.int64], burst: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Number of each frame's scene. Bursts are one scene; so are chains of alike frames of one
    outing. A frame without a signature stands alone."""
    n = len(outing)
    if not n:
        return np.empty(0, np.int64)
    vectors = read_signatures(signature)
    order = np.argsort(outing, kind="stable")
    starts = np.flatnonzero(np.diff(outing[order], prepend=outing[order[0]] - 1))
    left, right = [], []
    for first, end in zip(starts, np.append(starts[1:], n), strict=True):
        rows = order[first:end]
        a, b = np.nonzero(np.triu(vectors[rows] @ vectors[rows].T > _ALIKE, 1))
        left.append(rows[a])
        right.append(rows[b])
    by_burst = np.argsort(burst, kind="stable")
    same = np.flatnonzero(np.diff(burst[by_burst]) == 0)
    left.append(by_burst[same])
    right.append(by_burst[same + 1])
    i, j = np.concatenate(left), np.concatenate(right)
    graph = coo_matrix((np.ones(len(i), bool), (i, j)), shape=(n, n))
    return np.asarray(connected_components(graph, directed=False)[1], np.int64)


def scenes_of(frames: pd.DataFrame) -> NDArray[np.int64]:
    """`find_scenes` for the rows of a frame table; a row whose outing or burst is unknown has its own."""

    def numbered(name: str) -> NDArray[np.int64]:
        known = numbers(frames, name)
        return np.where(np.isnan(known), -1.0 - np.arange(len(known)), known).astype(np.int64)

    signatures = texts(frames, "signature").to_numpy(object)
    return find_scenes(signatures, numbered("outing"), numbered("burst"))
