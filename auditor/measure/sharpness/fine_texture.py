"""How fine a frame's texture is: where it is finest, and whether one direction is missing all over the frame.

In each window full of detail the energy of gradients is read at two blurs, along four directions; their ratio
tells how fine the detail is that way, whatever its contrast. Of fur, leaves and stone in focus it tells where no
clean edge does.

A moved camera takes the finest detail along its movement from every leaf and stone alike, also where strong
outlines run along it and stay sharp. In each window full of detail the power spectrum tells how much detail
there is each way, at every fineness. Objects are drawn one way themselves (water, grass, houses), but coarse
and fine alike; a movement takes from the fine alone, and from most windows the same. So streaks are what the
finest detail that noise leaves lacks one way beyond the coarsest, against how much single windows differ in it.
"""

from __future__ import annotations

from functools import cache
from itertools import pairwise
from typing import Final, NamedTuple

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from auditor.measure.sharpness.edge_detection import SCHARR
from auditor.measure.sharpness.light import CODES, Light, fill_green
from auditor.measure.sharpness.texture import WINDOW_PX, tapered_power
from auditor.robust import scale_of

__all__ = ["ENOUGH", "FineTexture", "directional_deficit", "fine_texture", "streaks"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

_BANDS_CPP: Final = tuple(float(f) for f in np.linspace(0.03, 0.255, 10))
"""Ends of nine bands of frequency (c/px), each one and a half cells of a window's transform wide. Bands up to 0.2
or 0.3 judged rolls of photographs left out of the fit no better."""
_NOISE_CPP: Final = (0.35, 0.42)
"""Band that holds noise, coding, and little else: what is not plainly above it can't be told from them."""
_DIRECTIONS: Final = 8
"""Directions, 22.5 degrees apart: of four one lies up to 22 degrees off a movement."""
_OVER_NOISE: Final = 4.0
"""Power of a band over that of the noise band from which it counts as detail; 2 and 8 gave the same judgements."""
_FINE_CPP: Final = 0.07
"""Width (c/px) of the finest detail: the last three valid bands; 0.05 and 0.1 gave the same judgements."""
ENOUGH: Final = 16
"""Windows from which on a frame has a figure: of fewer single ones decide; 12 and 24 gave the same judgements."""
_MIDDLE_CPP: Final = 0.15
"""End (c/px) of three more bands that are looked at: what moved far lacks least at the finest, where nothing is left
either way, and all of it at the coarsest."""
_FEWEST_BANDS: Final = 4
"""Valid bands at least: of fewer the finest are the coarsest."""
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


def streaks(codes: Singles) -> float | None:
    """How plainly the finest detail is missing along one direction; about 0.3 for a still frame.

    Parameters
    ----------
    codes : (n, WINDOW_PX, WINDOW_PX) ndarray of float32
        Windows full of detail and hardly clipped, 8-bit code values.

    Returns
    -------
    float or None
        What is missing (`directional_deficit`) in the median over the windows, divided by the scatter of single
        windows about it. None where too few are textured.
    """
    deficit = directional_deficit(codes) if len(codes) >= ENOUGH else None
    return None if deficit is None else float(np.hypot(*deficit[0]) / deficit[1])


def directional_deficit(codes: Singles) -> tuple[Floats, float] | None:
    """What the finest detail of some windows lacks along one direction, and its scatter over windows.

    The power spectrum of each window is averaged by band of frequency and direction; the second harmonic of its
    logarithm over the angle is compared between the finest and the coarsest bands above the noise.

    Parameters
    ----------
    codes : (n, WINDOW_PX, WINDOW_PX) ndarray of float32
        Windows, 8-bit code values.

    Returns
    -------
    tuple or None
        (2,) second harmonic of ln power (along cosine and sine, angles from the x axis), of the finest detail
        less the coarsest; and the standard deviation of single windows along it, by the median absolute
        deviation. A movement at an angle a points to 2 a + 180 degrees. None where detail stands above noise in
        too few windows or bands.

    Notes
    -----
    A straight movement of L px multiplies the spectrum by sinc(L f cos(angle - a)): its ln power falls as
    (pi L f)^2 / 3 along it and stays across. What objects show one way, at the coarsest detail, they may show
    in part or not at all at the finest: of all shares of it up to `_MOST_SHARE` that is taken off which leaves least.
    """
    harmonics, valid = _second_harmonics(codes)
    enough = valid[:, :-1].sum(0) >= ENOUGH
    if np.count_nonzero(enough) < _FEWEST_BANDS:
        return None
    middle = (np.array(_BANDS_CPP[1:]) + _BANDS_CPP[:-1]) / 2
    ends = (middle[enough].max(), _MIDDLE_CPP)
    estimates = [
        _deficit(harmonics, valid[:, :-1] & enough & _bands_below(middle, end)) for end in ends
    ]
    found = [p for p in estimates if p is not None]
    return max(found, key=lambda p: np.hypot(*p[0]) / p[1]) if found else None


def _bands_below(middle: Floats, end: float) -> NDArray[np.bool_]:
    """Bands that end at a frequency (c/px) and begin `_FINE_CPP` below it."""
    return (middle > end - _FINE_CPP) & (middle <= end)


def _deficit(harmonics: Floats, weight: NDArray[np.bool_]) -> tuple[Floats, float] | None:
    """`directional_deficit` in some bands; `weight` (n, bands) marks the valid ones of each window."""
    used = 2 * weight.sum(1) >= weight.any(0).sum()
    if np.count_nonzero(used) < ENOUGH or not weight.any():
        return None
    weight = weight[used]
    finest = np.einsum("nbc,nb->nc", harmonics[used], weight) / weight.sum(1)[:, None]
    own, coarse = np.median(finest, axis=0), np.median(harmonics[used, 0], axis=0)
    share = np.clip(own @ coarse / max(coarse @ coarse, _FAINTEST), 0, _MOST_SHARE)
    missing = own - share * coarse
    along = finest @ (missing / max(float(np.hypot(*missing)), _FAINTEST))
    return missing, max(scale_of(along - np.median(along)), _LEAST_SCATTER)


def _second_harmonics(codes: Singles) -> tuple[Floats, NDArray[np.bool_]]:
    """(n, bands, 2) second harmonic over the angle of ln power, and (n, bands + 1) whether a band is valid (above noise)."""
    power = _power(codes)
    mean_power = power.mean(2)
    noise = np.median(mean_power[:, -1])
    above_noise = np.maximum(power[:, :-1] - noise, _LEAST_SHARE * noise) + _FAINTEST
    angle = 2 * np.pi * np.arange(_DIRECTIONS) / _DIRECTIONS
    harmonic = 2 / _DIRECTIONS * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return np.log(above_noise) @ harmonic, mean_power > _OVER_NOISE * noise


@cache
def _sectors() -> Singles:
    """(rfft cells, bands + 1, directions) averaging matrix."""
    n = WINDOW_PX
    fy, fx = np.fft.fftfreq(n)[:, None], np.fft.rfftfreq(n)[None, :]
    radius, angle = np.hypot(fx, fy), np.degrees(np.arctan2(fy, fx))
    step = _HALF_TURN / _DIRECTIONS
    # Of the column of frequency 0 either half tells all.
    twice = (fx == 0) & (fy < 0)
    bands = [*pairwise(_BANDS_CPP), _NOISE_CPP]
    out = np.zeros((n, n // 2 + 1, len(bands), _DIRECTIONS))
    for i, (low, high) in enumerate(bands):
        for direction in range(_DIRECTIONS):
            offset = (angle - direction * step) % _HALF_TURN
            within = np.minimum(offset, _HALF_TURN - offset) <= step / 2
            here = (radius >= low) & (radius < high) & within & ~twice
            out[here, i, direction] = 1 / here.sum()
    return out.reshape(-1, len(bands), _DIRECTIONS).astype(np.float32)


def _power(codes: Singles) -> Floats:
    """(n, bands + 1, directions) mean power of windows by band of frequency and direction."""
    power = tapered_power(codes - codes.mean((1, 2), keepdims=True))
    sectors = _sectors()
    mean = power.reshape(len(codes), -1) @ sectors.reshape(len(sectors), -1)
    return mean.reshape(len(codes), *sectors.shape[1:]).astype(float)


_FINE_PX: Final = 0.8
"""Blur (standard deviation) after which noise is gone and all detail still there; without blur fewer frames were judged right."""
_COARSE_PX: Final = 1.4
"""Blur after which what a movement of two to six pixels takes is gone; with 2 fewer frames were judged right."""
_SIDE: Final = 11
"""Side (px) of the squares in which blurs are made: three standard deviations and a half to either side."""
_RIM_PX: Final = 8
"""Pixels of a window that its neighbour's blur and gradient reach."""
_LEAST_ENERGY: Final = 6.0
"""Energy of gradients ((8-bit code value / px)^2, after the greater blur) that a window holds in its weakest
direction: of less most is coding. Values from 2 to 25 gave the same judgements of photographs."""
_CLIPPED: Final = 0.2
"""Share of clipped pixels from which a window's gradients are their outlines."""
_FINEST: Final = 0.9
"""Quantile of the windows that stands for the finest: only a part of a picture is in focus. 0.95 gave the same judgements."""


class FineTexture(NamedTuple):
    """What the windows of a frame say; None where too few are textured.

    Attributes
    ----------
    streaks : float or None
        How plainly the finest detail is missing along one direction (`streaks`).
    fineness : float or None
        ln of the energy of gradients at `_FINE_PX` over that at `_COARSE_PX`, in the direction that has least
        of it, where windows are finest (`_FINEST`).
    """

    streaks: float | None = None
    fineness: float | None = None


def fine_texture(light: Light, y: NDArray[np.int_], x: NDArray[np.int_]) -> FineTexture:
    """Fineness of a frame's texture, and whether detail is missing along one direction.

    Parameters
    ----------
    light : Light
        The frame.
    y, x : (n,) ndarray of int
        Upper left pixels of its windows full of detail, `WINDOW_PX` wide.

    Returns
    -------
    FineTexture
        Both None where too few windows are textured.
    """
    if len(y) < ENOUGH:
        return FineTexture()
    codes, clipped = _codes(light, y, x)
    codes = codes[clipped < _CLIPPED]
    return FineTexture(streaks(codes), _fineness(codes))


def _fineness(codes: Singles) -> float | None:
    """Ratio of gradient energies at two blurs, where windows are finest.

    Energies along a direction come from the structure tensor (Foerstner & Guelch, 1987).
    """
    if len(codes) < ENOUGH:
        return None
    tall = codes.reshape(-1, WINDOW_PX)
    fine, coarse = _energies(tall, _FINE_PX), _energies(tall, _COARSE_PX)
    valid = coarse.min(0) > _LEAST_ENERGY
    if np.count_nonzero(valid) < ENOUGH:
        return None
    ratio = np.log(fine[:, valid] / coarse[:, valid])
    return float(np.quantile(ratio.min(0), _FINEST))


def _codes(
    light: Light, y: NDArray[np.int_], x: NDArray[np.int_]
) -> tuple[Singles, NDArray[np.float64]]:
    """(n, WINDOW_PX, WINDOW_PX) windows, 0..255, and the clipped share of each.

    Code values of a picture, square roots of light of a mosaic: both even out noise.
    """
    if light.green is None:
        values = sliding_window_view(light.plane, (WINDOW_PX, WINDOW_PX))[y, x]
        clipped = light.clipped(values)
        scale = CODES / np.float32(light.picture.peak)
        codes = values.astype(np.float32) * scale
    else:
        patch, clipped, valid = light.patches(y, x, WINDOW_PX)
        codes = np.sqrt(np.clip(fill_green(patch, valid), 0, 1)).astype(np.float32) * CODES
    return codes, clipped.mean((1, 2))


def _energies(tall: Singles, blur_px: float) -> NDArray[np.float64]:
    """(4, windows) mean squared gradient along 0, 45, 90 and 135 degrees after a blur of windows one above
    the other."""
    blurred = cv2.GaussianBlur(tall, (_SIDE, _SIDE), blur_px)
    gx = cv2.Scharr(blurred, cv2.CV_32F, 1, 0, scale=SCHARR)
    gy = cv2.Scharr(blurred, cv2.CV_32F, 0, 1, scale=SCHARR)
    inner = slice(_RIM_PX, WINDOW_PX - _RIM_PX)
    gx, gy = (a.reshape(-1, WINDOW_PX, WINDOW_PX)[:, inner, inner] for a in (gx, gy))
    pixels = (WINDOW_PX - 2 * _RIM_PX) ** 2
    xx, yy, xy = (
        np.einsum("nij,nij->n", a, b).astype(float) / pixels
        for a, b in ((gx, gx), (gy, gy), (gx, gy))
    )
    return np.stack([xx, (xx + yy) / 2 + xy, yy, (xx + yy) / 2 - xy])
