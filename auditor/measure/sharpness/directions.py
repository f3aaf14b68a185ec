"""Sharpness by direction: what the sharpest edges show that face each of four ways.

A moved camera blurs along its movement and leaves edges that run along it as sharp as they were; missed
focus blurs all ways alike. So the frontier of each direction is kept by itself, over the whole frame:
something still in the frame that is in focus shows in all four of them.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from auditor.measure.sharpness.edges import Edges
from auditor.record import DIRECTIONS

__all__ = ["directional_mtf50"]

_ENOUGH: Final = 12
"""Edges below which a direction has no figure: a tenth of fewer is hardly an edge."""
_SHARP_SHARE: Final = 0.1
"""Share of a direction's edges that pass its level."""
_NOT_SINGLE: Final = 2
"""Edges that pass it at least: one alone may be off by anything."""
_CAUTION: Final = 0.5
"""Standard errors taken off each edge, so that badly measured ones do not make the frontier."""


def directional_mtf50(edges: Edges) -> dict[str, float | None]:
    """MTF50 (c/px) of the sharpest edges facing each of `DIRECTIONS`; None where edges are few.

    Parameters
    ----------
    edges : Edges
        Measured edges of a frame, with those of `sharp_places`. An edge counts for the direction nearest to its normal.

    Notes
    -----
    Share, count and caution were chosen on half of the photographs that `scripts/calibrate` reads and on
    photographs behind known optics: between 5 and 10% of the edges, and 0 to 1 standard errors, nothing changed
    by more than their number allows to tell; of 3% single edges decide, 20% take in what is out of focus.
    """
    lower_bound = edges.log_mtf50 - _CAUTION * edges.stderr
    step = DIRECTIONS["falling"] - DIRECTIONS["horizontal"]
    facing = np.round(np.degrees(edges.angle) / step).astype(int) % len(DIRECTIONS)
    out: dict[str, float | None] = {}
    for i, name in enumerate(DIRECTIONS):
        values = np.sort(lower_bound[facing == i])[::-1]
        if len(values) < _ENOUGH:
            out[name] = None
            continue
        place = max(_NOT_SINGLE, int(_SHARP_SHARE * len(values)))
        out[name] = float(np.exp(values[place]))
    return out
