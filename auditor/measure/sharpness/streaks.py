"""Streaks: fine texture that is missing along one direction, all over the frame.

A moved camera takes the finest detail along its movement from every leaf and stone alike, also where strong
outlines run along it and stay sharp. In each window full of detail the power spectrum tells how much detail
there is each way, at every fineness. Objects are drawn one way themselves (water, grass, houses), but coarse
and fine alike; a movement takes from the fine alone, and from most windows the same. So streaks are what the
finest detail that noise leaves lacks one way beyond the coarsest, against how much single windows differ in it.
"""

from __future__ import annotations

from functools import cache
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.sharpness.texture import WINDOW_PX
from auditor.robust import scale_of

__all__ = ["lacking", "streaks"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

_BANDS_CPP: Final = tuple(float(f) for f in np.linspace(0.03, 0.255, 10))
"""Ends of nine bands of frequency (c/px), each one and a half cells of a window's transform wide. Bands up to 0.2
or 0.3 told rolls of photographs left out of the fit no better."""
_NOISE_CPP: Final = (0.35, 0.42)
"""Band that holds noise, coding, and little else: what is not plainly above it is not told from them."""
_WAYS: Final = 8
"""Directions, 22.5 degrees apart: of four one lies up to 22 degrees off a movement."""
_OVER_NOISE: Final = 4.0
"""Power of a band over that of the noise band from which it tells detail; 2 and 8 told the same."""
_FINE_CPP: Final = 0.07
"""Reach (c/px) of the finest detail: the last three bands that are told; of 0.05 and 0.1 the same."""
_ENOUGH: Final = 16
"""Windows whose median speaks for the frame; 12 and 24 told the same."""
_MIDDLE_CPP: Final = 0.15
"""End (c/px) of three more bands that are looked at: what moved far lacks least at the finest, where nothing is left
either way, and all of it at the coarsest."""
_FEWEST_BANDS: Final = 4
"""Bands told at least: of fewer the finest are the coarsest."""
_MOST_SHARE: Final = 1.5
"""So much of what the coarsest detail shows one way is taken for the objects' own in the finest. Texture with as
much more power one way at every frequency shows 1.4 to 1.6 times as much of it in the finest: the coarsest
band's cells are as wide as its ways, and detail beyond the noise band is taken off for noise."""
_LEAST_SCATTER: Final = 0.1
"""Scatter (ln of power) of single windows at least: painted texture may have none."""
_LEAST_SHARE: Final = 0.5
"""Share of the noise that power is taken to hold at least when noise is taken off."""
_FAINTEST: Final = 1e-6
"""Power ((8-bit code value)^2) that any band is taken to hold, so that its logarithm is one."""
_HALF_TURN: Final = 180.0
"""Degrees after which a direction is the same again."""


def streaks(power: Singles) -> float | None:
    """How plainly the finest detail is missing along one direction; about 0.3 for a still frame.

    Parameters
    ----------
    power : ndarray, (n, WINDOW_PX, WINDOW_PX // 2 + 1)
        Power spectra (`window_power`) of windows full of detail and hardly clipped, 8-bit code values.

    Returns
    -------
    float or None
        What is missing (`lacking`) in the median over the windows, divided by the scatter of single windows
        about it. None where too few are textured.
    """
    told = lacking(power) if len(power) >= _ENOUGH else None
    return None if told is None else float(np.hypot(*told[0]) / told[1])


def lacking(power: Singles) -> tuple[Floats, float] | None:
    """What the finest detail of some windows lacks one way, and how single windows differ in that.

    Parameters
    ----------
    power : ndarray, (n, WINDOW_PX, WINDOW_PX // 2 + 1)
        Power spectra of windows, 8-bit code values.

    Returns
    -------
    tuple or None
        (2,) the part of ln power that turns with twice the angle (along cosine and sine, angles from the
        x axis), of the finest detail less the coarsest; and the standard deviation of single windows along it,
        by the median absolute deviation. A movement at an angle a points to 2 a + 180 degrees. None where
        detail is told in too few windows or bands.

    Notes
    -----
    A straight movement of L px multiplies the spectrum by sinc(L f cos(angle - a)): its ln power falls as
    (pi L f)^2 / 3 along it and stays across. What objects show one way, at the coarsest detail, they may show
    in part or not at all at the finest: of all shares of it up to `_MOST_SHARE` that is taken off which leaves least.
    """
    turn, told = _turning(power)
    enough = told[:, :-1].sum(0) >= _ENOUGH
    if np.count_nonzero(enough) < _FEWEST_BANDS:
        return None
    middle = (np.array(_BANDS_CPP[1:]) + _BANDS_CPP[:-1]) / 2
    ends = (middle[enough].max(), _MIDDLE_CPP)
    parts = [_lacking(turn, told[:, :-1] & enough & _reach(middle, end)) for end in ends]
    known = [p for p in parts if p is not None]
    return max(known, key=lambda p: np.hypot(*p[0]) / p[1]) if known else None


def _reach(middle: Floats, end: float) -> NDArray[np.bool_]:
    """Bands that end at a frequency (c/px) and begin `_FINE_CPP` below it."""
    return (middle > end - _FINE_CPP) & (middle <= end)


def _lacking(turn: Floats, weight: NDArray[np.bool_]) -> tuple[Floats, float] | None:
    """`lacking` in some bands: `weight` (n, bands) says which of them each window tells."""
    used = 2 * weight.sum(1) >= weight.any(0).sum()
    if np.count_nonzero(used) < _ENOUGH or not weight.any():
        return None
    weight = weight[used]
    finest = np.einsum("nbc,nb->nc", turn[used], weight) / weight.sum(1)[:, None]
    own, coarse = np.median(finest, axis=0), np.median(turn[used, 0], axis=0)
    share = np.clip(own @ coarse / max(coarse @ coarse, _FAINTEST), 0, _MOST_SHARE)
    missing = own - share * coarse
    along = finest @ (missing / max(float(np.hypot(*missing)), _FAINTEST))
    return missing, max(scale_of(along - np.median(along)), _LEAST_SCATTER)


def _turning(spectra: Singles) -> tuple[Floats, NDArray[np.bool_]]:
    """(n, bands, 2) second harmonic over the angle of ln power, and (n, bands + 1) whether a band is told."""
    power = _by_band(spectra)
    level = power.mean(2)
    noise = np.median(level[:, -1])
    over = np.maximum(power[:, :-1] - noise, _LEAST_SHARE * noise) + _FAINTEST
    angle = 2 * np.pi * np.arange(_WAYS) / _WAYS
    harmonic = 2 / _WAYS * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return np.log(over) @ harmonic, level > _OVER_NOISE * noise


@cache
def _sectors() -> Singles:
    """(rfft cells, bands + 1, ways) averaging matrix."""
    n = WINDOW_PX
    fy, fx = np.fft.fftfreq(n)[:, None], np.fft.rfftfreq(n)[None, :]
    radius, angle = np.hypot(fx, fy), np.degrees(np.arctan2(fy, fx))
    step = _HALF_TURN / _WAYS
    # Of the column of frequency 0 either half tells all.
    twice = (fx == 0) & (fy < 0)
    bands = [*pairwise(_BANDS_CPP), _NOISE_CPP]
    out = np.zeros((n, n // 2 + 1, len(bands), _WAYS))
    for i, (low, high) in enumerate(bands):
        for way in range(_WAYS):
            off = (angle - way * step) % _HALF_TURN
            near = np.minimum(off, _HALF_TURN - off) <= step / 2
            here = (radius >= low) & (radius < high) & near & ~twice
            out[here, i, way] = 1 / here.sum()
    return out.reshape(-1, len(bands), _WAYS).astype(np.float32)


def _by_band(power: Singles) -> Floats:
    """(n, bands + 1, ways) mean power by band of frequency and direction."""
    sectors = _sectors()
    told = power.reshape(len(power), -1) @ sectors.reshape(len(sectors), -1)
    return told.reshape(len(power), *sectors.shape[1:]).astype(float)
