"""What the eye sees of a picture at a size and from a distance: closed formulas, no pictures.

Sharpness is weighed by Barten's square-root integral, one unit of which is one just noticeable
difference. Frequencies are in cycles per degree (cpd) at the eye unless a name says otherwise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from auditor.optics import (
    diffraction_mtf,
    gaussian_mtf,
    pixel_mtf,
    unsharp_mtf,
)

__all__ = [
    "JND",
    "LUMINANCE",
    "REMAINDER",
    "SCREEN_DISTANCE_CM",
    "SCREEN_PIXEL_MM",
    "Viewing",
    "contrast_sensitivity",
    "curve_mtf",
    "noise_threshold",
    "quality",
    "screen",
    "square_root_integral",
]

Floats = NDArray[np.float64]

JND: Final = 1.0
"""Units of the square-root integral from which a difference counts as visible."""
LUMINANCE: Final = 30.0
"""Mean luminance (cd/m2) of what is looked at: a picture that reflects 18% of 500 lux (practical
appraisal of prints in ISO 3664, from memory), E * reflectance / pi = 29; screens are much alike."""
SCREEN_PIXEL_MM: Final = 0.233
"""Pixel of a desktop screen of 109 pixels per inch (common practice, no source)."""
SCREEN_DISTANCE_CM: Final = 60.0
"""Distance of the eye from a desktop screen (common practice, no source)."""
_SCREEN_SIZE_CM: Final = 45.0
"""Square root of the area of such a screen, 60 cm x 34 cm."""
_SIDES: Final = math.sqrt(2 / 3)
"""Square root of the area of a 3:2 picture over its long side."""
_LOWEST_CPD: Final = 0.1
"""Cycles per degree from which the integral runs: below, no blur of a lens is left."""
_HIGHEST_CPD: Final = 60.0
"""To where it runs: above, the eye sees nothing."""
_POINTS: Final = 160
"""Frequencies at which it is summed."""
_WIDE_DEG: Final = 40.0
"""Square root of the area of a picture that fills the view, in degrees."""
_GAIN: Final = (540.0, 0.7, -0.2, 12.0)
"""Barten's (1989) figures of the eye's sensitivity: a = 540 (1 + 0.7 / L)^-0.2 / (1 + 12 / (w (1 + u / 3)^2)),"""
_FALL: Final = (0.3, 0.15)
"""b = 0.3 (1 + 100 / L)^0.15,"""
_TURN: Final = 0.06
"""c; see `contrast_sensitivity`."""
_EYE_CYCLES: Final = 15.0
"""Cycles within which the eye integrates (Barten 1999, from memory),"""
_EYE_DEG: Final = 12.0
"""and degrees."""
_MM_PER_CM: Final = 10
"""Millimetres of a centimetre."""
_MOST_SHARPENED: Final = 1.8
"""The most sharpening that a curve is taken to have: the most that curves are fitted with (`infer.lenses.physics`)."""
REMAINDER: Final = 1.7
"""Index n of the remainder exp(-(f / fc)^n): between what pupils with mixed aberrations leave and a Gaussian it errs
least where it errs most (`test_viewing`). The form and an index of 1.1 to 2.1 are of C. B. Johnson, Photogr. Sci. Eng.
14, 1970 (from memory)."""


@dataclass(frozen=True, slots=True)
class Viewing:
    """How a picture is looked at.

    Attributes
    ----------
    name : str
        In words: '60 cm print from 50 cm'.
    distance_cm : float
        From the eye.
    width_cm : float or None
        Long side of the print; None for one pixel of the file on one of the screen.
    """

    name: str
    distance_cm: float
    width_cm: float | None = None

    @classmethod
    def of_print(cls, width_cm: float, distance_cm: float) -> Viewing:
        """A print of this size, looked at from this distance.

        Parameters
        ----------
        width_cm, distance_cm : float
            Long side of the print, and distance of the eye, in centimetres.

        Returns
        -------
        Viewing
            With a name such as '60 cm print from 50 cm'.
        """
        name = f"{width_cm:g} cm print from {distance_cm:g} cm"
        return cls(name, distance_cm, width_cm)

    def pixels_per_degree(self, width_px: float) -> float:
        """Pixels of the file in one degree of the visual field.

        Parameters
        ----------
        width_px : float
            Long side of the file in pixels.

        Returns
        -------
        float
            Pixels per degree, for small angles; on a screen it does not depend on `width_px`.
        """
        pixel = SCREEN_PIXEL_MM / _MM_PER_CM if self.width_cm is None else self.width_cm / width_px
        return self.distance_cm * math.radians(1) / pixel

    @property
    def size_deg(self) -> float:
        """Square root of the picture's area, degrees at the eye."""
        side = _SCREEN_SIZE_CM if self.width_cm is None else self.width_cm * _SIDES
        return 2 * math.degrees(math.atan(side / 2 / self.distance_cm))


def screen() -> Viewing:
    """Looking at 100% (one pixel of the file on one of the screen) on a desktop screen.

    Returns
    -------
    Viewing
        With the distance `SCREEN_DISTANCE_CM`, and no width.
    """
    return Viewing("screen at 100%", SCREEN_DISTANCE_CM)


def contrast_sensitivity(
    freq_cpd: ArrayLike, luminance: float = LUMINANCE, size_deg: float = _WIDE_DEG
) -> Floats:
    """Contrast sensitivity of the eye, one over the threshold modulation of a sine grating.

    S(u) = a u exp(-b u) sqrt(1 + c exp(b u)) with
    a = 540 (1 + 0.7 / L)^-0.2 / (1 + 12 / (w (1 + u / 3)^2)), b = 0.3 (1 + 100 / L)^0.15, c = 0.06.

    Parameters
    ----------
    freq_cpd : array_like
        Spatial frequencies u in cycles per degree.
    luminance : float
        Mean luminance L in cd/m2.
    size_deg : float
        Square root w of the picture's area in degrees.

    Returns
    -------
    ndarray of float64
        Sensitivity at each frequency, dimensionless.

    References
    ----------
    Barten, The square root integral (SQRI): a new metric to describe the effect of various display parameters
    on perceived image quality, Proc. SPIE 1077, 1989.
    """
    u = np.asarray(freq_cpd, float)
    most, glare, by_light, by_size = _GAIN
    a = most * (1 + glare / luminance) ** by_light / (1 + by_size / (size_deg * (1 + u / 3) ** 2))
    b = _FALL[0] * (1 + 100 / luminance) ** _FALL[1]
    return np.asarray(a * u * np.exp(-b * u) * np.sqrt(1 + _TURN * np.exp(b * u)))


def square_root_integral(freq_cpd: Floats, mtf: Floats, threshold: Floats) -> Floats:
    """Barten's square-root integral J = 1 / ln 2 * integral of sqrt(M(u) / Mt(u)) du / u.

    Parameters
    ----------
    freq_cpd : (U,) ndarray of float64
        Spatial frequencies u in cycles per degree, ascending.
    mtf : (..., U) ndarray of float64
        MTF M of the picture; below 0 it counts as 0.
    threshold : (..., U) ndarray of float64
        The eye's threshold modulation Mt, one over contrast sensitivity.

    Returns
    -------
    (...) ndarray of float64
        J in just noticeable differences, by the trapezoidal rule over ln u.

    References
    ----------
    Barten 1989, as in `contrast_sensitivity`.
    """
    root = np.sqrt(np.maximum(mtf, 0) / threshold)
    means = (root[..., 1:] + root[..., :-1]) / 2
    return np.asarray((means * np.diff(np.log(freq_cpd))).sum(-1) / math.log(2))


def noise_threshold(freq_cpd: Floats, density_deg2: ArrayLike, size_deg: float) -> Floats:
    """Threshold modulation that static noise in the picture alone would leave.

    k sqrt(2 (1 / X0^2 + 1 / Xmax^2 + u^2 / Nmax^2) P), with k = 3 the signal to noise that detection
    takes, Xmax = 12 degrees and Nmax = 15 cycles the limits within which the eye integrates. It adds to
    the eye's own threshold by squares.

    Parameters
    ----------
    freq_cpd : (U,) ndarray of float64
        Spatial frequencies u in cycles per degree.
    density_deg2 : array_like
        Power spectral density P of the noise relative to the mean, in square degrees, (...).
    size_deg : float
        Square root X0 of the picture's area in degrees.

    Returns
    -------
    (..., U) ndarray of float64
        Threshold modulation, dimensionless.

    References
    ----------
    Barten, Contrast Sensitivity of the Human Eye and its Effects on Image Quality, SPIE Press 1999, chapters
    2 and 3 (constants from there, from memory).
    """
    window = 1 / size_deg**2 + 1 / _EYE_DEG**2 + freq_cpd**2 / _EYE_CYCLES**2
    return np.asarray(3 * np.sqrt(2 * window * np.asarray(density_deg2, float)[..., None]))


def curve_mtf(
    freq_cpp: ArrayLike, mtf50_cpp: ArrayLike, f_number: ArrayLike, pitch_um: float,
    sharpening: float = 0.0, power: float = REMAINDER,
) -> Floats:  # fmt: skip
    """Whole system's MTF from the one figure that is measured of it, its MTF50.

    Diffraction and pixel as known from f-number and pitch, the development's sharpening (amount of an
    unsharp mask of one pixel) as far as it is known, and a remainder exp(-(f / fc)^power) that puts the
    curve's half at `mtf50_cpp`. Where it lies higher than these allow, files are sharpened by more, up to
    `_MOST_SHARPENED`.

    Parameters
    ----------
    freq_cpp : array_like
        Spatial frequencies in cycles per pixel, (U,).
    mtf50_cpp, f_number : array_like
        The system's MTF50 in cycles per pixel, and the f-number, (...).
    pitch_um : float
        Pixel pitch in micrometres.
    sharpening : float
        Amount of the unsharp mask that is known, a share of the detail it adds.
    power : float
        Exponent of the remainder.

    Returns
    -------
    (..., U) ndarray of float64
        MTF; above 1 where sharpening lifts it.
    """
    freq = np.asarray(freq_cpp, float)
    half = np.asarray(mtf50_cpp, float)[..., None]
    number = np.asarray(f_number, float)[..., None]
    unsharpened = np.maximum(diffraction_mtf(half, number, pitch_um) * pixel_mtf(half), 1e-6)
    needed = (0.5 / unsharpened - 1) / (1 - gaussian_mtf(half, 1.0))
    amount = np.clip(needed, sharpening, max(sharpening, _MOST_SHARPENED))

    def known(f: Floats) -> Floats:
        unsharpened = diffraction_mtf(f, number, pitch_um) * pixel_mtf(f)
        return np.asarray(unsharpened * unsharp_mtf(f, amount))

    remainder = np.log(np.maximum(2 * known(half), 1.0))
    return np.asarray(known(freq) * np.exp(-remainder * (freq / half) ** power))


def quality(
    mtf50_cpp: ArrayLike, f_number: ArrayLike, pitch_um: float, width_px: float, viewing: Viewing,
    noise: ArrayLike = 0.0, sharpening: float = 0.0, power: float = REMAINDER,
) -> Floats:  # fmt: skip
    """Square-root integral of a picture as it is looked at.

    A print's own dots are taken to be finer than the eye; a screen's pixel blurs by its width. The
    picture holds nothing above half a cycle per pixel.

    Parameters
    ----------
    mtf50_cpp, f_number : array_like
        The system's MTF50 in cycles per pixel of the file, and the f-number, (...).
    pitch_um, width_px : float
        Pixel pitch in micrometres, and long side of the file in pixels.
    viewing : Viewing
        Size and distance.
    noise : array_like
        Standard deviation of a pixel over the mean, white noise, (...).
    sharpening, power : float
        As in `curve_mtf`.

    Returns
    -------
    (...) ndarray of float64
        Just noticeable differences; only their differences mean anything.
    """
    ppd = viewing.pixels_per_degree(width_px)
    cpd, eye = _eye(viewing, ppd)
    mtf = curve_mtf(cpd / ppd, mtf50_cpp, f_number, pitch_um, sharpening, power)
    if viewing.width_cm is None:
        mtf = mtf * pixel_mtf(cpd / ppd)
    share = np.asarray(noise, float)
    if share.any():
        eye = np.hypot(eye, noise_threshold(cpd, (share / ppd) ** 2, viewing.size_deg))
    return square_root_integral(cpd, mtf, eye)


@lru_cache(maxsize=256)
def _eye(viewing: Viewing, ppd: float) -> tuple[Floats, Floats]:
    """Cycles per degree up to half a cycle per pixel, and the eye's threshold modulation at each."""
    top = min(_HIGHEST_CPD, 0.5 * ppd)
    cpd = np.geomspace(min(_LOWEST_CPD, top / 2), top, _POINTS)
    return cpd, 1 / contrast_sensitivity(cpd, LUMINANCE, viewing.size_deg)
