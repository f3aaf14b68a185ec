"""Which frames could be pairs, and which of these are: each frame in one pair, both showing one scene.

Candidates are taken nearest first, and thumbnails are laid over each other only for frames that have
no partner yet. Signatures of 12 x 8 grey means decide where there is no thumbnail; they are
coarse, and skies over land look similar.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from auditor.infer.comparisons.labels import CROP, MERGED, STACKED
from auditor.infer.comparisons.small_pictures import (
    Signatures,
    SmallPictures,
    read_thumb,
    registered_correlation,
)
from auditor.infer.lenses.converters import factor_in_name
from auditor.infer.lenses.grouping import SAME_PITCH
from auditor.infer.lenses.scene_groups import SAME_SCENE

__all__ = [
    "APERTURE_STOPS",
    "MINUTES",
    "Candidate",
    "Chooser",
    "Pair",
    "magnification",
    "pair_scale",
]

MINUTES: Final = 15.0
"""Frames further apart in time are no pair: light and scene have changed (common practice, no source)."""
APERTURE_STOPS: Final = 1.6
"""Apertures further apart than a stop and a half, as written f-numbers are rounded, are no pair: the curve
would have to bridge too much."""

_LEAST_CORRELATION: Final = 0.45
"""Correlation of signatures below which thumbnails are not compared."""
_SAME_SCENE_THUMBNAIL: Final = 0.55
"""Correlation of the gradients of two registered thumbnails from which it is one scene."""
_MOST_THUMBNAILS: Final = 3000
"""Pairs of thumbnails that are registered at most."""
_MOST_PER_BURST: Final = 3
"""So many pairs at most of two bursts: further ones tell little more about the accessory."""

_USUAL_FACTOR: Final = 1.4
"""Converters of 1.4x are the commonest (common practice, no source)."""
_STACKED_SIZES: Final = (0.8, 1.25)
"""Picture size of a stacked or merged file over that of its frames: aligning crops a little."""


def magnification(label: str, focal: NDArray[np.float64]) -> float | None:
    """Magnification of a converter.

    Parameters
    ----------
    label : str
        In normal form, as 'converter tc 1.4x'.
    focal : ndarray of float64, shape (n,)
        Focal lengths with it over those without, NaN where unknown.

    Returns
    -------
    float or None
        The median of `focal` where that is not 1, else that in its name; None where neither says: some cameras
        write the focal length without it.
    """
    known = focal[np.isfinite(focal)]
    ratio = float(np.median(known)) if len(known) else 1.0
    return factor_in_name(label) if _same(ratio) else ratio


def pair_scale(label: str, focal: float, size: float, pitch: float) -> tuple[float, str | None]:
    """Magnification of the labelled frame's picture against the control's.

    Parameters
    ----------
    label : str
        In normal form.
    focal : float
        Focal length, labelled over control.
    size : float
        Long side in pixels, control over labelled.
    pitch : float
        Pixel pitch, labelled over control.

    Returns
    -------
    scale : float
        At equal picture size.
    problem : str or None
        Why the two are no pair, in plain words.
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
    """One pair of frames of one scene.

    Attributes
    ----------
    labelled, control : int
        Positions in the table of the frame with the label and of the one without.
    scene : int
        One number for pairs of one scene, taken one soon after the other (`Chooser.with_scenes`).
    """

    labelled: int
    control: int
    scene: int = -1

    def swapped(self) -> Pair:
        """The same pair, the other frame taken for the labelled one."""
        return replace(self, labelled=self.control, control=self.labelled)


@dataclass(frozen=True, slots=True)
class Candidate:
    """Two frames that may be a pair.

    Attributes
    ----------
    labelled, control : int
        Positions in the table of the frame with the label and of the one without.
    similarity : float
        Correlation of their signatures.
    scale : float
        Magnification of the labelled frame.
    stops : float
        How far their apertures lie apart, NaN where unknown.
    minutes : float
        Time between them.
    problem : str or None
        What forbids the pair, in plain words.
    """

    labelled: int
    control: int
    similarity: float
    scale: float
    stops: float
    minutes: float
    problem: str | None


class Chooser:
    """Greedy matching of candidates to pairs, one label after the other.

    Parameters
    ----------
    signature : Signatures
        Signatures by position in the table.
    burst : ndarray of int64, shape (frames,)
        Burst by position.
    small : SmallPictures
        Thumbnails, those of the candidates fetched.
    """

    def __init__(
        self, signature: Signatures, burst: NDArray[np.int64], small: SmallPictures
    ) -> None:
        self._signature = signature
        self._burst = burst
        self._small = small
        self._compared = 0

    def choose(self, candidates: list[Candidate]) -> tuple[list[Pair], dict[str, int]]:
        """Pairs of one label: each frame in one pair at most, nearest candidates first.

        Parameters
        ----------
        candidates : list of Candidate
            Of one label.

        Returns
        -------
        pairs : list of Pair
            By position; at most `_MOST_PER_BURST` of two bursts and one scene.
        reasons : dict of int
            Why labelled frames without a partner have none -> how many.
        """
        taken: set[int] = set()
        bursts: dict[Any, list[int]] = {}
        out: list[Pair] = []
        for c in sorted(candidates, key=_cost):
            if c.problem is not None or c.labelled in taken or c.control in taken:
                continue
            chosen = bursts.setdefault((self._burst[c.labelled], self._burst[c.control]), [])
            if self._count_same_scene(chosen, c.labelled) >= _MOST_PER_BURST:
                continue
            if not self._same_scene(c):
                continue
            taken |= {c.labelled, c.control}
            chosen.append(c.labelled)
            out.append(Pair(c.labelled, c.control))
        reasons: dict[str, int] = {}
        for c in sorted(candidates, key=_cost):
            if c.problem is None or c.labelled in taken or not self._same_scene(c):
                continue
            taken.add(c.labelled)
            reasons[c.problem] = reasons.get(c.problem, 0) + 1
        return sorted(out, key=lambda p: (p.labelled, p.control)), reasons

    def with_scenes(self, pairs: list[Pair], minutes: NDArray[np.float64]) -> list[Pair]:
        """The same pairs with their scenes: what was focused once is shared by all pairs of a scene.

        Parameters
        ----------
        pairs : list of Pair
            Of one label.
        minutes : ndarray of float64, shape (frames,)
            When each frame was taken, by position.

        Returns
        -------
        list of Pair
            By position.
        """
        out: list[Pair] = []
        for pair in sorted(pairs, key=lambda p: (minutes[p.labelled], p.labelled)):
            row, scene, compared = pair.labelled, pair.labelled, set[int]()
            for other in reversed(out):
                apart = float(minutes[row] - minutes[other.labelled])
                if apart > MINUTES:
                    break
                if other.scene in compared:
                    continue
                compared.add(other.scene)
                similar = self._signature.correlation(np.array([row]), np.array([other.labelled]))
                both = Candidate(row, other.labelled, float(similar[0]), 1.0, 0.0, apart, None)
                if self._same_scene(both):
                    scene = other.scene
                    break
            out.append(replace(pair, scene=scene))
        return sorted(out, key=lambda p: (p.labelled, p.control))

    def _count_same_scene(self, rows: list[int], row: int) -> int:
        """How many of some frames show the scene of another (a burst may hold several)."""
        if not rows:
            return 0
        similarity = self._signature.correlation(np.array(rows), np.full(len(rows), row))
        return int((similarity >= SAME_SCENE).sum())

    def _same_scene(self, c: Candidate) -> bool:
        """Whether the two show one scene: by their thumbnails where there are any, else by signatures."""
        known = self._signature.known(c.labelled) and self._signature.known(c.control)
        if known and c.similarity < _LEAST_CORRELATION:
            return False
        if self._compared < _MOST_THUMBNAILS:
            first, second = (read_thumb(self._small.thumb(k)) for k in (c.labelled, c.control))
            if first is not None and second is not None:
                self._compared += 1
                return registered_correlation(first, second, c.scale) >= _SAME_SCENE_THUMBNAIL
        return c.similarity >= SAME_SCENE


def _cost(c: Candidate) -> tuple[float, int, int]:
    """Nearest in aperture, time and similarity first, each as a share of what is let pass at most."""
    stops = abs(c.stops) if np.isfinite(c.stops) else 1.0
    cost = stops / APERTURE_STOPS + c.minutes / MINUTES + 1 - c.similarity
    return cost, c.labelled, c.control
