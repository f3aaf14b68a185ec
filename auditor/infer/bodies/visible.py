"""How noisy a typical frame of a band looks, and at which ISO it looks as noisy as asked for.

ISO 12232 judges noise at the mid-tone: a body's noise-based speeds are the ISO values at which a
mid-tone patch has a signal to noise of 40:1 and 10:1. A whole picture has shadows too. Here it is
judged by its noise in lightness (CIE 1976 L*, root mean square over the signals that the band's
frames hold), and given the SNR of the mid-tone patch that would show as much: the frame's SNR. For
a frame that is all mid-tone it is the standard's figure. Photon noise in L* grows with signal to the
power -1/6, so two stops less signal cost two thirds of a stop of ISO; read noise costs more.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from auditor.infer.bodies.bands import Scenes
from auditor.infer.bodies.response import ISO_GRID, SIGNAL_GRID, NoiseModel
from auditor.model import BandSnr, UsableDetail
from auditor.record import MID_GREY

__all__ = [
    "EXTRAPOLATION_STOPS",
    "HALF_THIRD",
    "ISO_TOLERANCE",
    "BandNoise",
    "band_noises",
    "engraved_isos",
    "frame_snr",
    "iso_interval",
    "isos_reaching",
    "lightness_slope",
    "reach",
    "snr_by_iso",
    "usable_iso",
]

Floats = NDArray[np.float64]

_LIGHTNESS_LINE: Final = 903.3
"""Slope of CIE 1976 lightness in the dark, where it is a straight line (CIE 15)."""
_LIGHTNESS_SCALE: Final = 116.0
"""Factor of the cube root that it is above."""
ISO_TOLERANCE: Final = 1 / 60
"""Stops by which an ISO may lie off an engraved one: ISO 800 is not above ISO 800."""

EXTRAPOLATION_STOPS: Final = 1.0
"""Stops beyond the ISO values a body used within which its usable ISO is predicted; past that the
answer is only that it lies higher."""

HALF_THIRD: Final = 1 / 6
"""Half the step between engraved ISO values, in stops."""

_LOG_ISO: Final = np.log2(np.array(ISO_GRID, float))


def reach(isos: Sequence[int]) -> tuple[float, float]:
    """Ends, log2, of the ISO values at which something is told of a body that used `isos` (ascending)."""
    margin = EXTRAPOLATION_STOPS + ISO_TOLERANCE
    return math.log2(isos[0]) - margin, math.log2(isos[-1]) + margin


def lightness_slope(signal: ArrayLike) -> Floats:
    """Derivative of CIE 1976 lightness L* by relative luminance.

    L* = 116 s^(1/3) - 16, and 903.3 s where the root would be steeper (CIE 15).

    Parameters
    ----------
    signal : array_like
        Relative luminance, 1 = white.

    Returns
    -------
    ndarray of float64
        dL*/ds.
    """
    root = _LIGHTNESS_SCALE / 3 * np.maximum(signal, 1e-9) ** (-2 / 3)
    return np.asarray(np.minimum(root, _LIGHTNESS_LINE))


def frame_snr(log_sigma: Floats, scenes: Scenes, output_scale: Floats) -> Floats:
    """SNR of a typical frame: that of a mid-tone patch with as much noise in lightness.

    Parameters
    ----------
    log_sigma : ndarray of float64, shape (ISO_GRID, SIGNAL_GRID)
        Natural log of noise in linear light per pixel.
    scenes : Scenes
        The band's signals.
    output_scale : ndarray of float64, shape (ISO_GRID,)
        Factor on sigma for the output size.

    Returns
    -------
    ndarray of float64, shape (ISO_GRID,)
        log2 SNR.

    References
    ----------
    ISO 12232 (noise-based speed at the mid-tone); CIE 15 (lightness L*).
    """
    variance = _lightness_variance(log_sigma, scenes).sum(axis=1)
    return np.asarray(
        np.log2(MID_GREY * lightness_slope(MID_GREY) / (np.sqrt(variance) * output_scale))
    )


def _lightness_variance(log_sigma: Floats, scenes: Scenes) -> Floats:
    """Variance in lightness through each signal that the band's frames hold, (ISO_GRID, SIGNAL_GRID).

    Blown highlights show no noise; the last bin's clipped pixels count as if they did, which hardly
    matters as lightness is steep in the shadows.
    """
    shares = np.zeros(len(SIGNAL_GRID))
    shares[: len(scenes.shares)] = scenes.shares
    return np.asarray(shares * (np.exp(log_sigma) * lightness_slope(SIGNAL_GRID)) ** 2)


@dataclass(frozen=True, slots=True)
class BandNoise:
    """How noisy a typical frame of one body looks in one band.

    Attributes
    ----------
    snr : ndarray of float64, shape (ISO_GRID,)
        log2 SNR (`frame_snr`).
    variance : ndarray of float64, shape (ISO_GRID,)
        Variance of the error of the log SNR (natural log), without what all bodies share.
    """

    snr: Floats
    variance: Floats


def band_noises(model: NoiseModel, scenes: Mapping[str, Scenes]) -> dict[str, BandNoise]:
    """How noisy the frames of one body look, by band of scene brightness.

    The SNR is the log of a sum over signals; its error is that of their mean, each weighted by its part in
    the sum (propagation of uncertainty to first order).

    Parameters
    ----------
    model : NoiseModel
        Noise of the body.
    scenes : mapping of str to Scenes
        Band key -> typical frame.

    Returns
    -------
    dict of BandNoise
        By band key.

    References
    ----------
    JCGM 100:2008, 5.2.
    """
    out = {}
    for key, band in scenes.items():
        weight = _lightness_variance(model.log_sigma, band)
        weight /= weight.sum(axis=1, keepdims=True)
        # (1, signals) x (signals, signals) x (signals, 1), for every ISO.
        variance = (weight[:, None] @ model.covariance @ weight[..., None])[:, 0, 0]
        snr = frame_snr(model.log_sigma, band, model.output_scale)
        out[key] = BandNoise(snr, np.maximum(variance, 0.0))
    return out


def isos_reaching(log2_snr: Floats, target: ArrayLike) -> Floats:
    """ISO at which falling SNR curves reach given values, linear in log2 between grid points.

    Parameters
    ----------
    log2_snr : ndarray of float64, shape (ISO_GRID, ...)
        Curves that fall with ISO.
    target : array_like, shape (...)
        log2 SNR to reach.

    Returns
    -------
    ndarray of float64, shape (...)
        log2 ISO; -inf where even the lowest ISO of the grid is too noisy, inf where none is.
    """
    target = np.asarray(target)
    curves = np.broadcast_to(log2_snr, (len(log2_snr), *target.shape))
    last = len(curves) - 1
    # The first place of the grid at which the curve lies below what is wanted.
    below = np.sum(curves >= target, axis=0)
    right = np.clip(below, 1, last)
    low, high = (np.take_along_axis(curves, at[None], axis=0)[0] for at in (right, right - 1))
    share = (high - target) / np.maximum(high - low, 1e-9)
    found = _LOG_ISO[right - 1] + share * (_LOG_ISO[right] - _LOG_ISO[right - 1])
    return np.where(below == 0, -np.inf, np.where(below > last, np.inf, found))


def iso_interval(log2_snr: Floats, half: Floats, target: ArrayLike) -> Floats:
    """ISO at which SNR curves reach given values, with its interval.

    An end is where the end of the SNR's own interval reaches what is wanted: of curves that fall, just the
    share lies below it that lies below the SNR's end. Noise never falls with ISO at a given signal, so that
    what bounds the SNR at one ISO bounds it on one side of that ISO too; curves are made monotone by that.

    Parameters
    ----------
    log2_snr : ndarray of float64, shape (ISO_GRID, ...)
        log2 SNR.
    half : ndarray of float64, shape (ISO_GRID, ...)
        Half the width of its interval, natural log.
    target : array_like, shape (...)
        log2 SNR to reach.

    Returns
    -------
    ndarray of float64, shape (3, ...)
        Best value, low and high end, log2 ISO (`isos_reaching`).
    """
    half_log2 = half / math.log(2)
    best = np.minimum.accumulate(log2_snr, axis=0)
    high = np.minimum.accumulate(log2_snr + half_log2, axis=0)
    low = np.maximum.accumulate((log2_snr - half_log2)[::-1], axis=0)[::-1]
    curves = best, np.minimum(low, best), np.maximum(high, best)
    return np.stack([isos_reaching(curve, target) for curve in curves])


def engraved_isos(log2_iso: ArrayLike, *rounding: str) -> NDArray[np.int64]:
    """ISO in third stops, as cameras have them engraved, at values or to one side of them.

    Parameters
    ----------
    log2_iso : array_like, shape (k, ...)
        log2 of ISO values; infinite ones give an end of the grid.
    *rounding : {'near', 'down', 'up'}
        Of each of the k: to the nearest third, or to the one not above or not below; an ISO within `ISO_TOLERANCE`
        stops of an engraved one counts as that one.

    Returns
    -------
    ndarray of int64
        Entries of `ISO_GRID`, of the shape of `log2_iso`.
    """
    steps = 3 * (np.asarray(log2_iso) - math.log2(100))
    ways = {
        "near": np.rint(steps),
        "down": np.floor(steps + 3 * ISO_TOLERANCE),
        "up": np.ceil(steps - 3 * ISO_TOLERANCE),
    }
    rounded = np.stack([ways[way][i] for i, way in enumerate(rounding)])
    index = np.clip(rounded - round(3 * math.log2(ISO_GRID[0] / 100)), 0, len(ISO_GRID) - 1)
    return np.asarray(ISO_GRID)[index.astype(int)]


def usable_iso(noise: NoiseModel, limits: Floats, snr: float) -> tuple[int | None, UsableDetail]:
    """Usable ISO of one body in one band, for one SNR.

    Parameters
    ----------
    noise : NoiseModel
        Noise of the body.
    limits : ndarray of float64, shape (3,)
        Best value, low and high end of the ISO at which the SNR is reached, log2 (`iso_interval`).
    snr : float
        The SNR asked for, a ratio.

    Returns
    -------
    iso : int or None
        Third stop, rounded down and no more than `EXTRAPOLATION_STOPS` above the highest ISO used; None
        where the SNR is missed even at the lowest ISO used, or texture hides the noise.
    detail : UsableDetail
        `low` and `high` ends (third stops), `exact`, whether it is `predicted` (no noise measured at that
        ISO), and a `reason` where the answer is none or lies higher still.
    """
    best, low, high = limits.tolist()
    floor, ceiling = math.log2(noise.isos[0]), math.log2(noise.isos[-1]) + EXTRAPOLATION_STOPS
    detail: UsableDetail = {
        "snr": snr, "predicted": False, "reason": None, "low": None, "high": None,
    }  # fmt: skip
    if not noise.cells.measured_frames:
        return _nothing_measured(noise, min(low, ceiling), detail)
    if best < floor - HALF_THIRD:
        reason = f"not reached at ISO {noise.isos[0]}, the lowest used"
        if high >= floor:
            reason += f", though its 90% interval ends at ISO {engraved_isos([high], 'up')[0]}"
        detail["reason"] = reason
        return None, detail
    if best > ceiling:
        best, high = ceiling, ceiling
        low = min(low, ceiling)
        detail["reason"] = f"likely higher still; ISO {noise.isos[-1]} is the highest used"
    ends = engraved_isos([best, max(low, floor - 1), high], "down", "down", "up")
    value, detail["low"], detail["high"] = ends.tolist()
    detail["predicted"] = value not in noise.measured_isos
    detail["exact"] = round(2.0 ** float(best), 1)
    return value, detail


def _nothing_measured(
    noise: NoiseModel, low: float, detail: UsableDetail
) -> tuple[int | None, UsableDetail]:
    """Usable ISO of a body of which no frame showed measurable noise: what it is at least, so that
    nothing that was only assumed stands as a finding."""
    if low < math.log2(noise.isos[0]) - HALF_THIRD:
        detail["reason"] = f"not told: texture hides it at ISO {noise.isos[0]} and up"
        return None, detail
    value, highest = int(engraved_isos([low], "down")[0]), noise.isos[-1]
    detail["low"], detail["predicted"] = value, value > highest
    detail["reason"] = f"likely higher still; no noise was seen up to ISO {highest}"
    detail["exact"] = round(2.0**low, 1)
    return value, detail


def snr_by_iso(noise: NoiseModel, snr: Floats, half: Floats) -> list[BandSnr]:
    """SNR of a typical frame at each ISO of the grid within reach of those used.

    Parameters
    ----------
    noise : NoiseModel
        Noise of the body.
    snr, half : ndarray of float64, shape (ISO_GRID,)
        log2 SNR of its typical frame in one band, and half the width of the interval in natural log.

    Returns
    -------
    list of BandSnr
        `iso`, `snr` with `low` and `high` as ratios, `predicted` where no noise was measured at that ISO.
    """
    grid, last = np.array(ISO_GRID), reach(noise.isos)[1]
    first = math.log2(noise.isos[0]) - HALF_THIRD
    rows = np.flatnonzero((np.log2(grid) >= first) & (np.log2(grid) <= last))
    curves = 2 ** np.stack([snr + part * half / math.log(2) for part in (0, -1, 1)])
    measured = noise.measured_isos
    return [
        {"iso": iso, "snr": best, "low": low, "high": high, "predicted": iso not in measured}
        for iso, best, low, high in zip(grid[rows].tolist(), *curves[:, rows].tolist(), strict=True)
    ]
