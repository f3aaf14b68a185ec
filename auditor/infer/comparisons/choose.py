"""Which frames could be pairs, and which of these are: each frame in one pair, both showing one scene.

Candidates are taken nearest first, and thumbnails are laid over each other only for frames that have
no partner yet. Signatures of 12 x 8 grey means decide where there is no thumbnail; they are
coarse, and skies over land look similar.
"""

from __future__ import annotations

from collections import Counter
from typing import Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.comparisons.labels import CROP, MERGED, STACKED
from auditor.infer.comparisons.small_pictures import SmallPictures
from auditor.infer.lenses.converters import factor_in_name
from auditor.infer.lenses.grouping import SAME_PITCH
from auditor.infer.lenses.scene_groups import MINUTES, SAME_SCENE, read_signatures

__all__ = [
    "APERTURE_STOPS",
    "Candidate",
    "Pair",
    "by_scene",
    "choose",
    "magnification",
    "pair_scale",
    "why_not",
    "with_scenes",
]

APERTURE_STOPS: Final = 1.6
"""Apertures further apart than a stop and a half, as written f-numbers are rounded, are no pair: the curve
would have to bridge too much."""
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
        scale = magnification(label, np.array([focal]))
        return scale or 1.0, None if scale else "nothing tells how much the converter magnifies"
    same_pitch = np.isnan(pitch) or _same(pitch)
    least, most = _STACKED_SIZES
    same_size = least < size < most if label in (STACKED, MERGED) else same_pitch and _same(size)
    if not _same(focal):
        return 1.0, "the focal lengths differ"
    if label == CROP:
        return float(size), None if same_pitch else "the pixel pitch differs, as after resizing"
    return 1.0, None if same_size else "the picture sizes differ"


def _same(ratio: float) -> bool:
    return bool(np.isfinite(ratio)) and abs(float(np.log(ratio))) <= SAME_PITCH


class Pair(NamedTuple):
    """Positions of the frame with the label and of the one without, and the number of their scene."""

    labelled: int
    control: int
    scene: int


class Candidate(NamedTuple):
    """Two frames that may be a pair.

    Attributes
    ----------
    labelled, control : int
        Positions in the table of the frame with the label and of the one without.
    similarity : float
        Correlation of their signatures, NaN where one has none.
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


def choose(candidates: list[Candidate], small: SmallPictures) -> list[tuple[int, int]]:
    """Pairs of one label: each frame in one pair at most, nearest candidates first.

    Parameters
    ----------
    candidates : list of Candidate
        Of one label.
    small : SmallPictures
        Thumbnails, those of the candidates fetched.

    Returns
    -------
    list of tuple of int
        Positions of the labelled frame and of the control, in order.
    """
    taken: set[int] = set()
    pairs = []
    for c in sorted(candidates, key=_cost):
        both = c.labelled, c.control
        if c.problem or not taken.isdisjoint(both):
            continue
        if small.same_scene(*both, c.similarity, c.scale):
            taken.update(both)
            pairs.append(both)
    return sorted(pairs)


def with_scenes(
    pairs: list[tuple[int, int]],
    minutes: NDArray[np.float64],
    signature: pd.Series,
    small: SmallPictures,
) -> list[Pair]:
    """The pairs of one label with their scenes: what was focused once is shared by all pairs of a scene.

    Parameters
    ----------
    pairs : list of tuple of int
        Positions of labelled frames and controls.
    minutes : ndarray of float64, shape (frames,)
        When each frame was taken.
    signature : Series of str
        Signature of each frame.
    small : SmallPictures
        Thumbnails.

    Returns
    -------
    list of Pair
        By position; pairs of one scene were taken one soon after the other.
    """
    rows = [labelled for labelled, _ in pairs]
    vectors = read_signatures(signature.iloc[rows])
    vectors[~vectors.any(axis=1)] = np.nan
    of = dict(zip(rows, vectors, strict=True))
    out: list[Pair] = []
    latest: dict[int, int] = {}  # labelled frame of each scene's newest pair
    for row, control in sorted(pairs, key=lambda p: (minutes[p[0]], p)):
        latest = {s: k for s, k in latest.items() if minutes[row] - minutes[k] <= MINUTES}
        alike = (
            s for s, k in reversed(latest.items()) if small.same_scene(row, k, of[row] @ of[k])
        )
        scene = next(alike, row)
        latest[scene] = row
        out.append(Pair(row, control, scene))
    return sorted(out)


def _cost(c: Candidate) -> tuple[float, int, int]:
    """Nearest in aperture, time and similarity first, each as a share of what is let pass at most."""
    stops = abs(c.stops) if np.isfinite(c.stops) else 1.0
    cost = stops / APERTURE_STOPS + c.minutes / MINUTES + 1 - np.nan_to_num(c.similarity)
    return float(cost), c.labelled, c.control


def why_not(candidates: list[Candidate], paired: set[int]) -> Counter[str]:
    """Why frames of a label have no partner.

    Parameters
    ----------
    candidates : list of Candidate
        Of one label.
    paired : set of int
        Frames that are in a pair.

    Returns
    -------
    Counter of str
        What forbids the nearest frame of the same scene -> how many labelled frames.
    """
    why: dict[int, str] = {}
    for c in sorted(candidates, key=_cost):
        if c.problem and c.labelled not in paired and c.similarity >= SAME_SCENE:
            why.setdefault(c.labelled, c.problem)
    return Counter(why.values())


def by_scene(values: NDArray[np.float64], scene: NDArray[np.int64]) -> NDArray[np.float64]:
    """Medians over the pairs of each scene: a focus missed once, and light that changed between two bursts, is the same
    in all of its pairs.

    Parameters
    ----------
    values : ndarray of float64, shape (pairs,) or (pairs, k)
        Values; NaN is passed over.
    scene : ndarray of int64, shape (pairs,)
        Number of the scene.

    Returns
    -------
    ndarray of float64, shape (scenes, 1) or (scenes, k)
        By ascending number; NaN where a scene has no value.
    """
    return pd.DataFrame(values).groupby(scene).median().to_numpy()
