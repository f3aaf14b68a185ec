"""Closed-form optics: no pictures, no files, only formulas.

Frequencies are in cycles per pixel (c/px), blur in pixels, pitch and wavelength in micrometres.
"""

from __future__ import annotations

from typing import Final, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "GREEN_UM",
    "blur_sigma_for_mtf50",
    "circle_of_confusion_um",
    "diffraction_mtf",
    "gaussian_mtf",
    "hyperfocal_m",
    "mtf50",
    "pixel_mtf",
    "system_mtf",
    "unsharp_mtf",
]

GREEN_UM: Final = 0.55
"""Wavelength of green light, where both the eye and a mosaic sensor weigh most."""
_HALVINGS: Final = 40
"""Steps of a bisection: they leave 1e-12 of where it began."""

Floats = NDArray[np.float64]
Number = TypeVar("Number", float, Floats)


def diffraction_mtf(
    freq_cpp: ArrayLike, f_number: ArrayLike, pitch_um: ArrayLike, wavelength_um: float = GREEN_UM
) -> Floats:
    """MTF of an aberration-free circular aperture in incoherent light.

    2/pi (acos x - x sqrt(1 - x^2)) with x = wavelength * N * f, zero beyond the cut-off x = 1.

    Parameters
    ----------
    freq_cpp : array_like
        Spatial frequencies in cycles per pixel.
    f_number : array_like
        f-number N.
    pitch_um : array_like
        Pixel pitch in micrometres; it brings the frequency to cycles per micrometre.
    wavelength_um : float
        Wavelength in micrometres.

    Returns
    -------
    ndarray of float64
        MTF, 0 to 1, in the shape to which the arguments broadcast.

    References
    ----------
    Goodman, Introduction to Fourier Optics, section on the incoherent OTF.
    """
    freq = np.asarray(freq_cpp, float)
    x = np.abs(freq) * wavelength_um * np.asarray(f_number, float) / np.asarray(pitch_um, float)
    x = np.minimum(x, 1.0)
    return np.asarray(2 / np.pi * (np.arccos(x) - x * np.sqrt(1 - x * x)))


def pixel_mtf(freq_cpp: ArrayLike) -> Floats:
    """MTF of a square pixel with full fill factor, |sinc f|.

    Parameters
    ----------
    freq_cpp : array_like
        Spatial frequencies in cycles per pixel, along one axis of the grid.

    Returns
    -------
    ndarray of float64
        MTF, 0 to 1, of the same shape; its first zero lies at 1 cycle per pixel.

    References
    ----------
    Goodman, Introduction to Fourier Optics.
    """
    return np.abs(np.sinc(np.asarray(freq_cpp, float)))


def gaussian_mtf(freq_cpp: ArrayLike, sigma_px: ArrayLike) -> Floats:
    """MTF of a Gaussian blur, exp(-2 (pi s f)^2); its MTF50 lies at 0.1874 / s.

    Parameters
    ----------
    freq_cpp : array_like
        Spatial frequencies in cycles per pixel.
    sigma_px : array_like
        Standard deviation s of the point-spread function in pixels; broadcasts against `freq_cpp`.

    Returns
    -------
    ndarray of float64
        MTF, 0 to 1.
    """
    product = np.pi * np.asarray(sigma_px, float) * np.asarray(freq_cpp, float)
    return np.asarray(np.exp(-2 * product**2))


def unsharp_mtf(freq_cpp: ArrayLike, amount: ArrayLike, sigma_px: ArrayLike = 1.0) -> Floats:
    """Transfer function of an unsharp mask, 1 + amount (1 - G), G that of its Gaussian blur.

    Parameters
    ----------
    freq_cpp : array_like
        Spatial frequencies in cycles per pixel.
    amount : array_like
        How much of the difference from the blurred copy is added; broadcasts against `freq_cpp`.
    sigma_px : array_like
        Standard deviation of the blur in pixels (of 1: common practice, no source).

    Returns
    -------
    ndarray of float64
        Above 1 where it sharpens.

    References
    ----------
    Gonzalez & Woods, Digital Image Processing, unsharp masking.
    """
    return np.asarray(1 + np.asarray(amount) * (1 - gaussian_mtf(freq_cpp, sigma_px)))


def system_mtf(
    freq_cpp: ArrayLike,
    f_number: ArrayLike,
    pitch_um: ArrayLike,
    blur_px: ArrayLike = 0.0,
    wavelength_um: float = GREEN_UM,
) -> Floats:
    """MTF of diffraction, pixel and a Gaussian remainder, multiplied.

    Parameters
    ----------
    freq_cpp : array_like
        Spatial frequencies in cycles per pixel.
    f_number, pitch_um : array_like
        f-number, and pixel pitch in micrometres.
    blur_px : array_like
        Standard deviation of the Gaussian in pixels, for everything that is neither diffraction nor pixel.
    wavelength_um : float
        Wavelength in micrometres.

    Returns
    -------
    ndarray of float64
        MTF, 0 to 1, in the shape to which the arguments broadcast.
    """
    return (
        diffraction_mtf(freq_cpp, f_number, pitch_um, wavelength_um)
        * pixel_mtf(freq_cpp)
        * gaussian_mtf(freq_cpp, blur_px)
    )


def mtf50(
    f_number: ArrayLike,
    pitch_um: ArrayLike,
    blur_px: ArrayLike = 0.0,
    wavelength_um: float = GREEN_UM,
) -> Floats:
    """Frequency at which `system_mtf` falls to one half.

    Found by bisection between 0 and 1 c/px; the system MTF is monotone there because the pixel's
    sinc has its first zero at 1 c/px.

    Parameters
    ----------
    f_number, pitch_um : array_like
        f-number, and pixel pitch in micrometres.
    blur_px : array_like
        Standard deviation of the Gaussian remainder in pixels.
    wavelength_um : float
        Wavelength in micrometres.

    Returns
    -------
    ndarray of float64
        MTF50 in cycles per pixel, in the shape to which the arguments broadcast.
    """
    n, pitch, blur = np.broadcast_arrays(
        np.asarray(f_number, float), np.asarray(pitch_um, float), np.asarray(blur_px, float)
    )
    low, high = np.zeros(n.shape), np.ones(n.shape)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        above = system_mtf(middle, n, pitch, blur, wavelength_um) > 0.5
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.asarray((low + high) / 2)


def blur_sigma_for_mtf50(mtf50_cpp: ArrayLike) -> Floats:
    """Standard deviation of the Gaussian blur that has a given MTF50, sqrt(ln 2 / 2) / (pi f).

    Parameters
    ----------
    mtf50_cpp : array_like
        MTF50 in cycles per pixel.

    Returns
    -------
    ndarray of float64
        Standard deviation in pixels.
    """
    return np.asarray(np.sqrt(np.log(2) / 2) / np.pi / np.asarray(mtf50_cpp, float))


def circle_of_confusion_um(pitch_um: Number, pixels: float = 2.0) -> Number:
    """Diameter of the blur circle that a criterion of so many pixels allows.

    Parameters
    ----------
    pitch_um : float or ndarray of float64
        Pixel pitch in micrometres.
    pixels : float
        Diameter that is allowed, in pixels.

    Returns
    -------
    float or ndarray of float64
        Diameter in micrometres on the sensor.
    """
    return pitch_um * pixels


def hyperfocal_m(focal_length_mm: Number, f_number: Number, coc_um: Number) -> Number:
    """Hyperfocal distance f^2 / (N c) + f of geometric optics.

    Parameters
    ----------
    focal_length_mm : float or ndarray of float64
        Focal length f in millimetres.
    f_number : float or ndarray of float64
        f-number N.
    coc_um : float or ndarray of float64
        Diameter c of the circle of confusion in micrometres.

    Returns
    -------
    float or ndarray of float64
        Distance in metres.
    """
    coc_mm = coc_um / 1000
    return (focal_length_mm**2 / (f_number * coc_mm) + focal_length_mm) / 1000
