"""Shares of frames, with their intervals."""

from __future__ import annotations

import math

from scipy.special import ndtri

__all__ = ["share_interval"]


def share_interval(hits: int, of: int, share: float) -> tuple[float, float]:
    """Ends of the interval of `hits` / `of` that holds this share (Wilson, J. Am. Stat. Assoc. 22, 1927)."""
    z = float(ndtri(0.5 + share / 2))
    p = hits / of
    centre = (p + z * z / (2 * of)) / (1 + z * z / of)
    half = z / (1 + z * z / of) * math.sqrt(p * (1 - p) / of + z * z / (4 * of * of))
    return max(centre - half, 0.0), min(centre + half, 1.0)
