"""What a lens should show: its inferred curve where there is one, the optics otherwise."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from auditor.infer.lenses.grouping import within_range
from auditor.optics import blur_sigma_for_mtf50, mtf50
from auditor.record import ZONES

__all__ = ["USUAL_BLUR", "added_blur_px", "expected_log_mtf50", "find_range"]

Floats = NDArray[np.float64]

USUAL_BLUR: Final = (0.5, 0.6, 0.75)
"""Blur in px assumed per zone where no curve is known; only ratios between apertures come of it."""
_GRID: Final = np.linspace(0.0, 6.0, 301)
"""Blur in px that a figure is turned into: beyond 6 px nothing is told, and 0.02 px is 0.5% of MTF50."""


def find_range(
    lenses: Sequence[Mapping[str, Any]],
    lens: str,
    body: str,
    converter: str | None,
    focal_mm: float,
) -> Mapping[str, Any] | None:
    """The focal range of a lens's entry that holds a focal length."""
    for entry in lenses:
        if (entry["lens"], entry["body"], entry["converter"]) != (lens, body, converter):
            continue
        for part in entry["focal_ranges"]:
            bounds = part.get("focal_mm")
            if bounds is None or bool(within_range(bounds, focal_mm)):
                return part
    return None


def expected_log_mtf50(
    part: Mapping[str, Any] | None, f_number: ArrayLike, pitch_um: float
) -> tuple[Floats, NDArray[np.bool_]]:
    """Log MTF50 per zone at apertures (n,) -> (n, Z), and which zones come from the lens's curve."""
    n = np.atleast_1d(np.asarray(f_number, float))
    out = np.log(mtf50(n[:, None], pitch_um, np.array(USUAL_BLUR)[None, :]))
    known = np.zeros(len(ZONES), bool)
    if part is None:
        return out, known
    for z, zone in enumerate(ZONES):
        points = sorted(
            (a["f_number"], a[zone]["mtf50_cpp"]) for a in part["apertures"] if a.get(zone)
        )
        if points:
            x, y = np.log2([p[0] for p in points]), np.log([p[1] for p in points])
            at = np.log2(n)
            # Past the ends only the optics' slope is added.
            inside = np.clip(at, x[0], x[-1])
            past = inside != at
            slope = np.zeros(len(n))
            if past.any():
                ends = mtf50(2 ** inside[past], pitch_um, USUAL_BLUR[z])
                slope[past] = out[past, z] - np.log(ends)
            out[:, z] = np.interp(inside, x, y) + slope
            known[z] = True
    return out, known


def _blur_px(log_mtf50: ArrayLike, f_number: float, pitch_um: float) -> Floats:
    """Gaussian blur (px) of a lens that shows this MTF50 behind diffraction and pixel, 0 where they alone
    would leave less."""
    family = np.log(mtf50(f_number, pitch_um, _GRID))
    return np.interp(-np.asarray(log_mtf50), -family, _GRID)


def added_blur_px(base_log: Floats, delta: Floats, f_number: float, pitch_um: float) -> Floats:
    """Squared Gaussian blur (px^2, negative for sharper) that turns exp(base) into exp(base + delta).

    Through the system family (diffraction, pixel, Gaussian) where the bare frame lies within it;
    sharpened files lie above it, for them the equivalent Gaussians are compared.
    """
    with_it = base_log + delta
    through = (
        _blur_px(with_it, f_number, pitch_um) ** 2 - _blur_px(base_log, f_number, pitch_um) ** 2
    )
    plain = blur_sigma_for_mtf50(np.exp(with_it)) ** 2 - blur_sigma_for_mtf50(np.exp(base_log)) ** 2
    inside = np.maximum(base_log, with_it) < np.log(mtf50(f_number, pitch_um, 0.0))
    return np.asarray(np.where(inside, through, plain))
