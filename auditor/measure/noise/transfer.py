"""Photon transfer on one mosaic: var = a x + b over its flat blocks.

Foi, Trimeche, Katkovnik, Egiazarian, IEEE TIP 17(10), 2008; terms of EMVA 1288. In data numbers after
the black level the slope a is 1 / gain (e- per DN), and b is the read noise squared plus the 1/12 of
rounding to whole numbers.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from auditor.measure.noise.sites import HIGH_COUNT, Sites, site_blocks
from auditor.measure.picture import Mosaic, Picture
from auditor.record import PhotonTransfer

__all__ = ["Line", "fit_line", "is_sane", "measure_photon_transfer"]

_FEWEST: Final = 60
_WORST_READ_E: Final = 0.75
"""Standard error in electrons from which on a read noise is not worth giving: no dark flat area. Two
of them are the 1.5 electrons within which it is meant to be right."""

_FLAT: Final = 1.5
"""A place is flat when its low frequencies hold less than this many times the noise's power; over
four colours and three places noise alone spreads by 0.14."""

_MOST_SLOPE: Final = 1.1
"""Middle over high frequencies: 1 for white noise, 2 and more for what optics has drawn."""

_MOST_LOW: Final = 1.25
"""Median of low frequencies over the fit: 0.95 for noise, 1.4 when flat blocks are a mere tail."""

_UPPER: Final = float(stats.chi2.ppf(0.9, HIGH_COUNT)) / HIGH_COUNT
_KEPT_MEAN: Final = float(stats.chi2.cdf(_UPPER * HIGH_COUNT, HIGH_COUNT + 2)) / 0.9
"""Mean of a chi-squared share below its upper tenth: E[X; X < q] = n P(X_{n+2} < q)."""


@dataclass(frozen=True)
class Line:
    """var = slope x + offset, its covariance, and which blocks spoke."""

    slope: float
    offset: float
    slope_error: float
    offset_error: float
    used: NDArray[np.bool_]


def fit_line(sites: Sites) -> Line | None:
    """Fit var = a x + b to the flat blocks, textured ones left out; None when it cannot be told."""
    if len(sites) < _FEWEST:
        return None
    x, high, low = sites.signal, sites.high, sites.low
    model = _first_guess(x, high)
    a = b = leak = 0.0
    for _ in range(30):
        flat = _around(sites.place, low / model) < _FLAT
        used = flat & (high < _UPPER * model) & (high > 0)
        if used.sum() < _FEWEST:
            return None
        weight = 1 / model[used]
        design = np.stack([x[used], np.ones(used.sum()), low[used] - model[used]], 1)
        design *= weight[:, None]
        target = high[used] / _KEPT_MEAN * weight
        if np.linalg.cond(design) > 1e9:
            return None
        a, b, leak = np.linalg.lstsq(design, target, rcond=None)[0]
        if leak < 0:  # scenes only add
            a, b = np.linalg.lstsq(design[:, :2], target, rcond=None)[0]
        new = np.maximum(a * x + b, 0.02 * float(np.median(high[used])))
        change = float(np.max(np.abs(new / model - 1)))
        model = 0.5 * (model + new)
        if change < 1e-3:
            break
    if not _is_white(sites, model, used):
        return None
    scatter = float(np.mean((high[used] / _KEPT_MEAN / model[used] - 1) ** 2))
    covariance = np.linalg.inv(design.T @ design) * max(scatter, 2 / HIGH_COUNT)
    errors = np.sqrt(np.diag(covariance))
    return Line(float(a), float(b), float(errors[0]), float(errors[1]), used)


def _around(place: NDArray[np.intp], value: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean of `value` over all blocks at the same place and at those left and right of it."""
    size = int(place.max()) + 2
    sums = np.bincount(place, value, minlength=size)
    counts = np.bincount(place, minlength=size).astype(np.float64)
    kernel = np.ones(3)
    wide = np.convolve(sums, kernel, "same") / np.maximum(np.convolve(counts, kernel, "same"), 1)
    return np.asarray(wide[place])


def _is_white(sites: Sites, model: NDArray[np.float64], used: NDArray[np.bool_]) -> bool:
    """Whether the blocks behind a fit hold noise: as strong at low frequencies as at high ones."""
    middle = float(np.mean(sites.middle[used] / model[used]))
    high = float(np.mean(sites.high[used] / model[used]))
    low = float(np.median(sites.low[used] / model[used]))
    return middle < _MOST_SLOPE * high and low < _MOST_LOW


def _first_guess(x: NDArray[np.float64], high: NDArray[np.float64]) -> NDArray[np.float64]:
    """Lower envelope of the blocks' variances over signal, from which the fit starts."""
    order = np.argsort(x)
    groups = np.array_split(order, min(20, max(2, len(x) // 30)))
    centres = np.array([np.median(x[g]) for g in groups])
    lows = np.array([np.quantile(high[g], 0.1) for g in groups]) * 1.3
    slope, offset = np.polyfit(centres, lows, 1, w=1 / np.maximum(lows, 1e-3))
    floor = max(float(lows[lows > 0].min()) if (lows > 0).any() else 1e-3, 1e-3)
    return np.maximum(np.maximum(slope, 0) * x + max(offset, 0.0), floor)


def measure_photon_transfer(picture: Picture) -> PhotonTransfer | None:
    """Gain and read noise of one frame from its mosaic.

    None for developed frames, and where flat areas are too few or hold no range of signals. The read
    noise alone is None where no dark flat area shows it.
    """
    mosaic = picture.mosaic
    if mosaic is None or not is_sane(mosaic):
        return None
    sites = site_blocks(mosaic)
    line = fit_line(sites)
    if line is None or line.slope <= 0 or line.slope_error > 0.1 * line.slope:
        return None
    gain = 1 / line.slope
    rounding = 1 / 12 if mosaic.raw.dtype.kind in "ui" else 0.0
    read_variance = line.offset - rounding
    # d sqrt(b) = db / (2 sqrt b), bounded where b is near nothing
    error = gain * line.offset_error / (2 * np.sqrt(max(read_variance, line.offset_error)))
    # Signals well below nothing: the black level is stated too high, and the offset is not read noise.
    wrong_black = float((sites.signal < -np.sqrt(max(line.offset, 0.0))).mean()) > 0.002
    known = error < _WORST_READ_E and read_variance > 0 and not wrong_black
    return PhotonTransfer(
        gain_e_per_dn=gain,
        read_noise_e=gain * float(np.sqrt(read_variance)) if known else None,
        gain_stderr=gain * line.slope_error / line.slope,
        read_noise_stderr_e=float(error) if known else None,
        patches=int(line.used.sum()),
        white_dn=float(mosaic.white - mosaic.black.mean()),
    )


def is_sane(mosaic: Mosaic) -> bool:
    return bool(
        mosaic.raw.ndim == 2
        and min(mosaic.raw.shape) >= 64
        and np.isfinite(mosaic.white)
        and np.isfinite(mosaic.black).all()
        and mosaic.white > float(mosaic.black.max())
    )
