"""Noise observations to cells: one robust mean per ISO step and signal level, with its covariance.

Frames scatter around their body's noise for three reasons, each estimated from the archive itself:
something common to an outing (its scenes, its light), something common to a frame (texture taken
for noise, which only ever reads high) and something of each tone. Outlying frames and tones get
less weight (Tukey's bisquare).

Tones without measurable noise are censored data (Tobin, Econometrica 26, 1958): all they say is what
the noise is at most. Beside measured ones of the same cell they count with the mean of what lies below
their bound; a cell that holds nothing else is a `Limits` entry.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.infer.bodies.cell_means import (
    PRIOR_FRAME_SD,
    PRIOR_PART_SD,
    Observed,
    covariance_of_means,
    outing_effect_sd,
    robust_means,
)
from auditor.infer.bodies.observe import Tones, sigma_code
from auditor.infer.bodies.photon import fit_physics
from auditor.robust import group_medians

__all__ = ["LAW_FIT_SD", "Cells", "Limits", "gather"]

Floats = NDArray[np.float64]


_CODING: Final = 0.08
"""Error in log noise through 8-bit coding at a noise of one code value; it falls with the square."""
_CLIPPING: Final = 0.15
"""Error in log noise through clipping at black where noise is as large as the signal."""
LAW_FIT_SD: Final = 0.02
"""Error (log noise) of a cell beside its own, for fits of the law: no law holds better."""
_LIMIT_QUANTILE: Final = 0.25
"""Quantile of a cell's bounds that is taken for its limit: each holds for all, but for their scatter."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Cells in which no frame's noise could be measured: upper limits only.

    Attributes
    ----------
    iso, signal : ndarray of float64, shape (m,)
        ISO step and signal (linear, 1 = white) of each cell.
    log_sigma : ndarray of float64, shape (m,)
        The limit in natural log of noise: quantile `_LIMIT_QUANTILE` of the frames' own. Each frame's holds
        for all, as they share their noise, but for their scatter.
    frames : ndarray of int64, shape (m,)
        Frames behind it.
    """

    iso: Floats
    signal: Floats
    log_sigma: Floats
    frames: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Cells:
    """Robust means of log noise by ISO step and signal, of one body and kind of file.

    Attributes
    ----------
    iso, signal : ndarray of float64, shape (c,)
        ISO step and signal (linear, 1 = white) of each cell.
    log_sigma : ndarray of float64, shape (c,)
        Mean natural log of the standard deviation of noise in linear light.
    frames, unseen : ndarray of int64, shape (c,)
        Frames in each cell that show measurable noise, and those of which only an upper limit is known.
    covariance : ndarray of float64, shape (c, c)
        Covariance of the means through sampling of frames, outings and tones.
    coding_sd : ndarray of float64, shape (c,)
        What rounding to 8 bit, compression and clipping may have done to a mean, standard deviation in log.
    limits : Limits
        Cells that hold upper limits only.
    outing_sd : float
        Standard deviation of the random effect of outings, in log noise.
    frame_count, unit_count : int
        Frames and outings of all observations.
    measured_frames, measured_units : int
        Those of them that show measurable noise, in cells where any frame does.
    """

    iso: Floats
    signal: Floats
    log_sigma: Floats
    frames: NDArray[np.int64]
    unseen: NDArray[np.int64]
    covariance: Floats
    coding_sd: Floats
    limits: Limits
    outing_sd: float
    frame_count: int
    unit_count: int
    measured_frames: int
    measured_units: int

    @property
    def sd(self) -> Floats:
        """Standard error of each mean, coding included, (c,), in log noise."""
        return np.sqrt(np.diag(self.covariance) + self.coding_sd**2)

    @property
    def isos(self) -> Floats:
        """ISO steps in use, those of limits included."""
        return np.unique(np.concatenate([self.iso, self.limits.iso]))


def _coding_sd(eight_bit: Floats, signal: Floats, log_sigma: Floats) -> Floats:
    """Near one code value coding removes noise and rounding adds some; near black, clipping.

    Of real pairs of one exposure and the mean of many, noise of 1.0 to 1.3 code values reads 7% low,
    of twice that 2%. At an SNR near one negative values are clipped.
    """
    sigma = np.exp(log_sigma)
    code = sigma_code(signal, sigma)
    coding = np.minimum(_CODING / np.maximum(code, 1e-6) ** 2, 1.0) * eight_bit
    return np.asarray(np.hypot(coding, _CLIPPING * (sigma / signal) ** 2))


def gather(tones: Tones) -> Cells:
    """Pool the tones of one body and kind of file into cells of equal ISO step and signal.

    Model of a tone's log noise: its cell's mean, plus a random effect of its outing, one of its frame, and
    its own scatter. Four rounds of reweighting estimate means and variance components together: frames and
    tones that are outliers lose weight (Tukey's bisquare), variance components are shrunk to their priors
    with the weight of `PRIOR_WEIGHT` frames, and tones with an upper limit only (left-censored) enter with
    the mean of the normal law truncated at that limit. ISO values as written are first brought to their
    step, the nearest third of a stop, by a fit of the physics (`fit_physics`).

    Parameters
    ----------
    tones : structured ndarray, shape (n,)
        Rows of one group of `Observations.groups`, at least one; fields `iso`, `step`, `signal`,
        `log_sigma`, `censored`, `frame`, `unit`, `eight_bit`.

    Returns
    -------
    Cells
        Arrays of length 0 (and `limits`) where no tone was measured.

    References
    ----------
    J. Tobin, Econometrica 26 (1958), 24-36, for censored data.
    """
    censored = tones["censored"]
    steps, _, cell = _cells(tones)
    only_limits = np.bincount(cell[~censored], minlength=len(steps))[cell] == 0
    limits = _limits(tones[only_limits])
    frame_count, unit_count = (len(np.unique(tones[name])) for name in ("frame", "unit"))
    rows = tones[~only_limits] if only_limits.any() else tones
    if not len(rows):
        empty, none = np.empty(0), np.empty(0, np.int64)
        return Cells(
            empty, empty, empty, none, none, np.empty((0, 0)), empty, limits,
            PRIOR_PART_SD, frame_count, unit_count, 0, 0,
        )  # fmt: skip
    return _measured(rows, limits, frame_count, unit_count)


def _cells(tones: Tones) -> tuple[Floats, Floats, NDArray[np.intp]]:
    """ISO step and signal of every cell, in order, and each tone's cell."""
    # As complex numbers, which sort by the real part first.
    place = tones["step"] + 1j * tones["signal"]
    code, cell = np.unique(place, return_inverse=True)
    return code.real, code.imag, cell.ravel()


def _limits(tones: Tones) -> Limits:
    iso, signal, cell = _cells(tones)
    bound = tones["log_sigma"]
    # A frame has one tone of each signal, so that tones are frames.
    count = np.bincount(cell, minlength=len(iso))
    by_cell = np.split(bound[np.argsort(cell, kind="stable")], np.cumsum(count)[:-1])
    limit = [float(np.quantile(b, _LIMIT_QUANTILE)) for b in by_cell] if len(iso) else []
    return Limits(iso, signal, np.array(limit), count)


def _measured(tones: Tones, limits: Limits, frame_count: int, unit_count: int) -> Cells:
    iso, signal, cell = _cells(tones)
    n_cells = len(iso)
    frame_ids, first, frame = np.unique(tones["frame"], return_index=True, return_inverse=True)
    censored = tones["censored"]
    y = tones["log_sigma"]
    iso_written, s = tones["iso"], tones["signal"]
    counts = np.bincount(cell, minlength=n_cells)
    unseen = np.bincount(cell[censored], minlength=n_cells)
    median = _censored_median(y, censored, cell)
    rough_sd = np.sqrt((PRIOR_FRAME_SD**2 + PRIOR_PART_SD**2) / counts + LAW_FIT_SD**2)
    eight_bit = np.bincount(cell, tones["eight_bit"], n_cells) / counts
    law = fit_physics(
        iso, signal, median, np.hypot(rough_sd, _coding_sd(eight_bit, signal, median))
    )
    y = y - law.log_sigma(iso_written, s) + law.log_sigma(tones["step"], s)

    rows = Observed(cell, frame, y, censored, n_cells, len(frame_ids), len(np.unique(iso)))
    # The centre from which residuals are taken: its cell's median, shrunk to the physics where frames are few.
    fitted = law.log_sigma(iso, signal)
    shrinkage = counts / (counts + 2)
    scatter = robust_means(rows, fitted, shrinkage, _censored_median(y, censored, cell))
    units, unit_of = np.unique(tones["unit"][first], return_inverse=True)
    uncensored = tones[~censored]
    outing_sd = outing_effect_sd(scatter.frame_effect, unit_of, scatter.frame_weight, scatter.scale)
    return Cells(
        iso=iso,
        signal=signal,
        log_sigma=scatter.mean,
        frames=counts - unseen,
        unseen=unseen,
        covariance=covariance_of_means(rows, scatter, outing_sd, unit_of, len(units)),
        coding_sd=_coding_sd(eight_bit, signal, scatter.mean),
        limits=limits,
        outing_sd=outing_sd,
        frame_count=frame_count,
        unit_count=unit_count,
        measured_frames=len(np.unique(uncensored["frame"])),
        measured_units=len(np.unique(uncensored["unit"])),
    )


def _censored_median(y: Floats, censored: NDArray[np.bool_], cell: NDArray[np.intp]) -> Floats:
    """Median by cell; bounds below the measured median count as less than all that was measured, those
    above it say nothing."""
    measured = np.where(censored, np.nan, y)
    median = group_medians(measured, cell)
    if not censored.any():
        return median
    least = np.full(len(median), np.inf)
    np.fmin.at(least, cell, measured)
    low = np.where(y > median[cell], np.nan, np.minimum(y, least[cell]))
    return group_medians(np.where(censored, low, y), cell)
