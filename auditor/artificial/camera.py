"""Exposes a scene on a known sensor: photons, read noise, development, and raw mosaics.

`expose` carries a scene of linear radiance to a developed picture, `mosaic` to what a sensor behind
an RGGB filter hands over. Signals are linear, 1 = white; noise is counted in electrons.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor import srgb
from auditor.artificial.lightpath import Optics, SceneSpectrum, through_optics

__all__ = [
    "LUMINANCE",
    "Mosaic",
    "Sensor",
    "add_photon_noise",
    "develop",
    "expose",
    "mosaic",
]

LUMINANCE: Final = (0.2126, 0.7152, 0.0722)
"""Weights of linear red, green and blue in luminance (IEC 61966-2-1, ITU-R BT.709)."""

FEW_ELECTRONS: Final = 40.0
"""Below this mean the Poisson distribution is drawn exactly; above, its normal limit serves."""

BLACK: Final = 512
"""Code value of a mosaic's black ..."""
WHITE: Final = 16_383
"""... and of its white: 14 bits."""
NEUTRAL: Final = (0.5, 1.0, 0.65)
"""What red and blue sites collect of a neutral subject, green = 1."""

Image = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Sensor:
    """A sensor as photon transfer sees it."""

    full_well_e: float = 60_000.0
    """Electrons at white at the base ISO."""
    read_noise_e: float = 3.0
    base_iso: float = 100.0

    def electrons_at_white(self, iso: float) -> float:
        """Electrons of a pixel at white: the full well over the stops above base ISO."""
        return self.full_well_e * self.base_iso / iso

    def snr(self, signal: float, iso: float, colour: bool = False) -> float:
        """s w / sqrt(s w + r^2) per pixel; `colour`: of luminance when three channels of equal
        signal, each with its own noise, are weighted with `LUMINANCE`."""
        electrons = signal * self.electrons_at_white(iso)
        one = electrons / np.sqrt(electrons + self.read_noise_e**2)
        return float(one / np.sqrt(sum(w * w for w in LUMINANCE)) if colour else one)


@dataclass(frozen=True, slots=True)
class Mosaic:
    """Raw data as a file holds it: RGGB, unsigned 16 bit, with what is needed to read it."""

    data: NDArray[np.uint16]
    black: int
    white: int
    neutral: tuple[float, float, float]
    """Camera values of a neutral subject, green = 1 (DNG's AsShotNeutral)."""
    gain_e_per_dn: float
    read_noise_e: float


def expose(
    scene: NDArray[np.floating] | SceneSpectrum,
    lens: Optics,
    sensor: Sensor | None = None,
    iso: float = 100.0,
    seed: int = 0,
    *,
    exposure: float = 1.0,
    oversample: int = 2,
    levels: int = 5,
) -> NDArray[np.uint8]:
    """A developed picture of a scene through known optics on a known sensor.

    Parameters
    ----------
    scene : ndarray or SceneSpectrum
        Radiance as `spectrum_of` takes it, linear, 1 = white, or its transform.
    lens : Optics
        The lens at its setting.
    sensor : Sensor, optional
        Without one there is no noise.
    iso : float
        Electrons at white follow from it.
    seed : int
        Seed of the noise.
    exposure : float
        Factor on the scene's radiance (2 = one stop more light).
    oversample : int
        Samples of the scene per pixel, along either side.
    levels : int
        Blends over which blur that changes over the frame is spread.

    Returns
    -------
    ndarray of uint8, shape (h, w) or (h, w, 3)
        sRGB transfer curve; RGB for coloured scenes.
    """
    linear = through_optics(scene, lens, oversample, levels) * np.float32(exposure)
    if sensor is not None:
        linear = add_photon_noise(linear, sensor, iso, np.random.default_rng(seed))
    return develop(linear)


def add_photon_noise(
    linear: NDArray[np.floating], sensor: Sensor, iso: float, rng: np.random.Generator
) -> Image:
    """Shot noise (Poisson) and read noise (normal) of a linear image; white clips.

    Parameters
    ----------
    linear : ndarray of float, shape (h, w[, 3])
        1 = white.
    sensor : Sensor
        Full well and read noise.
    iso : float
        Electrons at white follow from it.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    ndarray of float32
        Of the same shape, 1 = white.
    """
    white = sensor.electrons_at_white(iso)
    mean = np.clip(np.asarray(linear, np.float32), 0, None) * np.float32(white)
    read = sensor.read_noise_e
    noise = rng.standard_normal(mean.shape, dtype=np.float32)
    noisy = mean + noise * np.sqrt(mean + np.float32(read * read))
    few = mean < FEW_ELECTRONS
    count = int(np.count_nonzero(few))
    if count:
        noisy[few] = rng.poisson(mean[few]) + read * rng.standard_normal(count, dtype=np.float32)
    return np.asarray(np.minimum(noisy / np.float32(white), 1.0), np.float32)


_CURVE_STEPS: Final = 65_536
_CURVE: Final = np.rint(srgb.encoded(np.linspace(0, 1, _CURVE_STEPS)) * 255).astype(np.uint8)


def develop(linear: NDArray[np.floating]) -> NDArray[np.uint8]:
    """Linear light to code values with sRGB's curve; noise below black clips as in a camera."""
    index = np.clip(linear, 0, 1) * np.float32(_CURVE_STEPS - 1) + np.float32(0.5)
    return np.asarray(_CURVE[index.astype(np.uint16)])


def mosaic(
    scene: NDArray[np.floating] | SceneSpectrum,
    lens: Optics,
    sensor: Sensor,
    iso: float = 100.0,
    seed: int = 0,
    *,
    exposure: float = 1.0,
    oversample: int = 2,
    levels: int = 5,
) -> Mosaic:
    """Raw data of a scene behind an RGGB filter.

    Parameters
    ----------
    scene, lens, sensor, iso, seed, exposure, oversample, levels
        As `expose` takes them; width and height are even.

    Returns
    -------
    Mosaic
        Green collects `exposure` times the scene's radiance; red and blue `NEUTRAL` times that.

    Raises
    ------
    ValueError
        Where width or height is odd.
    """
    image = through_optics(scene, lens, oversample, levels) * np.float32(exposure)
    if image.shape[0] % 2 or image.shape[1] % 2:
        raise ValueError("a mosaic needs an even width and height")
    plane = _sites(image)
    noisy = add_photon_noise(plane, sensor, iso, np.random.default_rng(seed))
    span = WHITE - BLACK
    data = np.clip(np.rint(BLACK + noisy * span), 0, WHITE).astype(np.uint16)
    gain = sensor.electrons_at_white(iso) / span
    return Mosaic(data, BLACK, WHITE, NEUTRAL, gain, sensor.read_noise_e)


def _sites(image: Image) -> Image:
    """One value per site of the RGGB pattern."""
    planes = [image] * 3 if image.ndim == 2 else [image[..., i] for i in range(3)]
    out = np.empty(planes[0].shape, np.float32)
    out[0::2, 0::2] = planes[0][0::2, 0::2] * NEUTRAL[0]
    out[0::2, 1::2] = planes[1][0::2, 1::2]
    out[1::2, 0::2] = planes[1][1::2, 0::2]
    out[1::2, 1::2] = planes[2][1::2, 1::2] * NEUTRAL[2]
    return out
