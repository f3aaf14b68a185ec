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

    Parameters
    ----------
    edges : Edges
        From `measure_edges`.
    limit : float
        ln MTF50 of a perfect lens at the frame's settings; infinite where unknown.
    coding : Coding or None
        Gives back what JPEG took.

    Returns
    -------
    Edges
        With `log_mtf50` and `stderr`; edges with an error above `_MAX_STDERR` are left out.
    """
    mean, stderr = pool_shares(edges.by_share, edges.clean, limit)
    stderr = np.hypot(stderr, _MISFIT_ERROR * np.maximum(edges.misfit - CLEAN_MISFIT / 2, 0))
    shared = np.zeros(len(edges))
    if coding is not None:
        # Only to clean ones: the texture about the others carries them through.
        coding_loss, clean = np.zeros(len(edges)), edges.take(edges.clean)
        coding_loss[edges.clean] = coding.loss(mean[edges.clean], clean)
        shared[edges.clean] = coding.shared_error(mean[edges.clean], clean)
        mean, stderr = (
            mean + coding_loss,
            np.hypot(stderr, _LOSS_ERROR * np.sqrt(np.abs(coding_loss))),
        )
    pooled = replace(edges, log_mtf50=mean, stderr=stderr, coding_error=shared)
    return pooled.take(stderr < _MAX_STDERR)
