"""Errors that all frames of a curve share, as large as the archive shows them to be.

More frames do not take them away. Nothing tells their sign, but the archive tells their size: little where
inliers agree; more where they scatter, objects are soft or files are sharpened. How much,
`scripts/calibrate_intervals` fits: `_SCATTER`, `_FINISHING` and `_OBJECTS`, set beside its best
where every kind of archive holds what its intervals promise (the best alone leaves simulated archives at 74%).
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from auditor.infer.lenses.curve_data import cell_sums
from auditor.infer.lenses.fit import CurveFit
from auditor.robust import MAD_TO_SD

__all__ = ["HALF_NORMAL_MEDIAN", "SharedErrors", "normal_deviates", "shared_errors"]

Floats = NDArray[np.float64]

HALF_NORMAL_MEDIAN: Final = 1 / MAD_TO_SD
"""Median of the absolute value of a standard normal deviate."""
_SCATTER: Final = 1.1
"""Error that inliers have in common (shape of the profiles, coding, depth that no frame is free of), over what
they scatter beyond their own errors. Figures of plain steps hardly scatter, and their curves are off by 1% (median;
2% at the 95th percentile); those of drawn landscapes scatter by 1%, and their curves are off by 1 and 5%."""
_PROFILES: Final = 0.005
"""Error (ln MTF50) of a curve's level that no agreement of frames takes away: no lens's profile is wholly one of the
family's. Of the intervals of plain steps, whose blur is of the family, 96 in a hundred hold (94 with 0.003)."""
_FINISHING: Final = 0.03
"""How far sharpening of amount 1 lifts ln MTF50 beyond the textbook's: cameras
sharpen encoded light and bend its tones, which steepens the middle of an edge and hardly ever flattens it. Curves
of drawn landscapes that were sharpened by 0.4 to 0.9 and bent by 0.3 to 0.6 lie 2 to 3% high from f/8 to f/22,
their frames scatter by 1 to 2% more. A bend of 0.45 alone lifts edges of houses by 8%, of leaves by 5%."""
_DEPTH_SCATTER: Final = 0.014
"""Scatter (ln MTF50) that depth alone brings: drawn landscapes have as much."""
_OBJECTS: Final = 0.45
"""Share of the error that inliers state for objects soft themselves that they have in common:
photographs behind known optics, which state 10%, are off by 5%."""
_HALF_DEPTH: Final = 0.012
"""Scatter beyond that, and objects' softness (ln MTF50), at which half of what frames fall short by passes for depth: the
sharpest of figures that scatter lie beyond the lens as soon as short of it."""
_PROFILE_ERROR: Final = 0.02
"""What every figure's whole error holds besides (ln MTF50): `measure.sharpness.zones.SYSTEMATIC`."""


class SharedErrors(NamedTuple):
    """Errors that all frames of a curve share, B draws.

    Attributes
    ----------
    level : ndarray of float64, shape (B,)
        Errors of the curve's level, ln MTF50.
    deviate : ndarray of float64, shape (B,)
        Standard normal deviates of where the lens lies beyond its frames.
    depth_scale : ndarray of float64, shape (Z, K)
        Scale of the half-normal law of how far the lens lies beyond frames that all suffer from depth, over
        their typical deficit.
    sharpening_bias : float
        By how much (ln MTF50) the camera's finishing lifts figures; the level takes it off.
    """

    level: Floats
    deviate: Floats
    depth_scale: Floats
    sharpening_bias: float


def shared_errors(fit: CurveFit, draws: int, rng: np.random.Generator) -> SharedErrors:
    """Draw the errors that all frames of a curve share.

    The standard deviation of the level adds in quadrature `_PROFILES`, the scatter of inliers (times `_SCATTER`) and
    the softness that they state for objects (times `_OBJECTS`); constants are calibrated against archives whose
    lens is known (`scripts/calibrate_intervals`).

    Parameters
    ----------
    fit : CurveFit
        The fitted curve.
    draws : int
        Draws to make.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    SharedErrors
        Level and deviate by Latin hypercube sampling.
    """
    objects = _soft_objects(fit)
    sharpening_bias = _FINISHING * float(np.clip(fit.sharpening, 0, 1))
    scatter2 = fit.state.scatter**2
    level, deviate = normal_deviates(rng, draws, 2).T
    level *= np.linalg.norm([_PROFILES, _SCATTER * np.sqrt(scatter2.mean()), _OBJECTS * objects])
    level -= sharpening_bias
    # As far as frames fall short through depth, and none of the inliers lies on the curve.
    unexplained = float(np.maximum(scatter2 - _DEPTH_SCATTER**2, 0).mean())
    depth_share = 1 / (1 + (objects**2 + unexplained) / _HALF_DEPTH**2)
    depth_scale = depth_share * (1 - fit.state.shares[0]) ** cell_sums(
        fit.data, fit.expectation.inlier
    )
    return SharedErrors(level, deviate, depth_scale, sharpening_bias)


def normal_deviates(rng: np.random.Generator, draws: int, count: int) -> Floats:
    """Standard normal deviates by Latin hypercube sampling.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance, for the order alone.
    draws, count : int
        Rows and columns.

    Returns
    -------
    ndarray of float64, shape (draws, count)
        Each column has the quantiles of a normal law, so that ends of intervals hardly depend on the seed.

    References
    ----------
    M. D. McKay, R. J. Beckman and W. J. Conover, Technometrics 21 (1979).
    """
    ranks = rng.permuted(np.tile(np.arange(draws), (count, 1)), axis=1).T
    return np.asarray(ndtri((ranks + 0.5) / draws))


def _soft_objects(fit: CurveFit) -> float:
    """Error (ln MTF50) that inliers state, as a rule, for objects soft themselves and what JPEG took: their
    median, weighted by the inlier probability; 0 where none states any."""
    error = fit.data.object_error
    known = ~np.isnan(error) & (fit.expectation.inlier > 0)
    if not known.any():
        return 0.0
    error, weight = error[known], fit.expectation.inlier[known]
    order = np.argsort(error)
    cumulative = np.cumsum(weight[order])
    median = error[order][np.searchsorted(cumulative, cumulative[-1] / 2)]
    return float(np.sqrt(max(median**2 - _PROFILE_ERROR**2, 0.0)))
