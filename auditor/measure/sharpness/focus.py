"""Zones in which nothing is in focus: softer than the rest of the frame by more than lenses make.

A lens is sharpest near its axis. A centre softer than the corners, or a corner softer than any lens
leaves it at this aperture, shows a distance out of focus, or an empty wall, and says nothing of the
lens. The frame's sharpest zone always stays: a frame soft all over is soft.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

import numpy as np

from auditor.record import ZONES, ZoneSharpness

__all__ = ["zones_in_focus"]

_INWARD: Final = 0.75
_OUTWARD: Final = 0.3
"""Where optics' limit is unknown: shares of an outer zone's MTF50 that a zone nearer the axis keeps in
any lens (field curvature may take some), and of the sharpest zone's that a poor lens leaves a zone;
common practice, no source."""
_INWARD_PX2: Final = 8.0
_LIMITS_CPP: Final = (0.30, 0.49)
_OUTWARD_PX2: Final = (45.0, 65.0)
"""What a lens takes at most from a zone beyond what it takes from one farther out, and from the
sharpest one, in 1 / MTF50^2: blurs add by their squares, and those of aberrations fade as the
aperture closes, while diffraction is the same for all zones. For optics' limits of f/8 and smaller
and of f/2.8 at 4 um pitch; a corner of 0.12 c/px at f/2.8 and of 0.13 at f/8 beside a perfect centre
is taken for the lens's. Common practice, no source."""


def zones_in_focus(
    zones: Mapping[str, ZoneSharpness | None], limit: float = np.inf
) -> dict[str, ZoneSharpness | None]:
    """The zones, None for those in which nothing is in focus.

    `limit` is ln MTF50 of a perfect lens at the frame's settings, infinite where unknown. What the
    sharper zone's standard error leaves open is never held against a softer one.
    """
    out = dict(zones)
    for i, name in enumerate(ZONES):
        zone = zones[name]
        if zone is None:
            continue
        outer = _surely(zones[z] for z in ZONES[i + 1 :])
        if _beyond_lenses(zone.mtf50_cpp, outer, _surely(zones.values()), limit):
            out[name] = None
    return out


def _beyond_lenses(value: float, outer: float, sharpest: float, limit: float) -> bool:
    """Whether an MTF50 is lower beside those of the outer zones and the sharpest one than lenses make it."""
    if not np.isfinite(limit):
        return value < max(_INWARD * outer, _OUTWARD * sharpest)
    least = float(np.interp(np.exp(limit), _LIMITS_CPP, _OUTWARD_PX2))
    allowed = ((outer, _INWARD_PX2), (sharpest, least))
    return any(other > 0 and value**-2 > other**-2 + most for other, most in allowed)


def _surely(zones: Iterable[ZoneSharpness | None]) -> float:
    """The largest MTF50 of several zones less its standard error; 0 where there is none."""
    return max((z.mtf50_cpp - z.stderr_cpp for z in zones if z is not None), default=0.0)
