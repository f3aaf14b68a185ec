"""Whether a frame's objects are soft themselves, and what that leaves open of the lens.

Blurs add by their squares: the frontier of a zone's edges lacks to 1 / MTF50^2 what the lens lacks
and what even the sharpest objects there lack to a step. One frame can't tell them apart, so nothing is
taken off its figure. How far the lens may be better than what is seen goes into the figure's error;
many frames tell more (`infer.lenses`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from auditor.measure.sharpness.edges import Edges
from auditor.measure.sharpness.frontier import edge_noise, frontier

__all__ = ["Softness", "scene_softness"]

_RICH: Final = 0.34
"""Share of clean edges among the places tried below which objects may be soft."""
_SCARCE: Final = 0.22
"""The same below which they are with probability 1."""
_MANY: Final = 30
"""Clean edges, and well measured ones, from which on a frame's edges may agree."""
_PRECISE: Final = 0.2
"""Error of ln MTF50 up to which an edge is well measured."""
_AGREE: Final = 2.0
"""Times its noise within which an edge agrees with the frontier."""
_SAME: Final = (0.65, 0.90)
"""Shares of a frame's edges that show one blur, from which and up to which its objects pass for steps.
Nine in ten of 86 photographs lay below the first; discs crowded as leaves behind 0.6 px of blur, 0.73 to
0.87."""
_PIXEL_PX2: Final = 2.75
"""1 / MTF50^2 of a bare square pixel, whose MTF50 is 0.603 c/px: the most that any system shows."""
_OBJECTS_PX2: Final = 20.0
"""What the sharpest of soft objects lack at most, as a rule, to the 1 / MTF50^2 of a step: 19 in 20 of
the zones of photographs seen through known optics lack less (`tests/measure/test_photographs.py`)."""


@dataclass(frozen=True, slots=True)
class Softness:
    """Whether a frame's objects are soft themselves, and where optics end.

    Attributes
    ----------
    share : float
        Probability that its objects are soft, 0 to 1.
    limit : float
        ln MTF50 of a perfect lens at the frame's aperture and pixel pitch, infinite where either is
        unknown. It bounds an error; it moves no figure.
    focused : bool
        False where nothing in the frame is in focus.
    """

    share: float
    limit: float = np.inf
    focused: bool = True

    def error(self, log_mtf50: float) -> float:
        """Error of ln MTF50 as a figure of the lens, from objects that may be soft.

        The lens lies between what is seen and what it would be if the objects' softness were as large
        as it may be (all there is to take off, where nothing is in focus); two standard errors reach
        from one to the other. Half a suspicion of soft objects counts for more than half: the root.

        Parameters
        ----------
        log_mtf50 : float
            ln MTF50 (c/px) as measured.

        Returns
        -------
        float
            Standard error of ln MTF50.
        """
        total = float(np.exp(-2 * log_mtf50))
        end = float(np.exp(-2 * self.limit)) if np.isfinite(self.limit) else _PIXEL_PX2
        most = max(total - end, 0.0)
        if not self.focused:
            return float(np.log(total / (total - most))) / 4
        most = min(most, _OBJECTS_PX2)
        # Half the logarithm of 1 / MTF50^2 is that of MTF50, and half of what it may change one error.
        return self.share**0.5 * float(np.log(total / (total - most))) / 4


def scene_softness(clean_share: float, edges: Edges, limit: float = np.inf) -> Softness:
    """Whether a frame's objects are soft, from the share of clean edges among the places tried.

    Rooftops and cut stone are steps; leaves, grass and rock are not, not even their sharpest edges.
    But where most edges, crowded as they are, show one and the same blur, it is the system's: objects
    of their own softness would differ.

    Parameters
    ----------
    clean_share : float
        Clean edges over places tried.
    edges : Edges
        The frame's edges, with values and errors.
    limit : float
        ln MTF50 of a perfect lens at the frame's settings; infinite where unknown.

    Returns
    -------
    Softness
        With `focused` True.
    """
    share = float(np.clip((_RICH - clean_share) / (_RICH - _SCARCE), 0, 1))
    if share > 0:
        share *= float(np.clip((_SAME[1] - _agreement(edges)) / (_SAME[1] - _SAME[0]), 0, 1))
    return Softness(share, limit)


def _agreement(edges: Edges) -> float:
    """Share of the well measured edges that differ from the frontier by no more than their errors.

    0 where clean edges are few: what stands in the midst of texture all agrees in being off.
    """
    use = edges.stderr < _PRECISE
    if np.count_nonzero(edges.clean) < _MANY or np.count_nonzero(use) < _MANY:
        return 0.0
    value, noise = edges.log_mtf50[use], edge_noise(edges.stderr[use])
    return float(np.mean(np.abs(value - frontier(value, edges.stderr[use])[0]) < _AGREE * noise))
