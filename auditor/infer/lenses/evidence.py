"""How far a curve can be trusted, in a plain word and why; whether it may name a best aperture, and what is missing
where it may not."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.exposure import nominal_f_number
from auditor.infer.lenses.curve_data import cell_sums
from auditor.infer.lenses.fit import CurveFit
from auditor.infer.lenses.grouping import ENOUGH_OUTINGS
from auditor.infer.lenses.intervals import Draws
from auditor.infer.lenses.ranges import sharpest_aperture
from auditor.infer.lenses.sides import CONFIDENCE
from auditor.optics import blur_sigma_for_mtf50
from auditor.record import ZONES

__all__ = [
    "NOT_YET",
    "SOUND",
    "Reason",
    "has_evidence",
    "judge",
    "missing_evidence",
    "weaker_zone",
]


_MARKED_EXCESS: Final = 0.06
"""How much (ln MTF50) the frames nearest to the curve fall short of it as a rule, from which it is said."""
# What makes evidence thin or only fair is common practice, no source: it chooses words, no figure.
_WIDE: Final = 0.12
"""Half width of an interval, as a share, from which evidence is thin: wider than differences that matter."""
_FAIR: Final = 0.05
"""The same from which it is only fair."""
_FEW: Final = 4
"""Frames at an aperture below which its figure rests on the others, and from which its failures mean something."""
_FEW_INLIERS: Final = 6
"""Frames in which nothing failed, below which evidence is thin."""
_SOFT_PX: Final = 1.4
"""Blur (px, Gaussian) of the best of a lens beyond diffraction: no lens at its best is as soft."""
_NAMED: Final = 5
"""So many apertures are named; more are 'and others'."""
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
NOT_YET: Final = "best aperture: not yet"
"""How the reason begins that says what a best aperture lacks."""
SOUND: Final = 0.5
"""Probability of an inlier from which a frame is sound."""
_LEAST: Final = 2
"""Sound frames that even that takes, at wider apertures and at the best aperture itself."""


Reason = tuple[int, str]
"""How much it takes from evidence (0 nothing, 1 leaves it fair, 2 thin), and in words what does."""


def judge(draws: Draws, supported: NDArray[np.bool_], counts: NDArray[np.int64]) -> list[Reason]:
    """Weigh what a fit rests on.

    Parameters
    ----------
    draws : Draws
        Plausible curves about a fit.
    supported : ndarray of bool, shape (Z, K)
        Where it has evidence (`has_evidence`).
    counts : ndarray of int64, shape (Z, K)
        Frames with a figure.

    Returns
    -------
    list of Reason
        The weightiest tells how far the curve can be trusted.
    """
    fit = draws.fit
    frames = len(fit.data.row)
    if frames < _FEW:
        # All that could be said of so few follows from this.
        return [(2, f"{frames} frame{'s' * (frames > 1)}, too few to judge a lens by")]
    out: list[Reason] = []
    zones = [ZONES.index("centre"), ZONES.index("corner")]
    measured = [z for z in zones if counts[z].any()]
    names = [_name(f) for f in fit.data.f_numbers]
    if len(names) < _APERTURES:
        out.append((2, f"used at {' and '.join(names)} only"))
    out += [
        (2, f"no frame has a figure in the {ZONES[z]}: judged without it")
        for z in zones
        if z not in measured
    ]
    if measured:
        few = [name for name, n in zip(names, counts[measured].min(0), strict=True) if n < _FEW]
        if few:
            level = 2 if len(few) > len(names) / 2 else 0
            show = " and ".join(ZONES[z] for z in measured)
            out.append((level, f"fewer than {_FEW} frames show {show} at {_listed(few)}"))
        if supported.any():
            first, last = np.exp(np.quantile(draws.from_frames, draws.ends, axis=0))
            width = float(np.median(((last - first) / 2 / draws.figures[0])[measured]))
            if width > _FAIR:
                text = f"half of the figures are known no closer than ±{100 * width:.0f}%"
                out.append((2 if width > _WIDE else 1, text))
        out += _scenes(fit, measured)
    out += _inlier_frames(fit, names)
    outings = len(np.unique(fit.data.outing))
    if outings < ENOUGH_OUTINGS:
        out.append((1, f"frames from {outings} outing{'s' * (outings > 1)} only"))
    return out + _softness(fit)


def _scenes(fit: CurveFit, zones: list[int]) -> list[Reason]:
    """Whether the frames nearest to the lens fall short of it as a rule."""
    lens = np.exp(-2 * fit.curve[zones])
    nearest = fit.model.excess.least_excess(fit.state.shares)
    excess = float(np.median(0.5 * np.log1p(nearest / lens)))
    if excess <= _MARKED_EXCESS:
        return []
    text = (
        f"good frames are as a rule some {100 * excess:.0f}% softer than the curve, for objects here are soft, "
        "or lie before and behind the plane of focus; the curve is inferred from the sharpest of them"
    )
    return [(1, text)]


def _inlier_frames(fit: CurveFit, names: list[str]) -> list[Reason]:
    out: list[Reason] = []
    total = np.bincount(fit.data.aperture, minlength=len(names))
    inlier = np.bincount(fit.data.aperture, fit.inlier, len(names))
    if inlier.sum() < _FEW_INLIERS:
        n = round(float(inlier.sum()))
        text = f"about {n} frame{'s' * (n != 1)}" if n else "hardly a frame"
        out.append((2, f"{text} in which nothing else failed"))
    bad = [name for j, name in enumerate(names) if total[j] >= _FEW and inlier[j] < 1]
    if bad:
        text = f"hardly a sound frame at {_listed(bad)}: what is told there leans on the other apertures"
        out.append((1, text))
    return out


def _softness(fit: CurveFit) -> list[Reason]:
    """Whether even the best of the lens is far softer than lenses are."""
    best = float(np.exp(fit.curve[ZONES.index("centre")].max()))
    diffraction = float(np.exp(fit.model.optics.perfect(0.0).max()))
    if blur_sigma_for_mtf50(best) <= np.hypot(blur_sigma_for_mtf50(diffraction), _SOFT_PX):
        return []
    text = (
        "even the sharpest frames are much softer than optics explains: every frame may have "
        "failed in the same way, or the files are enlarged"
    )
    return [(2, text)]


def _name(f_number: float) -> str:
    return f"f/{nominal_f_number(float(f_number)):g}"


def _listed(names: list[str]) -> str:
    return ", ".join(names) if len(names) <= _NAMED else f"{', '.join(names[:_NAMED])} and others"


def has_evidence(draws: Draws) -> NDArray[np.bool_]:
    """Where a zone has frames near enough to the curve to support it.

    A curve on which one frame alone lies is that frame's, not the lens's; and frames after which the lens may
    be `_WIDEST_RATIO` times as sharp as they are say nothing of it.

    Parameters
    ----------
    draws : Draws
        Plausible curves about a fit.

    Returns
    -------
    ndarray of bool, shape (Z, K)
        By zone and aperture used.
    """
    inlier = cell_sums(draws.fit.data, draws.fit.expectation.inlier)
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


def missing_evidence(draws: Draws, zone: int, supported: NDArray[np.bool_]) -> list[str]:
    """What is missing before a best aperture may be named.

    Parameters
    ----------
    draws : Draws
        Plausible curves about a fit.
    zone : int
        The weaker zone, on which it is judged.
    supported : ndarray of bool, shape (K,)
        Apertures at which that zone has evidence.

    Returns
    -------
    list of str
        In plain words, empty where nothing is missing: a second outing, more apertures, sharp frames at the
        aperture that would be named (`sharpest_aperture`) and on either side of it, or two apertures on one outing.
    """
    out = []
    fit = draws.fit
    outings = len(np.unique(fit.data.outing))
    if outings < 2:
        out.append("a second outing")
    used = np.flatnonzero(supported)
    if len(used) < _APERTURES:
        out.append(f"sharp frames at {_APERTURES - len(used)} more aperture{'s' * (len(used) < 2)}")
    if out or not len(used):
        return out
    best = sharpest_aperture(draws, zone, supported)
    weaker = draws.curve[:, zone]
    inlier = np.bincount(fit.data.aperture, fit.inlier, len(supported))
    if inlier[best] < _LEAST:
        out.append(_more_frames(_LEAST - inlier[best], _named(fit, [best])))
    for side, end in ((used[used < best], used[0]), (used[used > best], used[-1])):
        if not len(side):
            continue
        resolved = float(np.mean(weaker[:, best] > weaker[:, end])) >= CONFIDENCE
        # That diffraction softens small apertures needs no frame to show it.
        resolved &= side[0] > best or inlier[side].sum() >= _LEAST
        if inlier[side].sum() < _FRAMES and not resolved:
            out.append(_more_frames(_FRAMES - inlier[side].sum(), _named(fit, side)))
        elif outings < ENOUGH_OUTINGS and not _share_an_outing(fit, best, side):
            nearest = side[-1] if side[0] < best else side[0]
            out.append(f"{_named(fit, sorted((best, nearest)), ' and ')} on one outing")
    return out


def _more_frames(lacking: float, where: str) -> str:
    """So many more sharp frames; of 4.6 frames five are not there yet."""
    count = max(math.ceil(lacking), 1)
    return f"{count} more sharp frame{'s' * (count > 1)} at {where}"


def _named(fit: CurveFit, apertures: Sequence[int] | NDArray[np.int64], between: str = ", ") -> str:
    return between.join(_name(fit.data.f_numbers[k]) for k in apertures)


def _share_an_outing(fit: CurveFit, best: int, side: NDArray[np.int64]) -> bool:
    """Whether sound frames at the best aperture and at some of a side were taken on one outing: light, air and
    distance of two outings differ by more than two apertures may (of drawn lenses two outings apart missed the best
    aperture in 7 of 24, four in 3)."""
    sound = fit.inlier >= SOUND
    outing, aperture = fit.data.outing[sound], fit.data.aperture[sound]
    return bool(np.isin(outing[aperture == best], outing[np.isin(aperture, side)]).any())
