"""How noisy a typical frame of a band looks, and how far ISO can go.

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
from auditor.infer.bodies.observe import sigma_code
from auditor.infer.bodies.response import ISO_GRID, SIGNAL_GRID, NoiseModel
from auditor.model import BandSnr, Unseen, UsableDetail
from auditor.record import MID_GREY

__all__ = [
    "HALF_THIRD",
    "REACH",
    "ROUNDED",
    "BandNoise",
    "band_noises",
    "frame_snr",
    "highest_isos",
    "iso_interval",
    "isos_at",
    "lightness_slope",
    "no_noise_seen",
    "snr_by_iso",
    "third",
    "thirds",
    "usable_iso",
]

Floats = NDArray[np.float64]

_LIGHTNESS_FROM: Final = 0.008856
"""Relative luminance from which CIE 1976 lightness is a cube root and no straight line (CIE 15)."""
_LIGHTNESS_LINE: Final = 903.3
"""Its slope below."""
_LIGHTNESS_SCALE: Final = 116.0
"""Factor of the cube root above."""
ROUNDED: Final = 1 / 60
"""Stops by which an ISO may lie off an engraved one: ISO 800 is not above ISO 800."""

REACH: Final = 1.0
"""Stops beyond the ISO values a body used within which its usable ISO is predicted; past that the
answer is only that it lies higher."""

HALF_THIRD: Final = 1 / 6
"""Half the step between engraved ISO values, in stops."""

CODE_HIDDEN: Final = 1.5
"""Code values of 8 bits up to which a bound comes from coding rather than from texture."""

_LOG_ISO: Final = np.log2(np.array(ISO_GRID, float))


def lightness_slope(signal: ArrayLike) -> Floats:
    """dL*/ds of CIE 1976 lightness (CIE 15), L* = 116 s^(1/3) - 16, 903.3 s below 0.008856."""
    s = np.asarray(signal, float)
    root = _LIGHTNESS_SCALE / 3 * np.maximum(s, 1e-9) ** (-2 / 3)
    return np.where(s > _LIGHTNESS_FROM, root, _LIGHTNESS_LINE)


def frame_snr(log_sigma: Floats, scenes: Scenes, output_scale: Floats) -> Floats:
    """SNR of a typical frame, log2, per entry of ISO_GRID.

    Args:
        log_sigma: (ISO_GRID, SIGNAL_GRID) natural log of noise in linear light per pixel.
        scenes: the band's signals.
        output_scale: factor on sigma for the output size, per ISO.
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

    `snr` (ISO_GRID,): its SNR, log2; `weight` (ISO_GRID, SIGNAL_GRID): the part that each signal's noise has
    in it; `variance` (ISO_GRID,): of its error, natural log, without what all bodies share.
    """

    snr: Floats
    weight: Floats
    variance: Floats


def band_noises(model: NoiseModel, scenes: Mapping[str, Scenes]) -> dict[str, BandNoise]:
    """How noisy the frames of one body look, by band.

    The SNR is the log of a sum over signals; its error is that of their mean, each weighted by its part in
    the sum (propagation of errors to first order: JCGM 100:2008, 5.2).
    """
    out = {}
    for key, band in scenes.items():
        weight = _lightness_variance(model.log_sigma, band)
        weight /= weight.sum(axis=1, keepdims=True)
        # (1, signals) x (signals, signals) x (signals, 1), for every ISO.
        variance = (weight[:, None] @ model.covariance @ weight[..., None])[:, 0, 0]
        snr = frame_snr(model.log_sigma, band, model.output_scale)
        out[key] = BandNoise(snr, weight, np.maximum(variance, 0.0))
    return out


def isos_at(log2_snr: Floats, wanted: ArrayLike) -> Floats:
    """log2 ISO at which falling SNR curves over ISO_GRID (ISO_GRID, ...) reach what is `wanted` (...), log2;
    -inf where even the lowest ISO of the grid is too noisy, inf where none is."""
    wanted = np.asarray(wanted)
    curves = np.broadcast_to(log2_snr, (len(log2_snr), *wanted.shape))
    last = len(curves) - 1
    # The first place of the grid at which the curve lies below what is wanted.
    below = np.sum(curves >= wanted, axis=0)
    right = np.clip(below, 1, last)
    low, high = (np.take_along_axis(curves, at[None], axis=0)[0] for at in (right, right - 1))
    share = (high - wanted) / np.maximum(high - low, 1e-9)
    found = _LOG_ISO[right - 1] + share * (_LOG_ISO[right] - _LOG_ISO[right - 1])
    return np.where(below == 0, -np.inf, np.where(below > last, np.inf, found))


def iso_interval(log2_snr: Floats, half: Floats, wanted: ArrayLike) -> Floats:
    """`isos_at`, with ends: (3, ...) best, low, high.

    An end is where the end of the SNR's own interval, `half` as wide (natural log), reaches what is wanted:
    of curves that fall, just the share lies below it that lies below the SNR's end. Noise never falls with
    ISO at a given signal, so that what bounds the SNR at one ISO bounds it on one side of that ISO too.
    """
    off = half / math.log(2)
    best = np.minimum.accumulate(log2_snr, axis=0)
    high = np.minimum.accumulate(log2_snr + off, axis=0)
    low = np.maximum.accumulate((log2_snr - off)[::-1], axis=0)[::-1]
    curves = best, np.minimum(low, best), np.maximum(high, best)
    return np.stack([isos_at(curve, wanted) for curve in curves])


def third(log2_iso: float, rounding: str = "near") -> int:
    """Engraved ISO at, not above or not below a value: 'near', 'down' or 'up'."""
    return int(thirds(np.array(log2_iso), rounding))


def thirds(log2_iso: Floats, rounding: str = "near") -> NDArray[np.int64]:
    """`third` of many."""
    steps = 3 * (log2_iso - math.log2(100))
    rounded = {
        "near": np.rint(steps),
        "down": np.floor(steps + 3 * ROUNDED),
        "up": np.ceil(steps - 3 * ROUNDED),
    }[rounding]
    index = np.clip(rounded - round(3 * math.log2(ISO_GRID[0] / 100)), 0, len(ISO_GRID) - 1)
    return np.asarray(ISO_GRID)[index.astype(int)]


def highest_isos(model: NoiseModel, look: BandNoise, snrs: Sequence[float], share: float) -> Floats:
    """log2 ISO up to which a typical frame of a band has at least each SNR, (3, SNRs): best, low, high."""
    half = model.half_width(look.variance, share)
    return iso_interval(look.snr[:, None], half[:, None], np.log2(snrs))


def no_noise_seen(noise: NoiseModel) -> list[Unseen]:
    """ISO steps at which no frame's noise could be measured at any signal, with their frames."""
    limits, measured = noise.cells.limits, set(noise.cells.iso)
    return [
        {"iso": int(iso), "frames": int(limits.frames[limits.iso == iso].max())}
        for iso in np.unique(limits.iso)
        if iso not in measured
    ]


def usable_iso(noise: NoiseModel, found: Floats, snr: float) -> tuple[int | None, UsableDetail]:
    """Usable ISO in third stops, not above what was `found` (3,; `highest_isos`), with bounds and what kind
    of answer."""
    best, low, high = found.tolist()
    used = np.log2(noise.isos)
    floor, ceiling = used.min(), used.max() + REACH
    detail: UsableDetail = {
        "snr": snr, "predicted": False, "reason": None, "low": None, "high": None,
    }  # fmt: skip
    if not len(noise.cells.iso):
        return _nothing_measured(noise, snr, min(low, ceiling), detail)
    if best < floor - HALF_THIRD:
        detail["reason"] = f"not reached at ISO {noise.isos[0]}, the lowest used"
        return None, detail
    if best > ceiling:
        best, high = ceiling, ceiling
        low = min(low, ceiling)
        detail["reason"] = f"likely higher still; ISO {noise.isos[-1]} is the highest used"
    low = max(low, floor - 1)
    detail["low"], detail["high"] = third(low, "down"), third(high, "up")
    value = third(best, "down")
    detail["predicted"] = value not in noise.measured_isos
    detail["exact"] = round(2.0 ** float(best), 1)
    return value, detail


def _nothing_measured(
    noise: NoiseModel, snr: float, low: float, detail: UsableDetail
) -> tuple[int | None, UsableDetail]:
    """Usable ISO of a body of which no frame showed measurable noise: what it is at least, so that
    nothing that was only assumed stands as a finding."""
    clean = [u["iso"] for u in no_noise_seen(noise) if u["iso"] in _clean_isos(noise, snr)]
    at_least = max([low, *np.log2(clean)])
    if at_least < np.log2(noise.isos[0]) - HALF_THIRD:
        detail["reason"] = f"not told: texture hides it at ISO {noise.isos[0]} and up"
        return None, detail
    value = third(at_least, "down")
    seen = clean[-1] if clean else noise.isos[0]
    detail["low"], detail["predicted"] = value, not clean or value > seen
    detail["reason"] = f"likely higher still; no noise was seen up to ISO {seen}"
    detail["exact"] = round(2.0 ** float(at_least), 1)
    return value, detail


def _clean_isos(noise: NoiseModel, snr: float) -> set[int]:
    """ISO steps at which noise, if any, is less than coding shows at some brightness, and that little
    enough: in lightness a code value of the sRGB curve is nearly alike at all brightnesses."""
    limits = noise.cells.limits
    code = sigma_code(limits.signal, np.exp(limits.log_sigma))
    scale = np.interp(limits.iso, ISO_GRID, noise.output_scale)
    reached = MID_GREY / (code * scale) * sigma_code(np.array(MID_GREY), np.array(1.0)) >= snr
    return {int(i) for i in limits.iso[reached & (code <= CODE_HIDDEN)]}


def snr_by_iso(noise: NoiseModel, look: BandNoise, share: float) -> list[BandSnr]:
    """The SNR of a typical frame at each full or used ISO within reach."""
    grid = np.array(ISO_GRID)
    above, beyond = (np.log2(grid / noise.isos[end]) for end in (0, -1))
    rows = np.flatnonzero((above >= -HALF_THIRD) & (beyond <= REACH + HALF_THIRD))
    best = look.snr[rows]
    half = noise.half_width(look.variance[rows], share) / math.log(2)
    measured = noise.measured_isos
    return [
        {
            "iso": iso,
            "snr": float(2**middle),
            "low": float(2**least),
            "high": float(2**most),
            "predicted": iso not in measured,
        }
        for iso, middle, least, most in zip(
            grid[rows].tolist(), best, best - half, best + half, strict=True
        )
    ]
