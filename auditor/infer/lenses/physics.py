"""What optics allows a lens's curve to be: the prior from which thin stretches borrow strength.

The system MTF50 of a zone is that of diffraction (known from f-number and pitch), pixel and a
Gaussian remainder whose variance is floor^2 + wide^2 (N0 / N)^(2 power): aberrations fall with the
f-number and never grow. A gain common to the zones stands for sharpening and for what the
measurement itself adds.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.optics import diffraction_mtf, mtf50, pixel_mtf

__all__ = ["BLUR_PX2", "PARAMETERS", "BlurTable", "Optics", "blur_px", "gain_spread", "prior_for"]

Floats = NDArray[np.float64]

PARAMETERS: Final = 3
"""Parameters of a zone's blur: log floor (px), log wide (px at the widest aperture), log power."""

_BLUR_GRID: Final = np.concatenate([[0.0], np.geomspace(0.02, 20.0, 220)])

BLUR_PX2: Final = -0.1 + np.concatenate([[0.0], np.geomspace(0.01, 60.0, 120)])
"""Blur variances (px^2) of a `BlurTable`."""

_GAIN_SPREAD: Final = {"raw": 0.03, "camera": 0.06, "edited": 0.12}
"""How far (log) a kind of file may lie off closed-form optics: sharpening lifts MTF50."""


@lru_cache(maxsize=256)
def _log_mtf50_table(f_numbers: tuple[float, ...], pitch_um: float) -> Floats:
    grid = mtf50(np.array(f_numbers)[:, None], pitch_um, _BLUR_GRID[None, :])
    return np.log(grid)


def blur_px(theta: Floats, ratio: Floats) -> Floats:
    """Remainder blur (px), (..., K), at `ratio` = widest / N (K,), for parameters (..., 3)."""
    floor, wide, power = (np.exp(theta[..., j, None]) for j in range(PARAMETERS))
    return np.asarray(np.hypot(floor, wide * ratio**power))


@dataclass(frozen=True, slots=True)
class Optics:
    """Closed-form log MTF50 at given apertures, with its derivatives.

    `f_numbers` in any order, `pitch_um` in micrometres, `widest` the f-number to which the
    parameter `wide` refers.
    """

    f_numbers: tuple[float, ...]
    pitch_um: float
    widest: float

    def log_mtf50(self, theta: Floats) -> Floats:
        """log MTF50 (..., K) of one zone without the gain, for parameters (..., 3)."""
        table = _log_mtf50_table(self.f_numbers, round(self.pitch_um, 3))
        blur = blur_px(theta, self.widest / np.array(self.f_numbers))
        blur = np.minimum(blur, _BLUR_GRID[-1] * 0.999)
        right = np.searchsorted(_BLUR_GRID, blur, side="right")
        left = right - 1
        share = (blur - _BLUR_GRID[left]) / (_BLUR_GRID[right] - _BLUR_GRID[left])
        rows = np.arange(table.shape[0])
        return np.asarray((1 - share) * table[rows, left] + share * table[rows, right])

    def jacobian(self, theta: Floats, step: float = 0.02) -> Floats:
        """Derivatives (K, 3) of `log_mtf50`, by central differences."""
        out = np.empty((len(self.f_numbers), PARAMETERS))
        for j in range(PARAMETERS):
            shift = np.zeros(PARAMETERS)
            shift[j] = step
            out[:, j] = (self.log_mtf50(theta + shift) - self.log_mtf50(theta - shift)) / (2 * step)
        return out


def gain_spread(source: str) -> float:
    """Standard deviation of the log gain of a kind of file."""
    return _GAIN_SPREAD.get(source, 0.12)


@dataclass(frozen=True, slots=True)
class BlurTable:
    """Closed-form log MTF50 by blur variance at K apertures, and back.

    `table` is K x B over `BLUR_PX2`, which begins a little below nothing: sharpened files end there.
    """

    table: Floats

    @classmethod
    def of(cls, f_numbers: Floats, pitch_um: float) -> BlurTable:
        """Table for these apertures and pixels."""
        freq = np.linspace(0.004, 0.996, 700)
        fixed = diffraction_mtf(freq, f_numbers[:, None], pitch_um) * pixel_mtf(freq)
        rows = np.arange(len(f_numbers))
        columns = []
        for blur in BLUR_PX2:
            mtf = fixed * np.exp(-2 * np.pi**2 * blur * freq**2)
            right = np.maximum((mtf < 0.5).argmax(1), 1)
            above, below = mtf[rows, right - 1], mtf[rows, right]
            share = np.clip((above - 0.5) / np.maximum(above - below, 1e-12), 0, 1)
            columns.append(np.log(freq[right - 1] + share * (freq[1] - freq[0])))
        return cls(np.stack(columns, axis=1))

    def log_mtf50(self, aperture: NDArray[np.int64], blur_px2: Floats) -> tuple[Floats, Floats]:
        """Log MTF50 and its (negative) derivative by the blur variance, one for each frame."""
        right = np.clip(np.searchsorted(BLUR_PX2, blur_px2), 1, len(BLUR_PX2) - 1)
        low, high = self.table[aperture, right - 1], self.table[aperture, right]
        slope = (high - low) / (BLUR_PX2[right] - BLUR_PX2[right - 1])
        value = low + slope * (blur_px2 - BLUR_PX2[right - 1])
        return value, np.minimum(slope, -1e-4)

    def blur_of(self, aperture: NDArray[np.int64], log_mtf50: Floats) -> Floats:
        """Blur variance (px^2) that gives each log MTF50, within the table."""
        out = np.empty(len(log_mtf50))
        for k, row in enumerate(self.table):
            here = aperture == k
            out[here] = np.interp(-log_mtf50[here], -row, BLUR_PX2)
        return out

    @staticmethod
    def within(blur_px2: Floats) -> Floats:
        """Blur variances held within the table."""
        return np.clip(blur_px2, BLUR_PX2[0], BLUR_PX2[-1])


def prior_for(source: str, zones: int) -> tuple[Floats, Floats]:
    """Mean and standard deviation of all parameters: `zones` times three, then the log gain."""
    mean = np.array([np.log(0.35), np.log(0.6), np.log(1.2)])
    spread = np.array([0.7, 0.9, 0.35])
    gain = gain_spread(source)
    return np.append(np.tile(mean, zones), 0.0), np.append(np.tile(spread, zones), gain)
