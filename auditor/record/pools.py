"""Which frames may be measured against each other: those of one kind of file and one scale."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.record.values import numbers, words

__all__ = ["EXPORTS", "SAME_SCALE", "pool_words", "pools"]

SAME_SCALE: Final = 0.03
"""Relative difference within which two scales are one: borders differ between kinds of file."""
EXPORTS: Final = "resized"
"""The value of `source` for files that no longer have the sensor's pixels: exports and enlarged ones."""


def pools(frames: pd.DataFrame) -> NDArray[np.object_]:
    """Pool of every frame: those of one pool have comparable pixels.

    A cycle per pixel means the same within one body, lens, pool and pixel pitch (`pixel_pitch_um`, of
    the file; equal within `SAME_SCALE`).

    Parameters
    ----------
    frames : pandas.DataFrame
        Frame table; `source`, `file_kind`, sides and pitch are read.

    Returns
    -------
    (n,) ndarray of object
        `source`, and for exports with the longer side of the picture ('resized 1600'). '' for frames that may
        not be pooled: enlarged ones, and reduced ones of which the scale is not known.
    """
    source = words(frames, "source", "unknown")
    kind = words(frames, "file_kind", "unknown")
    reduced = (source == EXPORTS) & (kind == "edited reduced")
    side = np.fmax(numbers(frames, "width_px"), numbers(frames, "height_px"))
    known = np.isfinite(side) & np.isfinite(numbers(frames, "pixel_pitch_um"))
    out = np.where(source == EXPORTS, "", source).astype(object)
    rows = np.flatnonzero(reduced & known)
    out[rows] = [f"{EXPORTS} {int(s)}" for s in side[rows]]
    return out


def pool_words(pool: str) -> str:
    """A pool in words.

    Parameters
    ----------
    pool : str
        From `pools`.

    Returns
    -------
    str
        'exports of 1600 px' for a pool of exports, '' for any other.
    """
    source, _, side = pool.partition(" ")
    return f"exports of {side} px" if source == EXPORTS and side else ""
