"""Whether a frame's objects are soft themselves or out of focus, and what that leaves open of the lens.

Blurs add by their squares: the frontier of a zone's edges lacks to 1 / MTF50^2 what the lens lacks
and what even the sharpest objects there lack to a step. One frame can't tell them apart, so nothing is
taken off its figure. How far the lens may be better than what is seen goes into the figure's error;
many frames tell more (`infer.lenses`).

A lens is sharpest near its axis. A centre softer than the corners, or a corner softer than any lens
leaves it at this aperture, shows a distance out of focus, or an empty wall, and says nothing of the
lens. The frame's sharpest zone stays, whatever the others show. Whether anything in the frame is in
focus is another question: true steps that are soft all over show the system's blur, but among soft
objects far behind what optics allow nothing tells whose the softness is.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from auditor.optics import blur_sigma_for_mtf50
from auditor.record import ZONES

__all__ = ["Softness", "nothing_in_focus", "out_of_focus", "scene_softness"]

_RICH: Final = 0.34
"""Share of clean edges among the places tried below which objects may be soft."""
_SCARCE: Final = 0.22
"""The same below which they are with probability 1."""
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


def scene_softness(clean_share: float, limit: float = np.inf) -> Softness:
    """Whether a frame's objects are soft, from the share of clean edges among the places tried.

    Rooftops and cut stone are steps; leaves, grass and rock are not, not even their sharpest edges.

    Parameters
    ----------
    clean_share : float
        Clean edges over places tried.
    limit : float
        ln MTF50 of a perfect lens at the frame's settings; infinite where unknown.

    Returns
    -------
    Softness
        With `focused` True.
    """
    share = float(np.clip((_RICH - clean_share) / (_RICH - _SCARCE), 0, 1))
    return Softness(share, limit)


Estimate = tuple[float, float]
"""MTF50 of what is sharpest in a zone, objects' softness and all, and its standard error (c/px)."""

_INWARD: Final = 0.75
"""Share of an outer zone's MTF50 that a zone nearer the axis keeps in any lens: field curvature may take
some (common practice, no source)."""
_INWARD_KNOWN: Final = 0.9
"""The same where optics' limit is known, together with the next (common practice, no source)."""
_INWARD_PX2: Final = 8.0
"""What such a zone may lack beyond the outer one's 1 / MTF50^2: blurs add by their squares, and diffraction
is the same for all zones (common practice, no source)."""
_OUTWARD: Final = 0.3
"""The least share of the frame's sharpest zone that a poor lens leaves a zone, where the aperture is unknown
(common practice, no source)."""
_LIMITS_CPP: Final = (0.13, 0.49)
"""MTF50 that diffraction and pixel allow at f/22 and f/2.8, at 4 um pitch."""
_OUTWARD_AT: Final = (0.6, 0.25)
"""The same share at these: aberrations fade as the aperture closes (common practice, no source)."""
_LACK_PX2: Final = float(blur_sigma_for_mtf50(1.0)) ** -2
"""What a Gaussian blur of one pixel adds to 1 / MTF50^2, whatever the aperture. Where a lens is sharpest
it lacks less, even wide open (common practice, no source)."""
_SOFT: Final = 0.5
"""Probability that a frame's objects are soft from which on its softness may be theirs."""


def nothing_in_focus(sharpest_by_zone: Mapping[str, Estimate], softness: Softness) -> bool:
    """Whether not even the sharpest zone of a frame of soft objects shows anything in focus.

    Parameters
    ----------
    sharpest_by_zone : mapping
        Zone -> (MTF50, standard error) of what is sharpest in it, c/px.
    softness : Softness
        Of the frame.

    Returns
    -------
    bool
        False as well where the aperture is unknown.
    """
    if softness.share < _SOFT or not np.isfinite(softness.limit):
        return False
    sharpest = max((mtf50 + stderr for mtf50, stderr in sharpest_by_zone.values()), default=np.inf)
    return bool(sharpest**-2 - np.exp(-2 * softness.limit) > _LACK_PX2)


def out_of_focus(sharpest_by_zone: Mapping[str, Estimate], limit: float = np.inf) -> set[str]:
    """Zones in which nothing is in focus.

    What the sharper zone's standard error leaves open is never held against a softer one.

    Parameters
    ----------
    sharpest_by_zone : mapping
        Zone -> (MTF50, standard error) of what is sharpest in it, c/px.
    limit : float
        ln MTF50 of a perfect lens at the frame's settings; infinite where unknown.

    Returns
    -------
    set of str
        Their names.
    """
    sharpest = _highest_lower_bound(sharpest_by_zone.values())
    out = set()
    for name, (mtf50, _) in sharpest_by_zone.items():
        outer = _highest_lower_bound(
            sharpest_by_zone[z] for z in ZONES[ZONES.index(name) + 1 :] if z in sharpest_by_zone
        )
        if _below_any_lens(mtf50, outer, sharpest, limit):
            out.add(name)
    return out


def _below_any_lens(value: float, outer: float, sharpest: float, limit: float) -> bool:
    """Whether an MTF50 is lower beside those of the outer zones and the sharpest one than lenses make it."""
    if not np.isfinite(limit):
        return value < max(_INWARD * outer, _OUTWARD * sharpest)
    least = float(np.interp(np.exp(limit), _LIMITS_CPP, _OUTWARD_AT))
    inward = value < _INWARD_KNOWN * outer and value**-2 - outer**-2 > _INWARD_PX2
    return inward or value < least * sharpest


def _highest_lower_bound(zones: Iterable[Estimate]) -> float:
    """The largest MTF50 of several zones less its standard error; 0 where there is none."""
    return max((mtf50 - stderr for mtf50, stderr in zones), default=0.0)
