"""Noise observations to cells: one robust mean per ISO step and signal level, with its covariance.

Frames scatter around their body's noise for three reasons, each estimated from the archive itself:
something common to an outing (its scenes, its light), something common to a frame (texture taken
for noise, which only ever reads high) and something of each tone. Outlying frames and tones get
less weight (Tukey's bisquare).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.sparse import csr_array

from auditor.infer.bodies.observe import sigma_code
from auditor.infer.bodies.photon import fit_physics

__all__ = ["Cells", "gather"]

Floats = NDArray[np.float64]

# What is assumed where too few frames speak: the scatter of a frame and of a tone, in log noise,
# and how many frames that assumption is worth.
PRIOR_FRAME_SD: Final = 0.07
PRIOR_TONE_SD: Final = 0.05
PRIOR_WEIGHT: Final = 4.0

GRAIN_PIXELS: Final = 12.0
"""Pixels per independent sample of coarse camera noise, for a tone's standard error."""


@dataclass(frozen=True, slots=True)
class Cells:
    """Robust means of log sigma. Arrays have one entry per cell.

    `covariance`: of the means through sampling, cells x cells; `doubt`: what rounding to 8 bit and
    compression may have done to them all (standard deviation in log).
    """

    iso: Floats
    signal: Floats
    log_sigma: Floats
    frames: NDArray[np.int64]
    covariance: Floats
    doubt: Floats
    frame_sd: float
    outing_sd: float
    tone_sd: float
    frame_count: int
    unit_count: int
    outliers: int

    @property
    def sd(self) -> Floats:
        return np.sqrt(np.diag(self.covariance) + self.doubt**2)


def _bisquare(z: Floats) -> Floats:
    return np.asarray(np.clip(1 - (z / 4.0) ** 2, 0, None) ** 2)


def _mad(values: Floats) -> float:
    """Robust standard deviation about the median."""
    return float(1.4826 * np.median(np.abs(values - np.median(values)))) if len(values) else 0.0


def _blend(measured: float, prior: float, count: float) -> float:
    """A standard deviation from `count` degrees of freedom, joined with what is assumed."""
    n = max(count, 0.0)
    return float(np.sqrt((n * measured**2 + PRIOR_WEIGHT * prior**2) / (n + PRIOR_WEIGHT)))


def _doubt(eight_bit: Floats, signal: Floats, log_sigma: Floats) -> Floats:
    """Below one code value compression removes noise and rounding adds some; near black, clipping.

    Tried on frames rendered with known noise at usual JPEG qualities: at 0.8 code values and more
    the noise read is right to a few per cent, at 0.5 it may read a quarter of the truth. At an SNR
    near one negative values are clipped.
    """
    sigma = np.exp(log_sigma)
    code = sigma_code(signal, sigma)
    coding = np.minimum(0.25 / np.maximum(code, 0.1) ** 3, 2.0) * eight_bit
    return np.asarray(np.hypot(coding, 0.15 * (sigma / signal) ** 2))


def gather(tones: pd.DataFrame) -> Cells:
    """Cells of one body and kind of file.

    Args:
        tones: rows of `observe`'s table, at least one.

    ISO values as written are brought to their step (nearest third of a stop) by the fitted physics.
    """
    code, cell_index = np.unique(
        tones[["step", "signal"]].to_numpy(float), axis=0, return_inverse=True
    )
    cell = cell_index.ravel()
    n_cells = len(code)
    iso, signal = code[:, 0], code[:, 1]
    frame_ids, frame = np.unique(tones["frame"].to_numpy(), return_inverse=True)
    y = tones["log_sigma"].to_numpy(float)
    iso_written, s = tones["iso"].to_numpy(float), tones["signal"].to_numpy(float)

    counts = np.bincount(cell, minlength=n_cells)
    median = pd.Series(y).groupby(cell).median().to_numpy()
    rough_sd = np.sqrt((PRIOR_FRAME_SD**2 + PRIOR_TONE_SD**2) / counts + 0.03**2)
    eight_bit = pd.Series(tones["eight_bit"].to_numpy(float)).groupby(cell).mean().to_numpy()
    law, _ = fit_physics(iso, signal, median, np.hypot(rough_sd, _doubt(eight_bit, signal, median)))
    y = y - law.log_sigma(iso_written, s) + law.log_sigma(tones["step"].to_numpy(float), s)

    # The centre a frame is held against: its cell's median, drawn to the physics where few speak.
    own = pd.Series(y).groupby(cell).median().to_numpy()
    fitted = law.log_sigma(iso, signal)
    trust = counts / (counts + 2)
    centre = fitted + (own - fitted) * trust
    mean = centre
    noise = PRIOR_TONE_SD**2 + GRAIN_PIXELS / (2 * tones["pixels"].to_numpy(float))
    weight = np.ones(len(y))
    effect = np.zeros(len(frame_ids))
    frame_sd = tone_sd = 0.0
    for _ in range(4):
        residual = y - centre[cell]
        share = weight / noise
        total = np.bincount(frame, share)
        effect = np.bincount(frame, share * residual) / np.maximum(total, 1e-12)
        left = residual - effect[frame]
        tones_per_frame = np.bincount(frame)
        inner = left[(tones_per_frame > 1)[frame]]
        freedom = len(inner) * (1 - 1 / max(float(np.mean(tones_per_frame)), 1.001))
        spread = _mad(inner) / np.sqrt(max(1 - 1 / float(np.mean(tones_per_frame)), 0.3))
        tone_sd = _blend(spread, PRIOR_TONE_SD, freedom)
        n_iso = len(np.unique(iso))
        n_frames = len(frame_ids)
        raw = _mad(effect) * np.sqrt(n_frames / max(n_frames - n_iso, 1))
        through_tones = tone_sd**2 / float(np.mean(tones_per_frame))
        frame_sd = _blend(
            float(np.sqrt(max(raw**2 - through_tones, 0.0))), PRIOR_FRAME_SD, n_frames - n_iso
        )
        scale = np.hypot(frame_sd, np.sqrt(through_tones))
        frame_weight = _bisquare(effect / scale)
        # Were every frame of a small cell an outlier, the cell would be lost: a floor keeps it.
        frame_weight = np.maximum(frame_weight, 1e-3)
        weight = frame_weight[frame] * np.maximum(_bisquare(left / tone_sd), 1e-3)
        joint = weight / (frame_sd**2 + noise)
        mean = np.bincount(cell, joint * y) / np.bincount(cell, joint)
        centre = fitted + (mean - fitted) * trust

    joint = weight / (frame_sd**2 + noise)
    joint = joint / np.bincount(cell, joint)[cell]
    spread_of = csr_array((joint, (cell, frame)), shape=(n_cells, len(frame_ids)))
    units, unit_of = np.unique(
        tones["unit"].to_numpy()[np.unique(frame, return_index=True)[1]], return_inverse=True
    )
    outing_sd = _outing_sd(effect, unit_of, frame_weight, scale)
    to_unit = csr_array(
        (np.ones(len(frame_ids)), (np.arange(len(frame_ids)), unit_of)),
        shape=(len(frame_ids), len(units)),
    )
    by_unit = spread_of @ to_unit
    tone_part = np.bincount(cell, joint**2, minlength=n_cells)
    # A cell that has nothing but outliers keeps its mean, with little to say.
    doubtful = np.sqrt(np.maximum(1.0, 0.3 / frame_weight))
    by_frame = spread_of * doubtful[None, :]
    covariance = (
        frame_sd**2 * (by_frame @ by_frame.T).toarray()
        + outing_sd**2 * (by_unit @ by_unit.T).toarray()
        + np.diag(tone_part * tone_sd**2)
    )
    return Cells(
        iso=iso,
        signal=signal,
        log_sigma=mean,
        frames=counts,
        covariance=covariance,
        doubt=_doubt(eight_bit, signal, mean),
        frame_sd=frame_sd,
        outing_sd=outing_sd,
        tone_sd=tone_sd,
        frame_count=len(frame_ids),
        unit_count=len(units),
        outliers=int(np.sum(frame_weight < 0.05)),
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
        return 0.0
    observed = float(np.average((mean[several] - mean[several].mean()) ** 2))
    expected = frame_scale**2 * float(np.mean(1 / size[several]))
    return float(np.sqrt(max(observed - expected, 0.0)))
