"""Robust means of cells with their covariance: random effects of outings and frames, outliers, censoring."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

from auditor.robust import bisquare_weight, scale_of

__all__ = [
    "PRIOR_FRAME_SD",
    "PRIOR_PART_SD",
    "PRIOR_WEIGHT",
    "Observed",
    "Scatter",
    "covariance_of_means",
    "inverse_mills",
    "outing_effect_sd",
    "robust_means",
]

Floats = NDArray[np.float64]


PRIOR_FRAME_SD: Final = 0.07
"""Prior of the scatter of frames' log noise."""
PRIOR_PART_SD: Final = 0.05
"""The same of a tone within its frame, and of what the frames of an outing share."""
PRIOR_WEIGHT: Final = 4.0
"""Frames (outings) that these priors are worth."""
_INFORMATIVE: Final = 1.5
"""Standard deviations above what was measured from which on a bound says nothing."""
_LEAST_WEIGHT: Final = 1e-3
"""Weight that even an outlier keeps, so that a cell of nothing else is not lost."""
_LOW_WEIGHT: Final = 0.3
"""Weight below which a frame's own error grows, with the root of how much less it has."""
_ROUNDS: Final = 4
"""Rounds of weights and scatters."""


def _mad(values: Floats) -> float:
    """Robust standard deviation about the median."""
    return scale_of(values - np.median(values)) if len(values) else 0.0


def _shrunk_sd(measured: float, prior: float, count: float) -> float:
    """A standard deviation from `count` degrees of freedom, joined with what is assumed."""
    n = max(count, 0.0)
    return float(np.sqrt((n * measured**2 + PRIOR_WEIGHT * prior**2) / (n + PRIOR_WEIGHT)))


def inverse_mills(z: Floats) -> Floats:
    """Inverse Mills ratio of the lower tail, density over distribution function of the standard normal law.

    Parameters
    ----------
    z : ndarray of float64
        Standardised point of truncation.

    Returns
    -------
    ndarray of float64
        phi(z) / Phi(z), of the shape of `z`; stable far out in the tail.
    """
    return np.asarray(np.exp(-0.5 * z**2 - 0.5 * np.log(2 * np.pi) - log_ndtr(z)))


@dataclass
class Observed:
    """Observations of cells that hold measured noise.

    Attributes
    ----------
    cell, frame : ndarray of int, shape (n,)
        Number of the cell and of the frame of each observation.
    log_sigma : ndarray of float64, shape (n,)
        Natural log of noise in linear light, or of its upper limit.
    censored : ndarray of bool, shape (n,)
        Whether it is a limit.
    n_cells, n_frames, n_iso : int
        Cells, frames and ISO steps.
    """

    cell: NDArray[np.intp]
    frame: NDArray[np.intp]
    log_sigma: Floats
    censored: NDArray[np.bool_]
    n_cells: int
    n_frames: int
    n_iso: int


@dataclass
class Scatter:
    """Cell means and how observations scatter about them.

    Attributes
    ----------
    mean : ndarray of float64, shape (cells,)
        Robust mean log noise.
    share : ndarray of float64, shape (n,)
        Weight of each observation in its cell's mean; sums to 1 over a cell.
    frame_effect : ndarray of float64, shape (frames,)
        Mean residual of a frame (its random effect).
    frame_weight : ndarray of float64, shape (frames,)
        Bisquare weight of a frame, `_LEAST_WEIGHT` to 1.
    scale : float
        Standard deviation of frame effects, the scatter of their tones included.
    frame_sd, tone_sd : float
        Standard deviations of frame effects and of tones within a frame.
    """

    mean: Floats
    share: Floats
    frame_effect: Floats
    frame_weight: Floats
    scale: float
    frame_sd: float
    tone_sd: float


def robust_means(rows: Observed, fitted: Floats, shrinkage: Floats, medians: Floats) -> Scatter:
    """Means by cell and variance components, in `_ROUNDS` rounds of reweighting.

    Each round: limits take the mean of the normal law truncated there; residuals about the cells' centres
    are split into frame effects and what remains within frames; both standard deviations are estimated by
    the median absolute deviation and shrunk to their priors; bisquare weights follow from them, and weighted
    means from these.

    Parameters
    ----------
    rows : Observed
        n observations.
    fitted : ndarray of float64, shape (cells,)
        Log noise by the physics.
    shrinkage : ndarray of float64, shape (cells,)
        Weight of a cell's own mean against `fitted`, in the centre about which residuals are taken.
    medians : ndarray of float64, shape (cells,)
        Cell medians with which it starts.

    Returns
    -------
    Scatter
        After the last round.
    """
    cell, frame = rows.cell, rows.frame
    centre = fitted + (medians - fitted) * shrinkage
    weight = np.ones(len(cell))
    tone_sd, frame_sd = PRIOR_PART_SD, PRIOR_FRAME_SD
    per_frame = np.bincount(frame)
    mean_tones = float(np.mean(per_frame))
    for _ in range(_ROUNDS):
        sd = float(np.hypot(frame_sd, tone_sd))
        informative = ~rows.censored | (rows.log_sigma < centre[cell] + _INFORMATIVE * sd)
        # The mean of what a normal distribution holds below a limit.
        below = centre[cell] - sd * inverse_mills((rows.log_sigma - centre[cell]) / sd)
        y = np.where(rows.censored, below, rows.log_sigma)
        residual = np.where(informative, y - centre[cell], 0.0)
        known = weight * informative
        frame_effect = np.bincount(frame, known * residual) / np.maximum(
            np.bincount(frame, known), 1e-12
        )
        within = residual - frame_effect[frame]
        repeated = within[(per_frame > 1)[frame] & informative]
        dof = len(repeated) * (1 - 1 / mean_tones)
        spread = _mad(repeated) / np.sqrt(max(1 - 1 / mean_tones, 0.5))
        tone_sd = _shrunk_sd(spread, PRIOR_PART_SD, dof)
        observed = _mad(frame_effect) * np.sqrt(rows.n_frames / max(rows.n_frames - rows.n_iso, 1))
        tone_part = tone_sd**2 / mean_tones
        frame_sd = _shrunk_sd(
            float(np.sqrt(max(observed**2 - tone_part, 0.0))),
            PRIOR_FRAME_SD,
            rows.n_frames - rows.n_iso,
        )
        scale = float(np.hypot(frame_sd, np.sqrt(tone_part)))
        # Were every frame of a small cell an outlier, the cell would be lost: a floor keeps it.
        frame_weight = np.maximum(bisquare_weight(frame_effect, scale), _LEAST_WEIGHT)
        weight = frame_weight[frame] * np.maximum(bisquare_weight(within, tone_sd), _LEAST_WEIGHT)
        weights = weight * informative
        total = np.bincount(cell, weights, minlength=rows.n_cells)
        mean = np.bincount(cell, weights * y, minlength=rows.n_cells) / total
        centre = fitted + (mean - fitted) * shrinkage
    return Scatter(
        mean, weights / total[cell], frame_effect, frame_weight, scale, frame_sd, tone_sd
    )


def covariance_of_means(
    rows: Observed, scatter: Scatter, outing_sd: float, unit_of: NDArray[np.intp], units: int
) -> Floats:
    """Covariance of the cells' means: what frames, outings and tones have in common.

    Parameters
    ----------
    rows : Observed
        n observations.
    scatter : Scatter
        From `robust_means`.
    outing_sd : float
        Standard deviation of outing effects.
    unit_of : ndarray of int, shape (frames,)
        Number of each frame's outing.
    units : int
        Outings.

    Returns
    -------
    ndarray of float64, shape (cells, cells)
        In squared log noise.
    """

    def shared(weight: Floats, group: NDArray[np.intp], groups: int) -> Floats:
        """Covariance of the cells' means through what a group's tones have in common, of variance 1."""
        place = rows.cell * groups + group
        by_group = np.bincount(place, weight, rows.n_cells * groups).reshape(rows.n_cells, groups)
        return np.asarray(by_group @ by_group.T, float)

    # A cell that has nothing but outliers keeps its mean, with little to say.
    inflation = np.sqrt(np.maximum(1.0, _LOW_WEIGHT / scatter.frame_weight))
    tone_part = np.bincount(rows.cell, scatter.share**2, minlength=rows.n_cells)
    return np.asarray(
        scatter.frame_sd**2
        * shared(scatter.share * inflation[rows.frame], rows.frame, rows.n_frames)
        + outing_sd**2 * shared(scatter.share, unit_of[rows.frame], units)
        + np.diag(tone_part * scatter.tone_sd**2)
    )


def outing_effect_sd(
    effect: Floats, unit: NDArray[np.int64], weight: Floats, frame_scale: float
) -> float:
    """Standard deviation of outing effects, from the scatter of outing means beyond that of frames.

    Parameters
    ----------
    effect : ndarray of float64, shape (frames,)
        Frame effects.
    unit : ndarray of int64, shape (frames,)
        Number of each frame's outing.
    weight : ndarray of float64, shape (frames,)
        Bisquare weights.
    frame_scale : float
        Standard deviation of frame effects.

    Returns
    -------
    float
        Shrunk to `PRIOR_PART_SD`; that alone where fewer than three outings have several frames.
    """
    total = np.bincount(unit, weight)
    mean = np.bincount(unit, weight * effect) / np.maximum(total, 1e-9)
    size = np.bincount(unit)
    several = (size > 1) & (total > 0.5)
    if several.sum() < 3:
        return PRIOR_PART_SD
    observed = float(np.average((mean[several] - mean[several].mean()) ** 2))
    expected = frame_scale**2 * float(np.mean(1 / size[several]))
    return _shrunk_sd(
        float(np.sqrt(max(observed - expected, 0.0))), PRIOR_PART_SD, int(several.sum()) - 1
    )
