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
"""Blur in px that a figure is turned into: beyond 6 px nothing can be said, and 0.02 px is 0.5% of MTF50."""


def find_range(
    lenses: Sequence[Mapping[str, Any]],
    lens: str,
    body: str,
    converter: str | None,
    focal_mm: float,
) -> Mapping[str, Any] | None:
    """The focal range of a lens's entry that holds a focal length.

    Parameters
    ----------
    lenses : sequence of mapping
        The profile's `lenses`.
    lens, body : str
        Names.
    converter : str or None
        Name of the converter.
    focal_mm : float
        Focal length.

    Returns
    -------
    mapping or None
        One of `focal_ranges`.
    """
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
) -> Floats:
    """What a lens should show: its inferred curve where there is one, usual optics otherwise.

    Parameters
    ----------
    part : mapping or None
        One of `focal_ranges` of the profile, with `apertures`.
    f_number : array_like, shape (n,)
        Apertures; between those of the curve interpolated over stops, past its ends by the slope of optics.
    pitch_um : float
        Pixel pitch in micrometres.

    Returns
    -------
    ndarray of float64, shape (n, Z)
        ln MTF50, cycles per pixel.
    """
    n = np.atleast_1d(np.asarray(f_number, float))
    out = np.log(mtf50(n[:, None], pitch_um, np.array(USUAL_BLUR)[None, :]))
    apertures = [] if part is None else part["apertures"]
    for z, zone in enumerate(ZONES):
        points = sorted((a["f_number"], a[zone]["mtf50_cpp"]) for a in apertures if a.get(zone))
        if points:
            x, y = np.log2([p[0] for p in points]), np.log([p[1] for p in points])
            # Past the ends only the optics' slope is added.
            inside = np.clip(np.log2(n), x[0], x[-1])
            out[:, z] += np.interp(inside, x, y) - np.log(mtf50(2**inside, pitch_um, USUAL_BLUR[z]))
    return np.asarray(out)


def _blur_px(log_mtf50: ArrayLike, f_number: float, pitch_um: float) -> Floats:
    """Gaussian blur (px) of a lens that shows this MTF50 behind diffraction and pixel, 0 where they alone
    would leave less."""
    family = np.log(mtf50(f_number, pitch_um, _GRID))
    return np.interp(-np.asarray(log_mtf50), -family, _GRID)


def added_blur_px(base_log: Floats, delta: Floats, f_number: float, pitch_um: float) -> Floats:
    """Squared Gaussian blur that turns one MTF50 into another.

    Through the system family (diffraction, pixel, Gaussian) where both lie within it; sharpened files lie
    above it, for them the equivalent Gaussians are compared.

    Parameters
    ----------
    base_log : ndarray of float64
        ln MTF50 without the accessory, cycles per pixel.
    delta : ndarray of float64
        Change of it.
    f_number : float
        Aperture.
    pitch_um : float
        Pixel pitch in micrometres.

    Returns
    -------
    ndarray of float64
        px^2, negative for sharper.
    """
    changed = base_log + delta
    by_system = (
        _blur_px(changed, f_number, pitch_um) ** 2 - _blur_px(base_log, f_number, pitch_um) ** 2
    )
    by_gaussian = (
        blur_sigma_for_mtf50(np.exp(changed)) ** 2 - blur_sigma_for_mtf50(np.exp(base_log)) ** 2
    )
    inside = np.maximum(base_log, changed) < np.log(mtf50(f_number, pitch_um, 0.0))
    return np.asarray(np.where(inside, by_system, by_gaussian))
