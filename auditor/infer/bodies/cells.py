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
from scipy.special import log_ndtr

from auditor.infer.bodies.observe import Tones, sigma_code
from auditor.infer.bodies.photon import fit_physics
from auditor.robust import bisquare_weight, group_medians, scale_of

__all__ = ["Cells", "Limits", "gather", "hazard"]

Floats = NDArray[np.float64]

PRIOR_FRAME_SD: Final = 0.07
"""Scatter of a frame's log noise that is assumed where too few frames speak."""
PRIOR_TONE_SD: Final = 0.05
"""The same of a tone within its frame."""
PRIOR_OUTING_SD: Final = 0.05
"""The same of what the frames of an outing share."""
PRIOR_WEIGHT: Final = 4.0
"""Frames (outings) that these assumptions are worth."""

GRAIN_PIXELS: Final = 12.0
"""Pixels per independent sample of coarse camera noise, for a tone's standard error."""

_TELLING: Final = 1.5
"""Standard deviations above what was measured from which on a bound says nothing."""
_CUT: Final = 4.0
"""Standard deviations from which an outlier has no weight (Tukey's bisquare; a little under the usual 4.7,
as noise is read off frames of all kinds)."""
_LEAST_WEIGHT: Final = 1e-3
"""Weight that even an outlier keeps, so that a cell of nothing else is not lost."""
_DOUBTFUL: Final = 0.3
"""Weight below which a frame's own error grows, with the root of how much less it has."""
_CODED: Final = 0.08
"""Error in log noise through 8-bit coding at a noise of one code value; it falls with the square."""
_CLIPPED: Final = 0.15
"""Error in log noise through clipping at black where noise is as large as the signal."""
_ROUGH_SD: Final = 0.03
"""Error of a cell's median beside its scatter, for the first fit of physics."""
_FIRM_BOUNDS: Final = 0.25
"""Quantile of a cell's bounds that stands for all: each holds for all, but for their scatter."""
_ROUNDS: Final = 4
"""Rounds of weights and scatters."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Cells in which no frame's noise could be measured: what it is at most. One entry per cell.

    `log_sigma`: the bound that a quarter of the frames set, in log noise: each holds for all, as they
    share their noise, but for their scatter; `frames` behind it.
    """

    iso: Floats
    signal: Floats
    log_sigma: Floats
    frames: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Cells:
    """Robust means of log sigma. Arrays have one entry per cell.

    `covariance`: of the means through sampling, cells x cells; `doubt`: what rounding to 8 bit and
    compression may have done to them all (standard deviation in log); `limits`: the cells without;
    `measured_frames` and `measured_units`: frames that show noise, and their outings, of all that count.
    """

    iso: Floats
    signal: Floats
    log_sigma: Floats
    frames: NDArray[np.int64]
    covariance: Floats
    doubt: Floats
    limits: Limits
    frame_sd: float
    outing_sd: float
    tone_sd: float
    frame_count: int
    unit_count: int
    measured_frames: int
    measured_units: int

    @property
    def sd(self) -> Floats:
        return np.sqrt(np.diag(self.covariance) + self.doubt**2)

    @property
    def isos(self) -> Floats:
        """ISO steps in use, those of limits included."""
        return np.unique(np.concatenate([self.iso, self.limits.iso]))


def _mad(values: Floats) -> float:
    """Robust standard deviation about the median."""
    return scale_of(values - np.median(values)) if len(values) else 0.0


def _blend(measured: float, prior: float, count: float) -> float:
    """A standard deviation from `count` degrees of freedom, joined with what is assumed."""
    n = max(count, 0.0)
    return float(np.sqrt((n * measured**2 + PRIOR_WEIGHT * prior**2) / (n + PRIOR_WEIGHT)))


def _doubt(eight_bit: Floats, signal: Floats, log_sigma: Floats) -> Floats:
    """Near one code value coding removes noise and rounding adds some; near black, clipping.

    Of real pairs of one exposure and the mean of many, noise of 1.0 to 1.3 code values reads 7% low,
    of twice that 2%. At an SNR near one negative values are clipped.
    """
    sigma = np.exp(log_sigma)
    code = sigma_code(signal, sigma)
    coding = np.minimum(_CODED / np.maximum(code, 1e-6) ** 2, 1.0) * eight_bit
    return np.asarray(np.hypot(coding, _CLIPPED * (sigma / signal) ** 2))


def _below(bound: Floats, middle: Floats, sd: float) -> Floats:
    """Mean of what a normal distribution holds below `bound`."""
    return np.asarray(middle - sd * hazard((bound - middle) / sd))


def hazard(z: Floats) -> Floats:
    """Density of the normal distribution at z over the share that lies below."""
    return np.asarray(np.exp(-0.5 * z**2 - 0.5 * np.log(2 * np.pi) - log_ndtr(z)))


def gather(tones: Tones) -> Cells:
    """Cells of one body and kind of file.

    Args:
        tones: rows of `observe`'s table, at least one.

    ISO values as written are brought to their step (nearest third of a stop) by the fitted physics.
    """
    bounded = tones["bounded"]
    steps, _, cell = _cells(tones)
    alone = np.bincount(cell[~bounded], minlength=len(steps))[cell] == 0
    limits = _limits(tones[alone])
    frame_count, unit_count = (len(np.unique(tones[name])) for name in ("frame", "unit"))
    rows = tones[~alone] if alone.any() else tones
    if not len(rows):
        nothing = np.empty(0)
        return Cells(
            nothing, nothing, nothing, np.empty(0, np.int64), np.empty((0, 0)), nothing, limits,
            PRIOR_FRAME_SD, PRIOR_OUTING_SD, PRIOR_TONE_SD, frame_count, unit_count, 0, 0,
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
    own = np.split(bound[np.argsort(cell, kind="stable")], np.cumsum(count)[:-1])
    lowest = [float(np.quantile(b, _FIRM_BOUNDS)) for b in own] if len(iso) else []
    return Limits(iso, signal, np.array(lowest), count)


@dataclass
class _Rows:
    """Observations of cells that hold measured noise, as arrays (n,)."""

    cell: NDArray[np.intp]
    frame: NDArray[np.intp]
    found: Floats
    bounded: NDArray[np.bool_]
    noise: Floats
    """Variance of a single tone through its own scatter."""
    n_cells: int
    n_frames: int
    n_iso: int


def _measured(tones: Tones, limits: Limits, frame_count: int, unit_count: int) -> Cells:
    iso, signal, cell = _cells(tones)
    n_cells = len(iso)
    frame_ids, first, frame = np.unique(tones["frame"], return_index=True, return_inverse=True)
    bounded = tones["bounded"]
    y = tones["log_sigma"]
    iso_written, s = tones["iso"], tones["signal"]
    counts = np.bincount(cell, minlength=n_cells)
    median = _censored_median(y, bounded, cell)
    rough_sd = np.sqrt((PRIOR_FRAME_SD**2 + PRIOR_TONE_SD**2) / counts + _ROUGH_SD**2)
    eight_bit = np.bincount(cell, tones["eight_bit"], n_cells) / counts
    law, _ = fit_physics(iso, signal, median, np.hypot(rough_sd, _doubt(eight_bit, signal, median)))
    y = y - law.log_sigma(iso_written, s) + law.log_sigma(tones["step"], s)

    rows = _Rows(
        cell, frame, y, bounded,
        PRIOR_TONE_SD**2 + GRAIN_PIXELS / (2 * tones["pixels"]),
        n_cells, len(frame_ids), len(np.unique(iso)),
    )  # fmt: skip
    # The centre a frame is held against: its cell's median, drawn to the physics where few speak.
    fitted = law.log_sigma(iso, signal)
    trust = counts / (counts + 2)
    scatter = _settle(rows, fitted, trust, _censored_median(y, bounded, cell))
    units, unit_of = np.unique(tones["unit"][first], return_inverse=True)
    shown = tones[~bounded]
    outing_sd = _outing_sd(scatter.effect, unit_of, scatter.frame_weight, scatter.scale)
    return Cells(
        iso=iso,
        signal=signal,
        log_sigma=scatter.mean,
        frames=counts,
        covariance=_covariance(rows, scatter, outing_sd, unit_of, len(units)),
        doubt=_doubt(eight_bit, signal, scatter.mean),
        limits=limits,
        frame_sd=scatter.frame_sd,
        outing_sd=outing_sd,
        tone_sd=scatter.tone_sd,
        frame_count=frame_count,
        unit_count=unit_count,
        measured_frames=len(np.unique(shown["frame"])),
        measured_units=len(np.unique(shown["unit"])),
    )


def _censored_median(y: Floats, bounded: NDArray[np.bool_], cell: NDArray[np.intp]) -> Floats:
    """Median by cell; bounds below the measured median count as less than all that was measured, those
    above it say nothing."""
    measured = np.where(bounded, np.nan, y)
    middle = group_medians(measured, cell)
    if not bounded.any():
        return middle
    least = np.full(len(middle), np.inf)
    np.fmin.at(least, cell, measured)
    low = np.where(y > middle[cell], np.nan, np.minimum(y, least[cell]))
    return group_medians(np.where(bounded, low, y), cell)


@dataclass
class _Scatter:
    """How observations scatter about their cells: means, weights and the three standard deviations."""

    mean: Floats
    joint: Floats
    effect: Floats
    frame_weight: Floats
    scale: float
    frame_sd: float
    tone_sd: float


def _settle(rows: _Rows, fitted: Floats, trust: Floats, own: Floats) -> _Scatter:
    """Robust means by cell, in four rounds of weights and scatter."""
    cell, frame, noise = rows.cell, rows.frame, rows.noise
    centre = fitted + (own - fitted) * trust
    weight = np.ones(len(cell))
    tone_sd, frame_sd = PRIOR_TONE_SD, PRIOR_FRAME_SD
    per_frame = np.bincount(frame)
    mean_tones = float(np.mean(per_frame))
    for _ in range(_ROUNDS):
        sd = float(np.hypot(frame_sd, tone_sd))
        telling = ~rows.bounded | (rows.found < centre[cell] + _TELLING * sd)
        y = np.where(rows.bounded, _below(rows.found, centre[cell], sd), rows.found)
        residual = np.where(telling, y - centre[cell], 0.0)
        share = weight * telling / noise
        effect = np.bincount(frame, share * residual) / np.maximum(np.bincount(frame, share), 1e-12)
        left = residual - effect[frame]
        inner = left[(per_frame > 1)[frame] & telling]
        freedom = len(inner) * (1 - 1 / mean_tones)
        spread = _mad(inner) / np.sqrt(max(1 - 1 / mean_tones, 0.5))
        tone_sd = _blend(spread, PRIOR_TONE_SD, freedom)
        raw = _mad(effect) * np.sqrt(rows.n_frames / max(rows.n_frames - rows.n_iso, 1))
        through_tones = tone_sd**2 / mean_tones
        frame_sd = _blend(
            float(np.sqrt(max(raw**2 - through_tones, 0.0))),
            PRIOR_FRAME_SD,
            rows.n_frames - rows.n_iso,
        )
        scale = float(np.hypot(frame_sd, np.sqrt(through_tones)))
        # Were every frame of a small cell an outlier, the cell would be lost: a floor keeps it.
        frame_weight = np.maximum(bisquare_weight(effect, scale, _CUT), _LEAST_WEIGHT)
        weight = frame_weight[frame] * np.maximum(
            bisquare_weight(left, tone_sd, _CUT), _LEAST_WEIGHT
        )
        joint = weight * telling / (frame_sd**2 + noise)
        total = np.bincount(cell, joint, minlength=rows.n_cells)
        mean = np.bincount(cell, joint * y, minlength=rows.n_cells) / total
        centre = fitted + (mean - fitted) * trust
    return _Scatter(mean, joint / total[cell], effect, frame_weight, scale, frame_sd, tone_sd)


def _covariance(
    rows: _Rows, scatter: _Scatter, outing_sd: float, unit_of: NDArray[np.intp], units: int
) -> Floats:
    """Of the cells' means: what frames, outings and tones share."""

    def shared(weight: Floats, group: NDArray[np.intp], groups: int) -> Floats:
        """Covariance of the cells' means through what a group's tones have in common, of variance 1."""
        place = rows.cell * groups + group
        by_group = np.bincount(place, weight, rows.n_cells * groups).reshape(rows.n_cells, groups)
        return np.asarray(by_group @ by_group.T, float)

    # A cell that has nothing but outliers keeps its mean, with little to say.
    doubtful = np.sqrt(np.maximum(1.0, _DOUBTFUL / scatter.frame_weight))
    tone_part = np.bincount(rows.cell, scatter.joint**2, minlength=rows.n_cells)
    return np.asarray(
        scatter.frame_sd**2
        * shared(scatter.joint * doubtful[rows.frame], rows.frame, rows.n_frames)
        + outing_sd**2 * shared(scatter.joint, unit_of[rows.frame], units)
        + np.diag(tone_part * scatter.tone_sd**2)
    )


def _outing_sd(
    effect: Floats, unit: NDArray[np.int64], weight: Floats, frame_scale: float
) -> float:
    """What frames of one outing share, from the scatter of outing means; robust, never negative."""
    total = np.bincount(unit, weight)
    mean = np.bincount(unit, weight * effect) / np.maximum(total, 1e-9)
    size = np.bincount(unit)
    several = (size > 1) & (total > 0.5)
    if several.sum() < 3:
        return PRIOR_OUTING_SD
    observed = float(np.average((mean[several] - mean[several].mean()) ** 2))
    expected = frame_scale**2 * float(np.mean(1 / size[several]))
    return _blend(
        float(np.sqrt(max(observed - expected, 0.0))), PRIOR_OUTING_SD, int(several.sum()) - 1
    )
