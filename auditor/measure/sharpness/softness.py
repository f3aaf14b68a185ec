"""What of the softness seen is the lens's, and what the objects'.

Blurs add by their squares. The sharp end of a zone's edges lacks something to the 1 / MTF50^2 of a
perfect lens: what the lens lacks, and what even the sharpest objects there lack to a step. One zone
can't tell them apart; a frame can in part, since no lens is sharper at the edge than on its axis:

    lack of a zone = (lens on axis + objects everywhere) + (lens further out + objects of this zone)

Each of the four is spread as a mixture of exponentials (px^2). What all zones share is told by all of
them; only what is left beyond it is a zone's own, and of that nothing is the lens's in the centre. The
value of a zone is its mean over what remains possible, its error the spread of that.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.sharpness.edges import Edges
from auditor.measure.sharpness.sharp_end import edge_noise, sharp_end
from auditor.record import ZONES

__all__ = ["FrameLens", "Softness", "scene_softness"]

Floats = NDArray[np.float64]
Mixture = tuple[tuple[float, float], ...]
"""Shares and scales (px^2) of exponentials."""
End = tuple[float, float]
"""ln MTF50 of a sharp end and its standard error."""

_RICH: Final = 0.34
_SCARCE: Final = 0.22
"""Shares of clean edges among the places tried, from which and down to which objects are soft."""
_MANY: Final = 30
_PRECISE: Final = 0.2
_AGREE: Final = 2.0
_SAME: Final = (0.65, 0.90)
"""Shares of a frame's edges that show one blur, from which and up to which its objects pass for steps.
Nine in ten of 86 photographs lay below the first; discs crowded as leaves behind 0.6 px of blur, 0.73 to
0.87."""
AXIS: Final = ((0.3, 0.5), (0.22, 12.0), (0.18, 60.0))
AXIS_ABERRATION: Final = (0.3, 5.0)
"""What the lens lacks on its axis: next to nothing; filters, finishing and a hand's tremor; missed focus
and movement; and aberrations, of this scale at f/8 and 4 um pitch."""
AXIS_UNKNOWN: Final = ((0.15, 2.0), (0.3, 10.0), (0.55, 60.0))
"""The same to a bare pixel, where nothing is known of the optics: diffraction and all."""
OUTER: Final = ((0.72, 0.2), (0.28, 35.0))
"""What it lacks more further out."""
OBJECTS: Final = ((0.52, 0.2), (0.42, 4.5), (0.06, 40.0))
OBJECTS_OF_ZONE: Final = ((0.42, 3.0), (0.53, 14.0), (0.05, 60.0))
"""What a frame's sharpest objects lack to steps, and a zone's more than these. The mixtures were fitted
to 90 photographs reduced two and three times, as they were and behind a perfect lens with 0.6 and 1.2 px
of blur besides and one whose aberrations fade, and held on 31 others."""
_STEP: Final = 0.1
"""What true steps lack: nothing, but for the grid."""
_PIXEL: Final = 2.75
"""1 / MTF50^2 of a bare square pixel, whose MTF50 is 0.603 c/px."""
_DIFFRACTION: Final = 8.1
_FADING: Final = (0.1, 8.0)
"""What diffraction adds to it at f/8 and 4 um pitch, and how far aberrations are scaled for more or less."""
_SCATTER: Final = 0.03
"""Error of a sharp end beyond the one stated (ln MTF50)."""
_UNLIKELY: Final = 1e-9
"""Chance of a sharp end that is off by anything."""
_SOFTNESS: Final = 7.0
_SOFTNESS_ERROR: Final = 6.0
"""What soft objects lack in the median (px^2), and how much that differs from frame to frame."""
_NEAR_LIMIT: Final = 1.2
_NEAR_PIXEL: Final = 4.0
"""How gently (px^2) taking it off stops short of the bare pixel, with and without knowledge of optics."""
_OPEN: Final = 0.6
"""Share of what a zone lacks that its own error takes in."""
LACKS: Final = np.concatenate([np.arange(0, 16, 0.5), np.geomspace(16, 400, 40)])


@dataclass(frozen=True)
class Softness:
    """How surely a frame's objects are soft (0 to 1), and where optics end.

    `limit` is ln MTF50 of a perfect lens at the frame's aperture and pixel pitch: no correction
    goes beyond it. Infinite where either is unknown.
    """

    share: float
    limit: float = np.inf

    def own(self, end: End) -> End:
        """ln MTF50 that a sharp end shows by itself, and its error: what the sharpest of soft objects
        lack in the median is taken off, and nothing is assumed of lenses but that optics end.

        Photographs reduced two or three times and seen through known optics, with aberrations that
        fade as the aperture closes, read true in the median at every stop with 7 px^2 taken off
        (between 6 and 7 in either half of 55 of them). Single frames differ by as much.
        """
        value, stderr = end
        if self.share == 0:
            return value, stderr
        total = np.exp(-2 * value)
        known = np.isfinite(self.limit)
        # No system with a pixel is sharper than the pixel: approach that limit, do not pass it; the
        # sooner held back where nothing nearer is known of the optics.
        width = _NEAR_LIMIT if known else _NEAR_PIXEL
        left = (total - _SOFTNESS * self.share - _PIXEL) / width
        rest = _PIXEL + width * float(np.logaddexp(0, left))
        error = float(np.hypot(stderr * total / rest, 0.5 * _SOFTNESS_ERROR * self.share / rest))
        if known:
            # What is missing to the optics' best may be the lens's as well as the objects'.
            missing = 1 - float(np.exp(-2 * self.limit)) / rest
            error = float(np.hypot(error, 0.5 * _OPEN * self.share * max(missing, 0.0)))
        return max(value, min(-0.5 * float(np.log(rest)), self.limit)), error


def scene_softness(clean_share: float, edges: Edges, limit: float = np.inf) -> Softness:
    """Whether a frame's objects are soft, from the share of clean edges among the places tried.

    Rooftops and cut stone are steps; leaves, grass and rock are not, not even their sharpest edges.
    But where most edges, crowded as they are, show one and the same blur, it is the system's: objects
    of their own softness would differ.
    """
    share = float(np.clip((_RICH - clean_share) / (_RICH - _SCARCE), 0, 1))
    if share > 0:
        share *= float(np.clip((_SAME[1] - _agreement(edges)) / (_SAME[1] - _SAME[0]), 0, 1))
    return Softness(share, limit)


def _agreement(edges: Edges) -> float:
    """Share of the well measured edges that differ from the sharp end by no more than their errors.

    0 where clean edges are few: what stands in the midst of texture all agrees in being off.
    """
    use = edges.stderr < _PRECISE
    if np.count_nonzero(edges.clean) < _MANY or np.count_nonzero(use) < _MANY:
        return 0.0
    value, noise = edges.log_mtf50[use], edge_noise(edges.stderr[use])
    return float(np.mean(np.abs(value - sharp_end(value, edges.stderr[use])[0]) < _AGREE * noise))


class FrameLens:
    """The lens behind a frame's sharp ends."""

    def __init__(self, softness: Softness, ends: Mapping[str, End]) -> None:
        """`ends` holds the sharp ends of those of `ZONES` that have one."""
        self.softness = softness
        self._told: dict[str, Floats] = {}
        if softness.share > 0:
            self._told = {n: self._likelihood(end, n).sum(1) for n, end in ends.items()}

    def value(self, end: End, zone: str) -> End:
        """ln MTF50 of the lens and its error, given the sharp end of edges of a zone.

        What the frame's other zones show is taken in.
        """
        if self.softness.share == 0:
            return end
        likelihood = self._likelihood(end, zone)
        shared, on_axis, axis_variance = self._axis
        chance = shared.copy()
        for name, told in self._told.items():
            if name != zone:
                chance *= told
        joint = chance[:, None] * likelihood
        joint /= joint.sum()
        _, outer, outer_variance = self._outer(zone)
        total = self._base + on_axis[:, None] + outer[None, :]
        log_mtf50 = -0.5 * np.log(total)
        mean = float((joint * log_mtf50).sum())
        # Each one's own spread counts for less beside the other's lack.
        weight = (self._base + on_axis)[:, None] / total, (self._base + outer)[None, :] / total
        within = axis_variance[:, None] * weight[0] ** 2 + outer_variance[None, :] * weight[1] ** 2
        variance = float((joint * ((log_mtf50 - mean) ** 2 + within)).sum())
        # Where optics allow no more, the objects are sharper than usual. What was seen (a sharpened
        # picture may go beyond optics) is not taken back here.
        if end[0] > self._limit:
            mean = max(mean, end[0])
        return mean, float(np.hypot(end[1], np.sqrt(variance)))

    def _likelihood(self, end: End, zone: str) -> Floats:
        """Chance of the sharp end and of what is the zone's own, (shared lacks, own lacks)."""
        off = (min(end[0], self._limit) - self._seen) / np.hypot(end[1], _SCATTER)
        return np.asarray((np.exp(-0.5 * off * off) + _UNLIKELY) * self._outer(zone)[0])

    @property
    def _limit(self) -> float:
        """ln MTF50 that no lens passes: the optics' limit, or the bare pixel's where it is unknown."""
        return min(self.softness.limit, -0.5 * float(np.log(_PIXEL)))

    @cached_property
    def _base(self) -> float:
        """The same as 1 / MTF50^2, px^2."""
        return round(float(np.exp(-2 * self._limit)), 2)

    @cached_property
    def _seen(self) -> Floats:
        """ln MTF50 seen for each pair of shared and own lacks."""
        lacks = LACKS[:, None] + LACKS[None, :]
        return np.asarray(-0.5 * np.log(self._base + lacks))

    @cached_property
    def _axis(self) -> tuple[Floats, Floats, Floats]:
        """Of what all zones share: its chances, and the lens's part of it (see `parted`)."""
        lens: Mixture = AXIS_UNKNOWN
        if np.isfinite(self.softness.limit):
            # Aberrations fade as the aperture closes, by the square as diffraction grows.
            diffraction = max(self._base - _PIXEL, 0.1)
            fading = round(float(np.clip(_DIFFRACTION / diffraction, *_FADING)), 1)
            lens = (*AXIS, (AXIS_ABERRATION[0], AXIS_ABERRATION[1] * fading))
        return parted(lens, self._objects(OBJECTS), self._base)

    def _outer(self, zone: str) -> tuple[Floats, Floats, Floats]:
        """The same of what is a zone's own: in the centre nothing of it is the lens's."""
        lens = OUTER if zone != ZONES[0] else ()
        return parted(lens, self._objects(OBJECTS_OF_ZONE), self._base)

    def _objects(self, mixture: Mixture) -> Mixture:
        """What objects lack, some of which may be steps after all."""
        soft = round(float(np.ceil(self.softness.share * 10 - 1e-6)) / 10, 1)
        return ((1 - soft, _STEP), *((soft * share, scale) for share, scale in mixture))


@lru_cache(512)
def parted(lens: Mixture, objects: Mixture, base: float) -> tuple[Floats, Floats, Floats]:
    """A lack that is the sum of the lens's and the objects': its chance at each of `LACKS`; and given
    it, what of it is the lens's, as the mean of ln MTF50 shows beside `base`, and that one's variance.

    `base` is 1 / MTF50^2 (px^2) of a perfect lens. `lens` may be empty: nothing is the lens's.
    """
    width = np.gradient(LACKS)
    if not lens:
        chance = _density(objects, LACKS) * width
        nothing = np.zeros(len(LACKS))
        return chance / chance.sum(), nothing, nothing
    part = (np.arange(200) + 0.5) / 200
    whole = np.maximum(LACKS, 1e-3)[:, None]
    weight = _density(lens, part * whole) * _density(objects, (1 - part) * whole)
    chance = weight.mean(1) * whole[:, 0]
    chance[0] = chance[1] / 2
    chance *= width
    weight /= weight.sum(1)[:, None]
    log_mtf50 = -0.5 * np.log(base + part * whole)
    mean = (weight * log_mtf50).sum(1)
    variance = (weight * (log_mtf50 - mean[:, None]) ** 2).sum(1)
    return chance / chance.sum(), np.exp(-2 * mean) - base, variance


def _density(mixture: Mixture, lack: Floats) -> Floats:
    return np.asarray(sum(share / scale * np.exp(-lack / scale) for share, scale in mixture))
