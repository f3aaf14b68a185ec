"""What optics allow a lens's curve to be: smooth in the f-number, with diffraction as the asymptote.

The system MTF50 of a zone is that of diffraction (known from f-number and pitch; Goodman, Introduction
to Fourier Optics), square pixel and a Gaussian remainder whose variance is floor^2 + wide^2 (N0 /
N)^(2 power): aberrations fall with the f-number and never grow. Sharpening by the camera, the same for
all zones, multiplies the MTF by 1 + amount (1 - exp(-2 pi^2 f^2)): the textbook's unsharp mask with a
Gaussian of one pixel (Gonzalez & Woods, Digital Image Processing). It may lift a curve beyond optics.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates, spline_filter

from auditor.optics import GREEN_UM, diffraction_mtf, gaussian_mtf, pixel_mtf, unsharp_mtf

__all__ = ["PARAMETERS", "STEP", "Optics", "blur_px", "prior_for"]

Floats = NDArray[np.float64]

PARAMETERS: Final = 3
"""Parameters of a zone's blur: ln floor (px), ln wide (px at the widest aperture), ln power."""

_CUTOFF: Final = np.linspace(np.log(0.04), np.log(12.0), 48)
"""ln of wavelength * N / pitch, px: what an aperture is by its diffraction."""
_AMOUNT: Final = np.linspace(-0.8, 1.8, 14)
"""Amounts of sharpening: unsharp masking with a Gaussian of 1 px, 1 doubling the highest frequencies; below 0 it softens.
Wider than any that was found: where the table ends slopes are nothing, and a fit goes to and fro across its end."""
_SOFT_PX: Final = 0.12
"""Blur in px up to which steps are even."""
_BLUR: Final = np.linspace(0.0, np.log1p(6.0 / _SOFT_PX), 28)
"""ln(1 + blur / 0.12 px): even steps where blur matters, up to 6 px."""

STEP: Final = 1e-4
"""Step of parameters of optics and of ln MTF50 for differences that stand for derivatives: its square, their error,
is far below what any figure shows."""
_SHARPENING: Final = {"raw": 0.03, "developed": 0.5}
"""How much a file is sharpened, as an amount (standard deviation about none). Common practice, no source; raw
mosaics are measured before any."""
_PRIOR: Final = np.log([0.35, 0.7, 1.3])
"""Prior means of a zone's parameters: a floor of 0.35 px, 0.7 px more at the widest aperture, which falls
with the power 1.3 of the f-number. Blur of third-order spherical aberration falls with the third power,
of defocus and field curvature with the first (textbook optics)."""
_PRIOR_SD: Final = np.array([0.8, 0.9, 0.25])
"""Their standard deviations in ln: more than a factor two either way, and a quarter of the power."""
_NO_BLUR: Final = (-4.0, -4.0, 0.0)
"""Parameters of a zone of a lens without any blur to speak of: 0.02 px."""
_FREQUENCIES: Final = np.linspace(0.003, 1.0, 700)
"""Cycles per pixel at which responses are worked out."""


@cache
def _table() -> Floats:
    """Spline coefficients of ln MTF50 over `_CUTOFF`, `_AMOUNT`, `_BLUR`."""
    freq = _FREQUENCIES
    fixed = diffraction_mtf(freq, np.exp(_CUTOFF)[:, None], 1.0, 1.0) * pixel_mtf(freq)
    sharpening = unsharp_mtf(freq, _AMOUNT[:, None])
    out = np.empty((len(_CUTOFF), len(_AMOUNT), len(_BLUR)))
    rows, columns = np.ogrid[: len(_CUTOFF), : len(_AMOUNT)]
    sharp = fixed[:, None] * sharpening[None]
    for j, blur in enumerate(_SOFT_PX * np.expm1(_BLUR)):
        mtf = sharp * gaussian_mtf(freq, blur)
        first_below = np.maximum((mtf < 0.5).argmax(2), 1)
        above, below = mtf[rows, columns, first_below - 1], mtf[rows, columns, first_below]
        share = np.clip((above - 0.5) / np.maximum(above - below, 1e-12), 0, 1)
        out[:, :, j] = np.log(freq[first_below - 1] + share * (freq[1] - freq[0]))
        # With more blur the half lies no higher.
        freq, sharp = freq[: first_below.max() + 1], sharp[..., : first_below.max() + 1]
    return np.asarray(spline_filter(out, mode="mirror"))


def blur_px(theta: Floats, ratio: Floats) -> Floats:
    """Remainder blur (px), (..., K), at `ratio` = widest / N (..., K), for parameters (..., 3)."""
    floor, wide, power = (np.exp(theta[..., j, None]) for j in range(PARAMETERS))
    return np.asarray(np.hypot(floor, wide * ratio**power))


@dataclass(frozen=True)
class Optics:
    """ln MTF50 at given apertures, of one lens or of several (leading axes ...).

    Attributes
    ----------
    f_numbers : ndarray of float64, shape (..., M)
        Apertures, ascending.
    pitch_um : ndarray of float64, shape (...)
        Pixel pitch in micrometres.
    widest : ndarray of float64, shape (...)
        The f-number to which the parameter `wide` refers.
    """

    f_numbers: Floats
    pitch_um: Floats
    widest: Floats

    @classmethod
    def at(cls, f_numbers: Floats, pitch_um: Floats) -> Optics:
        """At the apertures used (..., K)."""
        return cls(f_numbers, pitch_um, f_numbers[..., 0])

    def on(self, f_numbers: Floats) -> Optics:
        """The same optics at other apertures."""
        return Optics(f_numbers, self.pitch_um, self.widest)

    def curves(self, theta: Floats) -> Floats:
        """The model curve.

        Parameters
        ----------
        theta : ndarray of float64, shape (..., 3 Z + 1)
            For each zone ln floor (px), ln wide (px) and ln power; last the amount of sharpening.

        Returns
        -------
        ndarray of float64, shape (..., Z, M)
            ln MTF50, cycles per pixel, by cubic B-spline interpolation of a table.
        """
        zones, amount = theta[..., :-1], theta[..., -1:]
        zones = zones.reshape(*zones.shape[:-1], -1, PARAMETERS)
        cutoff = np.log(GREEN_UM * self.f_numbers / self.pitch_um[..., None])[..., None, :]
        ratio = (self.widest[..., None] / self.f_numbers)[..., None, :]
        blur = np.log1p(blur_px(zones, ratio) / _SOFT_PX)
        nodes = (cutoff, _CUTOFF), (amount[..., None], _AMOUNT), (blur, _BLUR)
        places = np.broadcast_arrays(*((at - axis[0]) / (axis[1] - axis[0]) for at, axis in nodes))
        return np.asarray(map_coordinates(_table(), places, mode="nearest", prefilter=False))

    def perfect(self, sharpening: float) -> Floats:
        """Curve of a lens without blur to speak of.

        Parameters
        ----------
        sharpening : float
            Amount by which its pictures were sharpened.

        Returns
        -------
        ndarray of float64, shape (M,)
            ln MTF50, cycles per pixel.
        """
        return self.curves(np.append(_NO_BLUR, sharpening))[0]

    def jacobian(self, theta: Floats) -> Floats:
        """Derivatives of `curves`, by differences.

        Parameters
        ----------
        theta : ndarray of float64, shape (..., P)
            As `curves` takes them.

        Returns
        -------
        ndarray of float64, shape (..., Z, M, P)
            By each parameter.
        """
        # The same parameter of all zones at once, none of which has a part in another's curve; last the sharpening.
        moved = np.append(np.arange(theta.shape[-1] - 1) % PARAMETERS, PARAMETERS)
        steps = STEP * np.equal.outer(np.arange(PARAMETERS + 1), moved)
        steps = steps.reshape(PARAMETERS + 1, *(1,) * (theta.ndim - 1), -1)
        slopes = (self.curves(theta + steps) - self.curves(theta - steps)) / (2 * STEP)
        slopes = np.moveaxis(slopes, 0, -1)
        out = np.zeros((*slopes.shape[:-1], theta.shape[-1]))
        out[..., -1] = slopes[..., -1]
        for zone in range(slopes.shape[-3]):
            at = PARAMETERS * zone
            out[..., zone, :, at : at + PARAMETERS] = slopes[..., zone, :, :PARAMETERS]
        return out


def prior_for(source: str, zones: int) -> tuple[Floats, Floats]:
    """Gaussian prior of the parameters of optics.

    Parameters
    ----------
    source : str
        Kind of file, by which sharpening is expected.
    zones : int
        Zones.

    Returns
    -------
    mean, sd : ndarray of float64, shape (3 zones + 1,)
        Three parameters for each zone, last the sharpening.
    """
    sharpening = _SHARPENING["raw" if source == "raw" else "developed"]
    return (
        np.append(np.tile(_PRIOR, zones), 0.0),
        np.append(np.tile(_PRIOR_SD, zones), sharpening),
    )
