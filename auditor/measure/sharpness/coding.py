"""What JPEG took of an edge.

JPEG (ISO/IEC 10918-1) writes the cosine coefficients of 8 x 8 pixels as whole multiples of a step.
The fine ones of a weak edge are smaller than half a step and vanish, most of all where the edge runs
aslant and its detail is spread over many of them; noise that is wide beside the step carries them
through. So a darker picture of one scene reads softer, unless what was lost is given back.
"""

from __future__ import annotations

from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.cosine import EIGHT
from auditor.measure.picture import Picture
from auditor.measure.sharpness.light import Light

__all__ = ["Coding", "coding_of"]

Floats = NDArray[np.float64]

_BAND: Final = (1.2, 0.3)
"""Frequencies that settle an edge's MTF50: centre as a multiple of it, and width in ln."""
_GAIN, _POWER, _ASLANT, _LEVEL, _WIDE = 4.0, 2.2, 1.66, 1.83, 0.4
_FINE_CPP, _SUDDEN = 0.29, 8
"""From 47,000 pairs of edges before and after coding (qualities 90, 95 and 98 of the standard's own
tables, and steps of 4 and of 8 at every frequency; MTF50 of 0.13 to 0.49 c/px; three noises). More
than half of what was lost is given back at 0.3 c/px and above; below, the loss is small and goes up
and down with the step, so that little is."""
_LEAST_STEP: Final = 2.0
_GRID_CPP: Final = np.geomspace(0.04, 0.8, 60)


class Coding:
    """Steps of a JPEG's luma, with the way from light back to code values."""

    def __init__(self, steps: Floats, picture: Picture) -> None:
        self._steps = steps
        self._picture = picture

    @cached_property
    def _near(self) -> Floats:
        """Step (code values) that matters to an edge of each MTF50 of `_GRID_CPP`."""
        freq = np.maximum(EIGHT.frequency, 1e-3)
        centre, width = _BAND
        apart = np.log(freq / (centre * _GRID_CPP[:, None, None])) / width
        weight = np.exp(-0.5 * apart**2)
        return np.asarray((weight * self._steps).sum((1, 2)) / weight.sum((1, 2)))

    @cached_property
    def _light(self) -> Floats:
        return self._picture.linear(np.arange(256, dtype=np.uint8)).astype(float)

    def _codes(self, light: Floats) -> Floats:
        return np.interp(light, self._light, np.arange(256.0))

    def loss(
        self, log_mtf50: Floats, base: Floats, step: Floats, noise: Floats, angle: Floats
    ) -> Floats:
        """How much of ln MTF50 the coding took of each edge, (n,), never negative.

        `base`, `step` and `noise` are in light, `angle` in radians, all (n,).
        """
        low, high = self._codes(base), self._codes(base + step)
        height = np.maximum(high - low, _LEAST_STEP)
        grain = noise * height / np.maximum(step, 1e-9)
        mtf50 = np.exp(log_mtf50)
        near = np.interp(mtf50, _GRID_CPP, self._near)
        aslant = np.abs(np.sin(2 * angle)) ** _ASLANT
        fine = 1 / (1 + (_FINE_CPP / mtf50) ** _SUDDEN)
        plain = _GAIN * aslant * fine * (near / height) ** _POWER
        return np.asarray(plain / (1 + _LEVEL * plain) * np.exp(-((grain / (_WIDE * near)) ** 4)))


def coding_of(light: Light) -> Coding | None:
    """The coding behind a picture; None for what is no JPEG, or was measured on a mosaic."""
    steps, code = light.picture.luma_steps, light.picture.code
    if steps is None or light.green is not None or code is None or code.dtype != np.uint8:
        return None
    return Coding(steps, light.picture)
