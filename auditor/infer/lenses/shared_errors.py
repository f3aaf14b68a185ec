"""Errors that all frames of a curve share, as large as the archive shows them to be.

More frames do not take them away. Nothing tells their sign, but the archive tells their size: little where
sound figures agree; more where they scatter, objects are soft or files are sharpened. How much,
`scripts/calibrate_intervals` fits: `_SCATTER`, `_FINISHING` and `_OBJECTS`, set beside its best
where every kind of archive holds what its intervals promise (the best alone leaves landscapes at 84%).
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from auditor.infer.lenses.curve_data import cell_sums
from auditor.infer.lenses.fit import CurveFit
from auditor.infer.lenses.likelihood import LEAST_SCATTER
from auditor.robust import MAD_TO_SD

__all__ = ["HALF_NORMAL_MEDIAN", "SharedErrors", "normal_deviates", "shared_errors"]

Floats = NDArray[np.float64]

HALF_NORMAL_MEDIAN: Final = 1 / MAD_TO_SD
"""Median of the absolute value of a standard normal deviate."""
_SCATTER: Final = 1.3
"""What sound figures have in common (shape of the profiles, coding, depth that no frame is free of), over what
they scatter beyond their own errors and finishing. Figures of plain steps hardly scatter, and their curves lie
within 0.5%; those of drawn landscapes scatter by 1%, and their curves lie 2% low."""
_FINISHING: Final = 0.03
"""How far sharpening of amount 1 lifts ln MTF50 beyond the textbook's, and scatter that comes with it: cameras
sharpen encoded light and bend its tones, which steepens the middle of an edge and hardly ever flattens it. Curves
of drawn landscapes that were sharpened by 0.4 to 0.9 and bent by 0.3 to 0.6 lie 2 to 3% high from f/8 to f/22,
their frames scatter by 1 to 2% more."""
_OF_DEPTH: Final = 0.014
"""Scatter (ln MTF50) that depth alone brings: drawn landscapes have as much."""
_OBJECTS: Final = 0.37
"""Share of the error that sound figures state for objects soft themselves that they have in common:
photographs behind known optics, which state 10%, are off by 5%."""
_UNSURE: Final = 0.012
"""Scatter beyond that, and objects' softness (ln MTF50), at which half of what frames lack passes for depth: the
sharpest of figures that scatter lie beyond the lens as soon as short of it."""
_OF_PROFILES: Final = 0.02
"""What every figure's whole error holds besides (ln MTF50): `measure.sharpness.zones.SYSTEMATIC`."""


class SharedErrors(NamedTuple):
    """What all frames share, B draws.

    Attributes:
        level: (B,) errors (ln MTF50) of the curve's level.
        deviate: (B,) normal deviates of where the lens lies beyond its frames.
        reach: (Z, K) how far the lens lies beyond frames that all lack some depth, over what the nearest
            lack as a rule.
        lifted: by how much (ln MTF50) the camera's finishing lifts figures, which the level takes off.
    """

    level: Floats
    deviate: Floats
    reach: Floats
    lifted: float


def shared_errors(fit: CurveFit, draws: int, rng: np.random.Generator) -> SharedErrors:
    """What all frames share, for so many `draws`.

    Its size follows from what the archive shows: how sound figures scatter, how soft objects are, how much
    files are sharpened.
    """
    objects = _soft_objects(fit)
    finishing = _FINISHING * float(np.clip(fit.sharpening, 0, 1))
    own = np.maximum(fit.state.scatter**2 - finishing**2, LEAST_SCATTER**2)
    level, deviate = normal_deviates(rng, draws, 2).T
    level *= np.hypot(_SCATTER * np.sqrt(own.mean()), _OBJECTS * objects)
    level -= finishing
    # As far as what frames lack is depth, and none of the sound ones lies on the curve.
    other = float(np.maximum(own - _OF_DEPTH**2, 0).mean())
    depth = 1 / (1 + (objects**2 + other) / _UNSURE**2)
    reach = depth * (1 - fit.state.share) ** cell_sums(fit.data, fit.expectation.inlier)
    return SharedErrors(level, deviate, reach, finishing)


def normal_deviates(rng: np.random.Generator, draws: int, count: int) -> Floats:
    """(draws, count) normal deviates whose columns each have the quantiles of a normal law, in an order left to
    chance (Latin hypercube sampling; McKay, Beckman & Conover, Technometrics 21, 1979): ends of intervals
    hardly depend on the seed."""
    ranks = rng.permuted(np.tile(np.arange(draws), (count, 1)), axis=1).T
    return np.asarray(ndtri((ranks + 0.5) / draws))


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
