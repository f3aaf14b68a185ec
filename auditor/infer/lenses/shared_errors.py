"""Errors that all frames of a curve share, as large as the archive shows them to be.

More frames do not take them away. Nothing tells their sign, but the archive tells their size: where most
figures lie on one curve, little is left that they could have in common; where hardly two agree, objects
are soft or files are sharpened, much is.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.infer.lenses.fit import CurveFit
from auditor.infer.lenses.likelihood import SHARE_WEIGHT, cell_sums

__all__ = ["shared_errors"]

Floats = NDArray[np.float64]

_OUTING_SD: Final = 0.012
"""What an outing's frames share (ln MTF50), while outings are too few to tell."""
_LEAST_SYSTEMATIC: Final = 0.003
"""Error (ln MTF50) that all figures share whatever they show: shape of the profiles, coding. Curves of
plain steps lie within 1%."""
_SYSTEMATIC: Final = 0.025
"""The same where no figure lies on the curve, and where some do, times the fourth power of the share that
do not: what all differ by they may also have in common. Curves of plain steps are off by half a percent,
those of drawn landscapes, a quarter of whose figures lie on the curve, by 2%."""
_LEAST_SCATTER: Final = 0.012
"""Scatter (ln MTF50) of sound figures beyond their errors up to which it is theirs alone: drawn landscapes
have as much."""
_SCATTER: Final = 1.25
"""What they may have in common, over what they scatter beyond that: of photographs 2%."""
_OBJECTS: Final = 0.35
"""Share of the error that sound figures state for objects soft themselves that they have in common."""
_FINISHING: Final = 0.02
"""What sharpening of amount 1 does to ln MTF50 beyond the textbook's within three stops: cameras sharpen
encoded light and bend its tones. At f/22 sharpened copies of drawn landscapes lie 2 to 3% high."""
_UNSURE: Final = 0.012
"""Scatter and objects' softness (ln MTF50) at which half of what frames lack passes for that: the sharpest of
figures that scatter lie beyond the lens as soon as short of it."""
_OF_PROFILES: Final = 0.02
"""What every figure's whole error holds besides (ln MTF50): `measure.sharpness.zones.SYSTEMATIC`."""


def shared_errors(
    fit: CurveFit, draws: int, rng: np.random.Generator
) -> tuple[Floats, Floats, Floats, Floats]:
    """What all frames share, for so many `draws`: errors (ln MTF50) of level (B,) and of tilt over
    apertures (B,), normal deviates (B,) of where the lens lies beyond its frames, and how far (Z, K) it
    lies beyond frames that all lack some depth, over what the nearest lack as a rule.

    Its size follows from what the archive shows: how many figures lie on the curve and how they
    scatter, how soft objects are, how much files are sharpened.
    """
    kinds = fit.expectation.component.sum((0, 1)) + SHARE_WEIGHT
    loose = float(1 - kinds[0] / kinds.sum()) ** 4
    objects = _soft_objects(fit)
    amount = float(np.clip(fit.sharpening, 0, 1))
    scatter2 = float(np.maximum(fit.state.scatter**2 - _LEAST_SCATTER**2, 0).mean())
    outing = _OUTING_SD / np.sqrt(len(np.unique(fit.data.outing)))
    differing = np.hypot(_SYSTEMATIC * loose, _SCATTER * np.sqrt(scatter2))
    level, tilt, deviate = rng.standard_normal((3, draws))
    level *= np.linalg.norm([_LEAST_SYSTEMATIC, differing, outing, _OBJECTS * objects])
    tilt *= np.hypot(differing, _FINISHING * amount)
    # As far as what frames lack is depth, and none of the sound ones lies on the curve.
    depth = 1 / (1 + (objects**2 + scatter2) / _UNSURE**2)
    sound = cell_sums(fit.data, fit.expectation.inlier)
    return level, tilt, deviate, depth * (1 - fit.state.share) ** sound


def _soft_objects(fit: CurveFit) -> float:
    """Error (ln MTF50) that sound figures state, as a rule, for objects soft themselves: their median,
    each counted by the chance that it is sound; 0 where none states any."""
    error = fit.data.object_error
    known = ~np.isnan(error) & (fit.expectation.inlier > 0)
    if not known.any():
        return 0.0
    error, weight = error[known], fit.expectation.inlier[known]
    order = np.argsort(error)
    reached = np.cumsum(weight[order])
    middle = error[order][np.searchsorted(reached, reached[-1] / 2)]
    return float(np.sqrt(max(middle**2 - _OF_PROFILES**2, 0.0)))
