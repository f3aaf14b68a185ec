"""The lens that a drawn frame is seen through: its blur over the frame, and MTF50 in closed form."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
import scipy.special
from numpy.typing import NDArray

from auditor import optics

__all__ = ["ZONE_RADII", "Optics", "disc_otf", "radius_map", "rise"]

Image = NDArray[np.float32]

ZONE_RADII: Final = {"centre": (0.0, 0.35), "middle": (0.35, 0.7), "corner": (0.7, 1.01)}

_ZONE_CENTRE: Final = {"centre": 0.0, "middle": 0.525, "corner": 1.0}

_LUMA: Final = (0.299, 0.587, 0.114)
"""Weights of red, green and blue in luma (ITU-R BT.601)."""

_RINGS: Final = 4
"""Places between a zone's inner and outer limit at which it is computed, of equal area in a 3:2 frame."""


@dataclass(frozen=True, slots=True)
class Optics:
    """One lens at one setting in front of a sensor of one pitch.

    The Gaussian remainder (aberration) has the standard deviation `blur_px` on the axis and
    `corner_blur_px` (the same if None) at the half-diagonal. Its square is level within each zone, half
    way up in the middle one, so that a zone's MTF50 is one number.
    """

    f_number: float
    pitch_um: float = 4.0
    blur_px: float = 0.0
    corner_blur_px: float | None = None
    wavelength_um: float = optics.GREEN_UM
    motion_px: float = 0.0
    """Length of a straight movement of the camera during the exposure."""
    motion_deg: float = 0.0
    defocus_px: float = 0.0
    """Diameter of the geometric blur disc over the whole frame."""
    lateral_red_px: float = 0.0
    """Displacement at the half-diagonal against green, positive away from the centre."""
    lateral_blue_px: float = 0.0
    haze: float = 0.0
    """Share of the light that is veil: contrast falls by it."""

    def blur_at(self, radius: float) -> float:
        """Standard deviation (px) of the Gaussian remainder at this share of the half-diagonal."""
        corner = self.blur_px if self.corner_blur_px is None else self.corner_blur_px
        share = float(rise(np.array(radius)))
        return math.sqrt(max(self.blur_px**2 + (corner**2 - self.blur_px**2) * share, 0.0))

    def mtf50_at(self, radius: float = 0.0) -> float:
        """System MTF50 (c/px) in closed form at this radius, leaving out motion and defocus."""
        return float(
            optics.mtf50(self.f_number, self.pitch_um, self.blur_at(radius), self.wavelength_um)
        )

    def directional_mtf50(self, degrees: float) -> float:
        """MTF50 (c/px) on the axis of blur along `degrees` with motion and defocus counted in."""
        freq = np.linspace(0.0, 1.0, 2001)
        mtf = optics.system_mtf(
            freq, self.f_number, self.pitch_um, self.blur_px, self.wavelength_um
        )
        along = freq * self.motion_px * math.cos(math.radians(degrees - self.motion_deg))
        mtf = mtf * np.abs(np.sinc(along)) * np.abs(disc_otf(freq * self.defocus_px))
        return float(freq[np.argmax(mtf < 0.5)])

    def luma_mtf50(self, zone: str, colour: bool = True) -> float:
        """MTF50 (c/px) of a neutral edge's luma in a zone, mean over its area and over directions.

        Luma is the weighted sum of three channels (weights of ITU-R BT.601, which JPEG files use), and a
        weighted sum of displaced edges is a blurred edge: its transfer is the system's times
        |sum of w exp(2 pi i f s)| for displacements s along the edge's normal (shift theorem; Goodman,
        Introduction to Fourier Optics). ISO 12233 too measures luminance.
        Without `colour`, as for a mosaic's green sites, displacements leave no trace; motion and defocus are
        left out.
        """
        lateral = (self.lateral_red_px, 0.0, self.lateral_blue_px)
        if not colour or not any(lateral):
            return self.mtf50_at(_ZONE_CENTRE[zone])
        blur_px = self.blur_at(_ZONE_CENTRE[zone])
        return _luma_mtf50(
            zone, lateral, (self.f_number, self.pitch_um, blur_px, self.wavelength_um)
        )


@lru_cache(maxsize=4096)
def _luma_mtf50(
    zone: str, lateral: tuple[float, float, float], system: tuple[float, float, float, float]
) -> float:
    """See `Optics.luma_mtf50`; `system` as `optics.system_mtf` takes it."""
    freq = np.linspace(0.0, 0.8, 1601)
    low, high = ZONE_RADII[zone]
    radii = radius_map(200, 300)
    inside = radii[(radii >= low) & (radii < high)]
    radii = np.quantile(inside, (np.arange(_RINGS) + 0.5) / _RINGS)
    # Every direction of an edge against the radius is as likely as any other.
    turns = np.cos(np.radians(np.arange(7.5, 90, 15)))
    along = (radii[:, None] * turns).reshape(-1, 1)
    power = np.full((len(along), len(freq)), sum(w * w for w in _LUMA))
    for i, j in ((0, 1), (0, 2), (1, 2)):
        apart = along * (lateral[i] - lateral[j])
        power += 2 * _LUMA[i] * _LUMA[j] * np.cos(2 * np.pi * freq * apart)
    luma = optics.system_mtf(freq, *system) * np.sqrt(np.maximum(power, 0))
    return float(freq[np.argmax(luma < 0.5, axis=1)].mean())


def radius_map(height: int, width: int) -> Image:
    """Distance of every pixel's centre from the frame's centre over the half-diagonal; (h, w)."""
    y = np.arange(height, dtype=np.float32) - (height - 1) / 2
    x = np.arange(width, dtype=np.float32) - (width - 1) / 2
    half_diagonal = math.hypot(height, width) / 2
    return np.asarray(np.sqrt(y[:, None] ** 2 + x[None, :] ** 2) / half_diagonal, np.float32)


def rise(radius: NDArray[np.floating]) -> NDArray[np.floating]:
    """Share of the way from the axis's squared blur to the corner's at these radii."""
    steps = np.zeros(np.shape(radius), np.float32)
    for low, high in ((0.32, 0.38), (0.67, 0.73)):
        t = np.clip((radius - low) / (high - low), 0, 1)
        steps = steps + t * t * (3 - 2 * t) / 2
    return np.asarray(steps)


def disc_otf(product: NDArray[np.floating]) -> NDArray[np.floating]:
    """Geometric defocus, 2 J1(z) / z with z = pi * diameter * frequency (Goodman, aberrated OTF)."""
    z = np.pi * np.asarray(product)
    small = z < 1e-3
    safe = np.where(small, 1.0, z)
    return np.where(small, 1.0, 2 * scipy.special.j1(safe) / safe)
