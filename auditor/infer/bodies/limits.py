"""How far ISO may go with one body in one band of light, and on what that rests."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.infer.bodies.observe import sigma_code
from auditor.infer.bodies.response import ISO_GRID, NoiseModel
from auditor.infer.bodies.visible import MID_TONE, BandNoise, third
from auditor.model import BandSnr, Unseen, UsableDetail

__all__ = ["HALF_THIRD", "REACH", "no_noise_seen", "snr_by_iso", "usable_iso"]

Floats = NDArray[np.float64]

REACH: Final = 1.0
"""Stops beyond the ISO values a body used within which its usable ISO is predicted; past that the
answer is only that it lies higher."""

HALF_THIRD: Final = 1 / 6
"""Half the step between engraved ISO values, in stops."""

CODE_HIDDEN: Final = 1.5
"""Code values of 8 bits up to which a bound comes from coding rather than from texture."""


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
    reached = MID_TONE / (code * scale) * sigma_code(np.array(MID_TONE), np.array(1.0)) >= snr
    return {int(i) for i in limits.iso[reached & (code <= CODE_HIDDEN)]}


def snr_by_iso(noise: NoiseModel, look: BandNoise, share: float) -> list[BandSnr]:
    """The SNR of a typical frame at each full or used ISO within reach."""
    grid = np.array(ISO_GRID)
    above, beyond = (np.log2(grid / noise.isos[end]) for end in (0, -1))
    rows = np.flatnonzero((above >= -HALF_THIRD) & (beyond <= REACH + HALF_THIRD))
    best = look.curves[0, rows]
    low, high = noise.interval(look.curves[1:, rows], best, share)
    measured = noise.measured_isos
    return [
        {
            "iso": iso,
            "snr": float(2**middle),
            "low": float(2**least),
            "high": float(2**most),
            "predicted": iso not in measured,
        }
        for iso, middle, least, most in zip(grid[rows].tolist(), best, low, high, strict=True)
    ]
