"""Frames of one scene: neighbours in time within an outing whose pictures look alike.

The likeness is that of the stored signature (12 x 8 grey means, free of exposure). A scene is a
chain: each frame follows the one before within a quarter of an hour and shows nearly the same.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.lenses.grouping import texts

__all__ = ["find_scenes", "read_signatures"]

CELLS: Final = 96
_ALIKE: Final = 0.85
"""Correlation of two signatures from which they show one scene."""
_MINUTES: Final = 15.0


def read_signatures(signature: pd.Series) -> NDArray[np.float32]:
    """n x 96 grey means with mean 0 and unit length; zero where missing or unreadable."""
    good = signature.str.fullmatch(r"[0-9a-f]{192}").fillna(False).to_numpy(dtype=bool)
    out = np.zeros((len(signature), CELLS), np.float32)
    if good.any():
        raw = bytes.fromhex("".join(signature[good]))
        grey = np.frombuffer(raw, np.uint8).reshape(-1, CELLS).astype(np.float32)
        grey -= grey.mean(1, keepdims=True)
        length = np.sqrt((grey**2).sum(1, keepdims=True))
        out[good] = grey / np.maximum(length, 1e-6)
    return out


def find_scenes(frames: pd.DataFrame, outing: NDArray[np.int64]) -> NDArray[np.int64]:
    """Number of the scene of each frame; a frame without likeness or time is a scene of its own."""
    n = len(frames)
    taken = texts(frames, "taken")
    when = pd.to_datetime(taken.str.slice(0, 19), format="%Y-%m-%dT%H:%M:%S", errors="coerce")
    seconds = when.to_numpy("datetime64[s]").astype(np.int64)
    known = when.notna().to_numpy()
    signature = read_signatures(texts(frames, "signature").str.lower())
    order = np.lexsort((seconds, outing))
    alike = np.zeros(n, bool)
    # In blocks, so that a million frames need little memory beyond the signatures.
    for first in range(1, n, 100_000):
        here, before = order[first : first + 100_000], order[first - 1 : first + 100_000 - 1]
        before = before[: len(here)]
        close = (signature[here] * signature[before]).sum(1) > _ALIKE
        close &= (outing[here] == outing[before]) & known[here] & known[before]
        alike[first : first + len(here)] = close & (
            seconds[here] - seconds[before] <= _MINUTES * 60
        )
    scene = np.empty(n, np.int64)
    scene[order] = np.cumsum(~alike) - 1 if n else scene
    return scene
