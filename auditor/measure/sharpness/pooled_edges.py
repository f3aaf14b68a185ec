"""A frame's edges, each with value and error, once all of them are known."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from auditor.measure.sharpness.coding import Coding
from auditor.measure.sharpness.diffraction_share import pool_shares
from auditor.measure.sharpness.edges import CLEAN_MISFIT, Edges

__all__ = ["pooled_edges"]

_MISFIT_ERROR: Final = 2.0
"""Error of ln MTF50 per unit of misfit above half of a clean edge's."""
_LOSS_ERROR: Final = 0.2
"""Error of what JPEG took, over the square root of it: scatter of 19,000 edges about their state before
coding."""
_MAX_STDERR: Final = 0.5
"""Error of ln MTF50 from which on nothing is known of an edge."""


def pooled_edges(edges: Edges, limit: float = np.inf, coding: Coding | None = None) -> Edges:
    """All edges of a frame with value and error under the frame's own share of diffraction.

    `limit` is ln MTF50 of a perfect lens at the frame's settings, infinite where unknown; `coding`
    gives back what JPEG took. Edges of which nothing is known are left out.
    """
    mean, stderr = pool_shares(edges.by_share, edges.clean, limit)
    stderr = np.hypot(stderr, _MISFIT_ERROR * np.maximum(edges.misfit - CLEAN_MISFIT / 2, 0))
    if coding is not None:
        # Only to clean ones: the texture about the others carries them through.
        lost = np.zeros(len(edges))
        lost[edges.clean] = coding.loss(mean[edges.clean], edges.take(edges.clean))
        mean, stderr = mean + lost, np.hypot(stderr, _LOSS_ERROR * np.sqrt(np.abs(lost)))
    return replace(edges, log_mtf50=mean, stderr=stderr).take(stderr < _MAX_STDERR)
