"""How far ISO can go: highest ISO at which a typical frame of a band still has an SNR."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.infer.bodies.observe import sigma_code
from auditor.infer.bodies.response import ISO_GRID, NoiseModel
from auditor.infer.bodies.visible import (
    EXTRAPOLATION_STOPS,
    HALF_THIRD,
    BandNoise,
    engraved_iso,
    iso_interval,
)
from auditor.model import BandSnr, Unseen, UsableDetail
from auditor.record import MID_GREY

__all__ = ["highest_isos", "isos_without_noise", "snr_by_iso", "usable_iso"]

Floats = NDArray[np.float64]


CODE_HIDDEN: Final = 1.5
"""Code values of 8 bits up to which a bound comes from coding rather than from texture."""


def highest_isos(
    model: NoiseModel, band_noise: BandNoise, snrs: Sequence[float], share: float
) -> Floats:
    """ISO up to which a typical frame of a band has at least each of some SNRs.

    Parameters
    ----------
    model : NoiseModel
        Noise of the body.
    band_noise : BandNoise
        Its typical frame in the band.
    snrs : sequence of float
        SNRs to keep, as ratios.
    share : float
        Share of the truth that the interval is meant to hold.

    Returns
    -------
    ndarray of float64, shape (3, SNRs)
        Best value, low and high end, log2 ISO.
    """
    half = model.half_width(band_noise.variance, share)
    return iso_interval(band_noise.snr[:, None], half[:, None], np.log2(snrs))


def isos_without_noise(noise: NoiseModel) -> list[Unseen]:
    """ISO steps at which no frame's noise could be measured at any signal.

    Parameters
    ----------
    noise : NoiseModel
        Noise of one body in one kind of file.

    Returns
    -------
    list of Unseen
        `iso` and `frames`, the most of any signal, ascending.
    """
    limits, measured = noise.cells.limits, set(noise.cells.iso)
    return [
        {"iso": int(iso), "frames": int(limits.frames[limits.iso == iso].max())}
        for iso in np.unique(limits.iso)
        if iso not in measured
    ]


def usable_iso(noise: NoiseModel, limits: Floats, snr: float) -> tuple[int | None, UsableDetail]:
    """Usable ISO of one body in one band, for one SNR.

    Parameters
    ----------
    noise : NoiseModel
        Noise of the body.
    limits : ndarray of float64, shape (3,)
        Best value, low and high end of the ISO at which the SNR is reached, log2 (`highest_isos`).
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
    used = np.log2(noise.isos)
    floor, ceiling = used.min(), used.max() + EXTRAPOLATION_STOPS
    detail: UsableDetail = {
        "snr": snr, "predicted": False, "reason": None, "low": None, "high": None,
    }  # fmt: skip
    if not len(noise.cells.iso):
        return _nothing_measured(noise, snr, min(low, ceiling), detail)
    if best < floor - HALF_THIRD:
        reason = f"not reached at ISO {noise.isos[0]}, the lowest used"
        if high >= floor:
            reason += f", though its 90% interval ends at ISO {engraved_iso(high, 'up')}"
        detail["reason"] = reason
        return None, detail
    if best > ceiling:
        best, high = ceiling, ceiling
        low = min(low, ceiling)
        detail["reason"] = f"likely higher still; ISO {noise.isos[-1]} is the highest used"
    low = max(low, floor - 1)
    detail["low"], detail["high"] = engraved_iso(low, "down"), engraved_iso(high, "up")
    value = engraved_iso(best, "down")
    detail["predicted"] = value not in noise.measured_isos
    detail["exact"] = round(2.0 ** float(best), 1)
    return value, detail


def _nothing_measured(
    noise: NoiseModel, snr: float, low: float, detail: UsableDetail
) -> tuple[int | None, UsableDetail]:
    """Usable ISO of a body of which no frame showed measurable noise: what it is at least, so that
    nothing that was only assumed stands as a finding."""
    clean = [u["iso"] for u in isos_without_noise(noise) if u["iso"] in _clean_isos(noise, snr)]
    at_least = max([low, *np.log2(clean)])
    if at_least < np.log2(noise.isos[0]) - HALF_THIRD:
        detail["reason"] = f"not told: texture hides it at ISO {noise.isos[0]} and up"
        return None, detail
    value = engraved_iso(at_least, "down")
    clean_to = clean[-1] if clean else noise.isos[0]
    detail["low"], detail["predicted"] = value, not clean or value > clean_to
    detail["reason"] = f"likely higher still; no noise was seen up to ISO {clean_to}"
    detail["exact"] = round(2.0 ** float(at_least), 1)
    return value, detail


def _clean_isos(noise: NoiseModel, snr: float) -> set[int]:
    """ISO steps at which noise, if any, is less than coding shows at some brightness, and that little
    enough: in lightness a code value of the sRGB curve is nearly the same at all brightnesses."""
    limits = noise.cells.limits
    code = sigma_code(limits.signal, np.exp(limits.log_sigma))
    scale = np.interp(limits.iso, ISO_GRID, noise.output_scale)
    reached = MID_GREY / (code * scale) * sigma_code(np.array(MID_GREY), np.array(1.0)) >= snr
    return {int(i) for i in limits.iso[reached & (code <= CODE_HIDDEN)]}


def snr_by_iso(noise: NoiseModel, band_noise: BandNoise, share: float) -> list[BandSnr]:
    """SNR of a typical frame at each ISO of the grid within reach of those used.

    Parameters
    ----------
    noise : NoiseModel
        Noise of the body.
    band_noise : BandNoise
        Its typical frame in one band.
    share : float
        Share of the truth that intervals are meant to hold.

    Returns
    -------
    list of BandSnr
        `iso`, `snr` with `low` and `high` as ratios, `predicted` where no noise was measured at that ISO.
    """
    grid = np.array(ISO_GRID)
    above, beyond = (np.log2(grid / noise.isos[end]) for end in (0, -1))
    rows = np.flatnonzero((above >= -HALF_THIRD) & (beyond <= EXTRAPOLATION_STOPS + HALF_THIRD))
    best = band_noise.snr[rows]
    half = noise.half_width(band_noise.variance[rows], share) / math.log(2)
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
