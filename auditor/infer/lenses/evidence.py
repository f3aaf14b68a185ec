"""A plain word on how far a curve can be trusted, and why."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from auditor.exposure import nominal_f_number
from auditor.infer.lenses.fit import CurveFit
from auditor.infer.lenses.grouping import ENOUGH_OUTINGS
from auditor.optics import blur_sigma_for_mtf50
from auditor.record import ZONES

__all__ = ["Evidence", "judge"]

Floats = NDArray[np.float64]

_MARKED_EXCESS: Final = 0.06
"""How much (ln MTF50) even the sharpest frames fall short of the curve, from which it is said."""
# What makes evidence thin or only fair is common practice, no source: it chooses words, no figure.
_WIDE: Final = 0.12
"""Half width of an interval, as a share, from which evidence is thin: wider than differences that matter."""
_FAIR: Final = 0.05
"""The same from which it is only fair."""
_FEW: Final = 4
"""Frames at an aperture below which its figure rests on the others, and from which its failures mean something."""
_FEW_INLIERS: Final = 6
"""Frames in which nothing failed, below which evidence is thin."""
_MOSTLY_FAILED: Final = 0.35
"""Share of such frames below which it is said that most failed."""
_SOFT_PX: Final = 1.4
"""Blur (px, Gaussian) of the best of a lens beyond diffraction: no lens at its best is as soft."""
_NAMED: Final = 5
"""So many apertures are named; more are 'and others'."""
_WORDS: Final = ("strong", "fair", "thin")


@dataclass(slots=True)
class Evidence:
    """The word gets worse with each reason that weighs; every reason is kept."""

    level: int = 0
    reasons: list[str] = field(default_factory=list)

    @property
    def word(self) -> Literal["strong", "fair", "thin"]:
        """The level in a word: strong, fair or thin."""
        return _WORDS[self.level]

    def add(self, level: int, reason: str) -> None:
        """Take a reason into account; the weakest counts."""
        self.level = max(self.level, level)
        self.reasons.append(reason)


def judge(fit: CurveFit, half_width: Floats | None, counts: NDArray[np.int64]) -> Evidence:
    """Weigh what a fit rests on.

    Parameters
    ----------
    fit : CurveFit
        The fitted curve.
    half_width : ndarray of float64, shape (Z, K), or None
        Half the relative interval, as far as frames decide it; None where no figure is shown.
    counts : ndarray of int64, shape (Z, K)
        Frames with a figure.

    Returns
    -------
    Evidence
        A word, and the reasons behind it.
    """
    out = Evidence()
    frames = len(fit.data.row)
    if frames < _FEW:
        # All that could be said of so few follows from this.
        out.add(2, f"{frames} frame{'s' * (frames > 1)}, too few to judge a lens by")
        return out
    zones = [ZONES.index("centre"), ZONES.index("corner")]
    k = counts.shape[1]
    names = [_name(f) for f in fit.data.f_numbers]
    if k == 1:
        out.add(2, f"used at one aperture only ({names[0]}): nothing to compare it with")
    elif k == 2:
        out.add(2, f"used at two apertures only ({names[0]} and {names[1]})")
    for z in zones:
        if counts[z].sum() == 0:
            out.add(2, f"no frame has a figure in the {ZONES[z]}: judged without it")
    measured = [z for z in zones if counts[z].sum()]
    if measured:
        fewest = counts[measured].min(0)
        few = [names[j] for j in range(k) if fewest[j] < _FEW]
        if len(few) > k / 2:
            where = "every aperture" if len(few) == k else f"{len(few)} of {k} apertures"
            out.add(2, f"fewer than {_FEW} frames at {where}")
        elif few:
            out.add(0, f"few frames at {_listed(few)}: these lean on the other apertures")
        width = 0.0 if half_width is None else float(np.median(half_width[measured]))
        if width > _WIDE:
            out.add(2, f"half of the figures are known no closer than ±{100 * width:.0f}%")
        elif width > _FAIR:
            out.add(1, f"half of the figures are known no closer than ±{100 * width:.0f}%")
    _scenes(fit, measured, out)
    _inlier_frames(fit, names, out)
    outings = len(np.unique(fit.data.outing))
    if outings == 1:
        out.add(1, "all frames from one outing: what that day had in common cannot be told apart")
    elif outings < ENOUGH_OUTINGS:
        out.add(1, f"frames from {outings} outings only")
    _softness(fit, out)
    return out


def _scenes(fit: CurveFit, zones: list[int], out: Evidence) -> None:
    """Whether even the frames nearest to the lens fall short of it."""
    lens = np.exp(-2 * fit.curve[zones])
    nearest = fit.model.excess.least_excess(fit.state.shares)[zones]
    excess = float(np.median(0.5 * np.log1p(nearest / lens))) if len(zones) else 0.0
    if excess > _MARKED_EXCESS:
        out.add(
            1,
            f"even the sharpest frames are some {100 * excess:.0f}% softer than the curve, which lies "
            "where they point to: objects here are soft, or lie before and behind the plane of focus",
        )


def _inlier_frames(fit: CurveFit, names: list[str], out: Evidence) -> None:
    k = len(names)
    total = np.bincount(fit.data.aperture, minlength=k)
    inlier = np.bincount(fit.data.aperture, fit.inlier, k)
    if inlier.sum() < _FEW_INLIERS:
        n = round(float(inlier.sum()))
        count = "hardly a frame" if n == 0 else f"only about {n} frame{'s' if n > 1 else ''}"
        out.add(2, f"{count} in which nothing else failed")
    if inlier.sum() / total.sum() < _MOSTLY_FAILED:
        out.add(1, f"most frames failed otherwise ({_percent(1 - inlier.sum() / total.sum())})")
    bad = [names[j] for j in range(k) if total[j] >= _FEW and inlier[j] < 1]
    if bad:
        out.add(
            1,
            f"hardly a sound frame at {_listed(bad)}: what is told there leans on the other apertures",
        )


def _softness(fit: CurveFit, out: Evidence) -> None:
    """Whether even the best of the lens is far softer than lenses are."""
    best = float(np.exp(fit.curve[ZONES.index("centre")].max()))
    diffraction = float(np.exp(fit.model.optics.perfect(0.0).max()))
    if blur_sigma_for_mtf50(best) > np.hypot(blur_sigma_for_mtf50(diffraction), _SOFT_PX):
        out.add(
            2,
            "even the sharpest frames are much softer than optics explains: every frame may have "
            "failed in the same way, or the files are enlarged",
        )


def _name(f_number: float) -> str:
    return f"f/{nominal_f_number(float(f_number)):g}"


def _percent(share: float) -> str:
    return f"{100 * share:.0f}%"


def _listed(names: list[str]) -> str:
    return ", ".join(names) if len(names) <= _NAMED else f"{', '.join(names[:_NAMED])} and others"
