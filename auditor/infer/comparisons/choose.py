"""Which frames could be pairs, and which of these are: each frame in one pair, both showing one scene.

Candidates are taken nearest first, and thumbnails are laid over each other only for frames that have
no partner yet. Signatures of 12 x 8 grey means decide where no thumbnail can be asked; they are
coarse, and skies over land look alike.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from auditor.infer.comparisons.image_matching import overlay, read_thumb
from auditor.infer.comparisons.labels import CROP, MERGED, STACKED
from auditor.infer.comparisons.small_pictures import Signatures, SmallPictures
from auditor.infer.lenses.converters import factor_in_name
from auditor.infer.lenses.grouping import SAME_PITCH

__all__ = [
    "APERTURE_STOPS",
    "MINUTES",
    "SURE",
    "Chooser",
    "Meeting",
    "Pair",
    "magnification",
    "pair_scale",
]

MINUTES: Final = 15.0
"""Frames further apart in time are no pair: light and scene have changed (common practice, no source)."""
APERTURE_STOPS: Final = 1.6
"""Apertures further apart than a stop and a half, as written f-numbers are rounded, are no pair: the curve
would have to bridge too much."""

SURE: Final = 0.97
"""Correlation of signatures from which one scene is likely, where thumbnails were too many to ask."""
_ALIKE: Final = 0.80
"""Correlation from which it is, where there are no thumbnails at all."""
_MAYBE: Final = 0.45
"""Below this the thumbnails are not asked."""
_ALIKE_THUMB: Final = 0.55
"""Correlation of the gradients of two thumbnails laid over each other from which it is one scene."""
_MOST_LOOKS: Final = 3000
"""So many thumbnails at most are laid over each other."""
_MOST_PER_BURST: Final = 3
"""So many pairs at most of two bursts: further ones tell little more about the accessory."""

_USUAL_FACTOR: Final = 1.4
"""Converters of 1.4x are the commonest (common practice, no source)."""
_STACKED_SIZES: Final = (0.8, 1.25)
"""Picture size of a stacked or merged file over that of its frames: aligning crops a little."""


def magnification(label: str, focal: NDArray[np.float64]) -> float | None:
    """How much larger a converter draws, from focal lengths with it over those without, else from its name
    ('converter 1.4x'); None where neither tells: some cameras write the focal length without it."""
    known = focal[np.isfinite(focal)]
    ratio = float(np.median(known)) if len(known) else 1.0
    return factor_in_name(label) if _same(ratio) else ratio


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
        # What neither tells is tried as the commonest; the pictures then fit or do not.
        return magnification(label, np.array([focal])) or _USUAL_FACTOR, None
    if not _same(focal):
        return 1.0, "the focal lengths differ"
    if label == CROP:
        if np.isfinite(pitch) and not _same(pitch):
            return 1.0, "the pixel pitch differs, as after resizing"
        return float(size), None
    if label in (STACKED, MERGED):
        least, most = _STACKED_SIZES
        return 1.0, None if least < size < most else "the picture sizes differ"
    if not _same(size) or (np.isfinite(pitch) and not _same(pitch)):
        return 1.0, "the picture sizes differ"
    return 1.0, None


def _same(ratio: float) -> bool:
    return bool(np.isfinite(ratio)) and abs(float(np.log(ratio))) <= SAME_PITCH


@dataclass(frozen=True, slots=True)
class Pair:
    """Positions in the table of the frame with the label and the one without; pairs of one scene, taken
    one soon after the other, have one number (`Chooser.with_scenes`)."""

    labelled: int
    bare: int
    likeness: float
    minutes: float
    scene: int = -1

    def turned(self) -> Pair:
        """The same pair, the other frame taken for the labelled one."""
        return replace(self, labelled=self.bare, bare=self.labelled)


@dataclass(frozen=True, slots=True)
class Meeting:
    """Two frames that may be a pair, and what forbids it.

    `likeness`: correlation of their signatures; `scale`: magnification of the labelled frame;
    `stops`: how far their apertures lie apart.
    """

    labelled: int
    bare: int
    likeness: float
    scale: float
    stops: float
    minutes: float
    problem: str | None


class Chooser:
    """Chooses pairs, one label after the other; `signature` and `burst` by position in the table."""

    def __init__(
        self, signature: Signatures, burst: NDArray[np.int64], small: SmallPictures | None,
    ) -> None:  # fmt: skip
        self._signature = signature
        self._burst = burst
        self._small = small
        self._looks = 0

    def prepare(self, meetings: Iterable[Meeting]) -> None:
        """Have the thumbnails of these at hand."""
        if self._small is not None:
            self._small.fetch(r for m in meetings for r in (m.labelled, m.bare))

    def choose(self, meetings: list[Meeting]) -> tuple[list[Pair], dict[str, int]]:
        """Pairs of one label, by position, and why labelled frames without a partner have none."""
        taken: set[int] = set()
        bursts: dict[Any, list[int]] = {}
        out: list[Pair] = []
        for m in sorted(meetings, key=_cost):
            if m.problem is not None or m.labelled in taken or m.bare in taken:
                continue
            before = bursts.setdefault((self._burst[m.labelled], self._burst[m.bare]), [])
            if self._of_this_scene(before, m.labelled) >= _MOST_PER_BURST:
                continue
            likeness = self._one_scene(m)
            if likeness is None:
                continue
            taken |= {m.labelled, m.bare}
            before.append(m.labelled)
            out.append(Pair(m.labelled, m.bare, likeness, m.minutes))
        reasons: dict[str, int] = {}
        for m in sorted(meetings, key=_cost):
            if m.problem is None or m.labelled in taken or self._one_scene(m) is None:
                continue
            taken.add(m.labelled)
            reasons[m.problem] = reasons.get(m.problem, 0) + 1
        return sorted(out, key=lambda p: (p.labelled, p.bare)), reasons

    def with_scenes(self, pairs: list[Pair], minutes: NDArray[np.float64]) -> list[Pair]:
        """The same pairs, told which of them are of one scene: what was focused once is shared by all of
        them. `minutes`: when each frame was taken, by position."""
        out: list[Pair] = []
        for pair in sorted(pairs, key=lambda p: (minutes[p.labelled], p.labelled)):
            row, scene, asked = pair.labelled, pair.labelled, set[int]()
            for other in reversed(out):
                apart = float(minutes[row] - minutes[other.labelled])
                if apart > MINUTES:
                    break
                if other.scene in asked:
                    continue
                asked.add(other.scene)
                alike = self._signature.likeness(np.array([row]), np.array([other.labelled]))
                both = Meeting(row, other.labelled, float(alike[0]), 1.0, 0.0, apart, None)
                if self._one_scene(both) is not None:
                    scene = other.scene
                    break
            out.append(replace(pair, scene=scene))
        return sorted(out, key=lambda p: (p.labelled, p.bare))

    def _of_this_scene(self, rows: list[int], row: int) -> int:
        """How many of some frames show the scene of another (a burst may hold several)."""
        if not rows:
            return 0
        likeness = self._signature.likeness(np.array(rows), np.full(len(rows), row))
        return int((likeness >= SURE).sum())

    def _one_scene(self, m: Meeting) -> float | None:
        """Likeness of the two if they show one scene, else None."""
        known = self._signature.known(m.labelled) and self._signature.known(m.bare)
        if known and m.likeness < _MAYBE:
            return None
        if self._small is not None and self._looks < _MOST_LOOKS:
            first, second = (read_thumb(self._small.thumb(k)) for k in (m.labelled, m.bare))
            if first is not None and second is not None:
                self._looks += 1
                likeness = overlay(first, second, m.scale)
                return likeness if likeness >= _ALIKE_THUMB else None
        enough = _ALIKE if self._looks < _MOST_LOOKS else SURE
        return m.likeness if m.likeness >= enough else None


def _cost(m: Meeting) -> tuple[float, int, int]:
    """Nearest in aperture, time and likeness first, each as a share of what is let pass at most."""
    stops = abs(m.stops) if np.isfinite(m.stops) else 1.0
    cost = stops / APERTURE_STOPS + m.minutes / MINUTES + 1 - m.likeness
    return cost, m.labelled, m.bare
