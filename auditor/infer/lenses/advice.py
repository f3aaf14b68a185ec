"""Whether an archive may name a lens's best aperture, and what is missing where it may not."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.exposure import nominal_f_number
from auditor.infer.lenses.curve_data import cell_sums
from auditor.infer.lenses.fit import CurveFit
from auditor.infer.lenses.grouping import ENOUGH_OUTINGS
from auditor.infer.lenses.intervals import Draws
from auditor.infer.lenses.sides import CONFIDENCE
from auditor.record import ZONES

__all__ = ["SOUND", "has_evidence", "missing_evidence", "weaker_zone"]

Floats = NDArray[np.float64]

_LEAST_INLIERS: Final = 0.8
"""Sum of inlier probabilities without which an aperture has no evidence but physics."""
_WIDEST_RATIO: Final = 3.0
"""Upper end over lower end of an interval from which frames say nothing of a lens: about what a lens has at its
best against its corners wide open (common practice, no source)."""
_APERTURES: Final = 3
"""Apertures with sharp frames that a best one needs (common practice, no source)."""
_FRAMES: Final = 5
"""Sound frames that it needs on either side of it, or to beat the last aperture of that side in `CONFIDENCE` of the
plausible curves (common practice, no source)."""
SOUND: Final = 0.5
"""Probability of an inlier from which a frame is sound."""
_LEAST: Final = 2
"""Sound frames that even that takes, at wider apertures and at the best aperture itself."""


def has_evidence(fit: CurveFit, draws: Draws) -> NDArray[np.bool_]:
    """Where a zone has frames near enough to the curve to support it.

    A curve on which one frame alone lies is that frame's, not the lens's; and frames after which the lens may
    be `_WIDEST_RATIO` times as sharp as they are say nothing of it.

    Parameters
    ----------
    fit : CurveFit
        The fitted curve.
    draws : Draws
        Its plausible curves.

    Returns
    -------
    ndarray of bool, shape (Z, K)
        By zone and aperture used.
    """
    inlier = cell_sums(fit.data, fit.expectation.inlier)
    single_frame = inlier.sum(1, keepdims=True) < 2 * _LEAST_INLIERS
    supported = np.asarray((inlier >= _LEAST_INLIERS) & ~single_frame)
    if supported.any():
        _, low, high = draws.figures
        supported &= high < _WIDEST_RATIO * low
    return supported


def weaker_zone(supported: NDArray[np.bool_]) -> int:
    """Zone by which a lens is judged: the corner, or the centre where no corner has evidence.

    Curves never say that a lens is sharper further out (`intervals`), so where a corner is known it is the
    weaker of the two, whether or not the centre has evidence there.

    Parameters
    ----------
    supported : ndarray of bool, shape (Z, K)
        From `has_evidence`.

    Returns
    -------
    int
        Index into `record.ZONES`.
    """
    centre, corner = ZONES.index("centre"), ZONES.index("corner")
    return corner if supported[corner].any() else centre


def missing_evidence(
    fit: CurveFit, draws: Draws, zone: int, supported: NDArray[np.bool_]
) -> list[str]:
    """What is missing before a best aperture may be named.

    Parameters
    ----------
    fit : CurveFit
        The fitted curve.
    draws : Draws
        Its plausible curves.
    zone : int
        The weaker zone, on which it is judged.
    supported : ndarray of bool, shape (K,)
        Apertures at which that zone has evidence.

    Returns
    -------
    list of str
        In plain words, empty where nothing is missing: a second outing, more apertures, sharp frames at the
        best aperture and on either side of it, or two apertures on one outing.
    """
    out = []
    outings = len(np.unique(fit.data.outing))
    if outings < 2:
        out.append("a second outing")
    used = np.flatnonzero(supported)
    if len(used) < _APERTURES:
        out.append(f"sharp frames at {_APERTURES - len(used)} more aperture{'s' * (len(used) < 2)}")
    if out or not len(used):
        return out
    best = int(used[draws.figures[0][zone, used].argmax()])
    weaker = draws.curve[:, zone]
    inlier = np.bincount(fit.data.aperture, fit.inlier, len(supported))
    if inlier[best] < _LEAST:
        out.append(f"{_LEAST} sharp frames at {_named(fit, [best])}")
    for side, end in ((used[used < best], used[0]), (used[used > best], used[-1])):
        if not len(side):
            continue
        resolved = float(np.mean(weaker[:, best] > weaker[:, end])) >= CONFIDENCE
        # That diffraction softens small apertures needs no frame to show it.
        resolved &= side[0] > best or inlier[side].sum() >= _LEAST
        if inlier[side].sum() < _FRAMES and not resolved:
            least = int(inlier[side].sum())  # of 4.6 frames five are not there yet
            out.append(f"sharp frames at {_named(fit, side)} ({least} now, {_FRAMES} are needed)")
        elif outings < ENOUGH_OUTINGS and not _share_an_outing(fit, best, side):
            nearest = side[-1] if side[0] < best else side[0]
            out.append(f"{_named(fit, sorted((best, nearest)), ' and ')} on one outing")
    return out


def _named(fit: CurveFit, apertures: Sequence[int] | NDArray[np.int64], between: str = ", ") -> str:
    return between.join(f"f/{nominal_f_number(float(fit.data.f_numbers[k])):g}" for k in apertures)


def _share_an_outing(fit: CurveFit, best: int, side: NDArray[np.int64]) -> bool:
    """Whether sound frames at the best aperture and at some of a side were taken on one outing: light, air and
    distance of two outings differ by more than two apertures may (of drawn lenses two outings apart missed the best
    aperture in 7 of 24, four in 3)."""
    sound = fit.inlier >= SOUND
    outing, aperture = fit.data.outing[sound], fit.data.aperture[sound]
    return bool(np.isin(outing[aperture == best], outing[np.isin(aperture, side)]).any())
