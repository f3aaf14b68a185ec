"""How much larger a labelled frame shows the scene than the bare one, and what forbids the pair."""

from __future__ import annotations

from typing import Final

import numpy as np

from auditor.infer.comparisons.labels import CROP, MERGED, STACKED
from auditor.infer.lenses.converters import factor_in_name

__all__ = ["converter_factor", "pair_scale"]

_SAME: Final = 0.03
"""Relative difference below which focal lengths, sizes and pitches are the same."""
_USUAL_FACTOR: Final = 1.4
"""Converters of 1.4x are the commonest (common practice, no source)."""
_STACKED_SIZES: Final = (0.8, 1.25)
"""Picture size of a stacked or merged file over that of its frames: aligning crops a little."""


def converter_factor(label: str) -> float:
    """Magnification that a converter's name tells ('converter 1.4x'); 1.4 where it tells none."""
    return factor_in_name(label) or _USUAL_FACTOR


def pair_scale(label: str, focal: float, size: float, pitch: float) -> tuple[float, str | None]:
    """Magnification of the labelled frame's picture against the bare one's.

    Args:
        label: in plain form.
        focal: focal length of the labelled frame over that of the bare one.
        size: long side in pixels, bare over labelled.
        pitch: pixel pitch, labelled over bare.

    Returns:
        The magnification at equal picture size, and why the two are no pair, or None.
    """
    if label.startswith("converter "):
        # Some cameras write the focal length with the converter in it, some without.
        known = np.isfinite(focal) and not _same(focal)
        return (float(focal) if known else converter_factor(label)), None
    if not _same(focal):
        return 1.0, "the focal lengths differ"
    if label == CROP:
        if np.isfinite(pitch) and not _same(pitch):
            return 1.0, "the pixel pitch differs, as after resizing"
        return float(size), None
    if label in (STACKED, MERGED):
        return 1.0, None if _STACKED_SIZES[0] < size < _STACKED_SIZES[
            1
        ] else "the picture sizes differ"
    if not _same(size) or (np.isfinite(pitch) and not _same(pitch)):
        return 1.0, "the picture sizes differ"
    return 1.0, None


def _same(ratio: float) -> bool:
    return bool(np.isfinite(ratio)) and abs(float(np.log(ratio))) <= _SAME
