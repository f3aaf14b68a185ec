"""Texture: power spectra of windows full of detail, and the blur that they show.

An isolated edge is rare in a forest or on a scree, but the spectrum of natural detail is much the
same everywhere: power falls with frequency like a power law (Field, J. Opt. Soc. Am. A 4(12),
1987). What the lens takes is what the spectrum lacks. The level of one frame stays uncertain, since
scenes differ.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, cached_property
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor.measure.reduce import block_starts, centred_maxima, centred_means
from auditor.measure.sharpness.edge_detection import radius_of, zone_of
from auditor.measure.sharpness.light import Light, fill_green
from auditor.record import ZONES
from auditor.robust import SHEPPARD

__all__ = ["SPECTRUM_CPP", "WINDOW_PX", "FrameSpectra", "Spectrum", "tapered_power"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

WINDOW_PX: Final = 64
"""Side of a window."""
SPECTRUM_CPP: Final = tuple(round(float(f), 4) for f in np.geomspace(0.03, 0.47, 16))
"""Centres (c/px) of the bins of log power."""
_PER_ZONE: Final = 24
"""Windows of each zone at most, the most detailed; with 40 and 16 sharp and blurred photographs were told apart less well."""
_FLATTEST: Final = 24
"""Windows of the frame at most, the flattest, of which a third shows its noise."""
_HIDDEN: Final = 1.0
"""Power below this share of the noise floor is taken as hidden by it: coding makes the floor in
busy windows differ from that in flat ones by nearly as much."""
_FLOOR_ERROR: Final = 0.5
"""Error of the noise floor as a share of it, for the same reason."""
_DARKEST: Final = 1e-4
"""Mean light of a window, 1 = white, below which it counts as having this much."""
_RESOLUTION: Final = 0.6
"""Half width of a ring at least, in cells of the transform: the taper tells no finer."""
_RING_END: Final = 1.5
"""Half widths from a ring's centre at which its weights end; up to one less they are full."""
_LEAST_GAIN: Final = 0.2
"""Gain at least of filling in sites, where its square is divided by."""
_LEAST_CHANGE: Final = 1e-3
"""Change between neighbours, white = 1, that is not capped in any frame."""
_BLACK: Final = 0.02
"""Share of white up to which a place may be clipped in the dark."""
_DARK: Final = 0.08
"""Mean of a window, white = 1, below which such a place makes it one of clipped shadows."""
_CLIPPED: Final = 0.97
"""Share of white beyond which a place may be clipped."""
_POWER: Final = 2.2
"""Power of a tone curve near to sRGB's."""
_NO_FLAT: Final = 0.3
"""Power of the flattest windows over that of the detailed ones, at 0.05 to 0.13 c/px, beyond which none is
flat."""


@dataclass(frozen=True)
class Spectrum:
    """Mean spectrum of a zone's windows.

    Attributes
    ----------
    log_power : (16,) ndarray of float64
        Natural log at `SPECTRUM_CPP` of power relative to the mean light squared, noise taken off; NaN where
        noise hides it.
    stderr : (16,) ndarray of float64
        Its standard error from the scatter over windows and the floor's own.
    windows : int
        Number of windows.
    """

    log_power: Floats
    stderr: Floats
    windows: int


@cache
def _rings() -> Singles:
    """(rfft cells, 16) averaging matrix of log-spaced rings."""
    n = WINDOW_PX
    fy = np.fft.fftfreq(n)[:, None]
    fx = np.fft.rfftfreq(n)[None, :]
    radius = np.hypot(fx, fy).ravel()
    ratio = np.sqrt(SPECTRUM_CPP[1] / SPECTRUM_CPP[0])
    # Cells of a half plane: those off its edges stand for two.
    twice = np.where((fx > 0) & (fx < 0.5), 2.0, 1.0).repeat(n, 0).ravel()
    rings = np.zeros((len(radius), len(SPECTRUM_CPP)))
    for i, centre in enumerate(SPECTRUM_CPP):
        # A ring is at least as wide as the taper's own resolution; weights fall off linearly in f.
        width = max(centre * (ratio - 1 / ratio) / 2, _RESOLUTION / n)
        rings[:, i] = twice * np.clip(_RING_END - np.abs(radius - centre) / width, 0, 1)
    rings /= rings.sum(0)
    return rings.astype(np.float32)


@cache
def _taper() -> Singles:
    """(64, 64) Hann taper whose squares sum to 1."""
    hann = np.hanning(WINDOW_PX + 1)[:WINDOW_PX]
    taper = np.outer(hann, hann)
    return (taper / np.sqrt((taper**2).sum())).astype(np.float32)


def tapered_power(windows: Singles) -> Singles:
    """Power spectra of windows, with a Hann taper.

    Parameters
    ----------
    windows : (n, 64, 64) ndarray of float32
        Windows of mean 0.

    Returns
    -------
    (n, 64, 33) ndarray of float32
        Power in the layout of `numpy.fft.rfft2`.
    """
    half = WINDOW_PX // 2
    waves = np.empty(windows.shape, np.float32)
    for window, out in zip(windows * _taper(), waves, strict=True):
        # scipy.fft takes a third of a second to load, numpy's twice as long; OpenCV's packed output, which
        # leaves out what symmetry tells, half as long as its complex one.
        out[:] = cv2.dft(window)
    waves *= waves
    power = np.empty((len(windows), WINDOW_PX, half + 1), np.float32)
    # Real and imaginary parts lie side by side, those of the first and last frequency one above the other.
    np.add(waves[:, :, 1:-1:2], waves[:, :, 2::2], out=power[:, :, 1:half])
    for column, packed in ((0, waves[:, :, 0]), (half, waves[:, :, -1])):
        of = power[:, :, column]
        of[:, 0], of[:, half] = packed[:, 0], packed[:, -1]
        np.add(packed[:, 1:-1:2], packed[:, 2::2], out=of[:, 1:half])
        of[:, half + 1 :] = of[:, half - 1 : 0 : -1]
    return power


@cache
def _fill_gain() -> Singles:
    """Power that remains, (64, 33), when every second site is the mean of its four neighbours."""
    fy = np.fft.fftfreq(WINDOW_PX)[:, None]
    fx = np.fft.rfftfreq(WINDOW_PX)[None, :]
    gain = (2 + (np.cos(2 * np.pi * fy) + np.cos(2 * np.pi * fx))) / 4
    return np.maximum(gain, _LEAST_GAIN).astype(np.float32) ** 2


def _window_power(light: Light, y: NDArray[np.int_], x: NDArray[np.int_]) -> tuple[Floats, Floats]:
    """Ring powers (n, 16) per pixel and mean light (n,) of windows with upper left corner (y, x)."""
    patch, valid = light.linear_patches(y, x, WINDOW_PX)
    patch = fill_green(patch, valid)
    mean = patch.mean((1, 2))
    power = tapered_power(patch - mean[:, None, None])
    if valid is not None:
        power /= _fill_gain()
    return (power.reshape(len(y), -1) @ _rings()).astype(float), mean.astype(float)


def _choose(
    light: Light, small: Singles, factor: int
) -> tuple[NDArray[np.int_], NDArray[np.int_], NDArray[np.int_], NDArray[np.bool_]]:
    """Windows (y, x, zone, flattest): the most detailed of each zone and the flattest of the frame."""
    h, w = light.shape
    rows, columns = light.blocks(factor)
    cell = max(WINDOW_PX // factor, 1)
    top, left = (block_starts(n, cell) for n in small.shape)
    empty = np.zeros(0, int)
    if len(top) == 0 or len(left) == 0 or min(h, w) < WINDOW_PX:
        return empty, empty, empty, np.zeros(0, bool)

    def means(a: NDArray[np.float32]) -> Singles:
        return np.asarray(centred_means(a, cell), np.float32)

    mean = means(small)
    local = np.zeros_like(small)
    cv2.absdiff(small[:, 1:], small[:, :-1], dst=local[:, 1:])
    local[1:] += cv2.absdiff(small[1:], small[:-1])
    # Changes are capped: an edge alone does not make a texture.
    cap = 4 * np.float32(np.median(local[::4, ::4])) + _LEAST_CHANGE
    spread = means(np.minimum(local, cap))
    low, high = (centred_maxima(place, cell) for place in (small < _BLACK, small > _CLIPPED))
    usable = (~high & ~(low & (mean < _DARK))).ravel()
    y, x = (a.ravel() for a in np.meshgrid(rows[top], columns[left], indexing="ij"))
    # Where the factor is no part of 64 a window goes beyond its cell, to both sides alike.
    over = (WINDOW_PX - cell * factor) // 2
    y, x = np.clip(y - over, 0, h - WINDOW_PX), np.clip(x - over, 0, w - WINDOW_PX)
    centre = (WINDOW_PX - 1) / 2
    zone = zone_of(radius_of(y.astype(float) + centre, x.astype(float) + centre, light.shape))
    chosen = [(np.flatnonzero((zone == i) & usable)) for i in range(len(ZONES))]
    flat = spread.ravel()
    chosen = [c[np.argsort(-flat[c], kind="stable")][:_PER_ZONE] for c in chosen]
    all_usable = np.flatnonzero(usable)
    flattest = all_usable[np.argsort(flat[all_usable], kind="stable")][:_FLATTEST]
    index = np.concatenate([*chosen, flattest])
    is_flattest = np.arange(len(index)) >= len(index) - len(flattest)
    return y[index], x[index], zone[index], is_flattest


def _rounding(light: Light, level: Floats) -> Floats:
    """Power of the rounding to 256 code values, relative to light squared, for each window."""
    if light.plane.dtype != np.uint8:
        return np.zeros(len(level))
    # Slope of a power curve at this level, one code value's step of light over the light.
    step = _POWER * level ** (1 - 1 / _POWER) / 255 / level
    return np.asarray(step**2 / SHEPPARD)


class FrameSpectra:
    """Spectra of a frame's detailed, unclipped windows, with the noise that flat ones show taken off.

    Each is found when it is first asked for: clean edges settle most zones, and flat windows alone
    show that most frames were not enlarged.

    Parameters
    ----------
    light : Light
        The frame.
    small : ndarray, (rows, columns)
        The frame reduced by `factor`, from which windows are chosen.
    factor : int
        Full-size pixels per pixel of `small`.
    """

    def __init__(self, light: Light, small: Singles, factor: int) -> None:
        self._light, self._small, self._factor = light, small, factor

    @cached_property
    def _windows(
        self,
    ) -> tuple[NDArray[np.int_], NDArray[np.int_], NDArray[np.int_], NDArray[np.bool_]]:
        return _choose(self._light, self._small, self._factor)

    @property
    def detailed_windows(self) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
        """Upper left pixels (y, x) of the windows with most detail in each zone."""
        y, x, _, flattest = self._windows
        return y[~flattest], x[~flattest]

    @cached_property
    def flat_power(self) -> Floats | None:
        """(16,) power of the flattest windows over their light; None without windows.

        Shot noise grows with the light: this is its power per unit of light.
        """
        y, x, _, flattest = self._windows
        if len(y) == 0:
            return None
        power, mean = _window_power(self._light, y[flattest], x[flattest])
        relative = power / np.maximum(mean, _DARKEST)[:, None]
        order = np.argsort(relative[:, 8:].mean(1))
        return np.asarray(relative[order[: max(len(order) // 3, 1)]].mean(0))

    @cached_property
    def _detailed(self) -> tuple[Floats, Floats]:
        """Powers (n, 16) and light (n,) of the detailed windows."""
        y, x, _, flattest = self._windows
        power, mean = _window_power(self._light, y[~flattest], x[~flattest])
        return power, np.maximum(mean, _DARKEST)

    @cached_property
    def detailed_power(self) -> Floats | None:
        """(16,) median power of the detailed windows over their light; None without windows."""
        if self.flat_power is None:
            return None
        power, level = self._detailed
        return np.median(power / level[:, None], axis=0) if len(level) else self.flat_power

    def zone(self, name: str) -> Spectrum | None:
        """Mean spectrum of a zone's windows.

        Parameters
        ----------
        name : str
            One of `record.ZONES`.

        Returns
        -------
        Spectrum or None
            None where the zone has no unclipped window.
        """
        flat_power, detailed_power = self.flat_power, self.detailed_power
        if flat_power is None or detailed_power is None:
            return None
        _, _, zone, flattest = self._windows
        here = zone[~flattest] == ZONES.index(name)
        if not here.any():
            return None
        if flat_power[3:9].mean() > _NO_FLAT * detailed_power[3:9].mean():
            # No window is flat: what they show is detail too, except where it has faded into noise.
            flat_power = np.minimum(flat_power, flat_power[-3:].min())
        power, level = (a[here] for a in self._detailed)
        return _mean_spectrum(power, level, flat_power, _rounding(self._light, level))


def _mean_spectrum(power: Floats, level: Floats, floor: Floats, rounding: Floats) -> Spectrum:
    noise = np.maximum(floor / level[:, None], rounding[:, None])
    relative = power / level[:, None] ** 2
    # Windows weigh by their own detail, so that a few of strong contrast do not outweigh all others.
    weight = 1 / np.maximum((relative - noise)[:, 3:9].mean(1), 1e-9)
    detailed = (relative - noise)[:, 3:9].mean(1) > 2 * noise[:, 3:9].mean(1)
    weight = np.where(detailed, weight, 0)
    if not detailed.any():
        nothing = np.full(len(SPECTRUM_CPP), np.nan)
        return Spectrum(nothing, nothing.copy(), 0)
    weight /= weight.sum()
    total, noise_mean = weight @ relative, weight @ noise
    signal = total - noise_mean
    above_noise = signal > _HIDDEN * noise_mean
    scatter = np.sqrt(np.maximum((weight[:, None] ** 2 * (relative - total) ** 2).sum(0), 0))
    error = np.hypot(scatter, _FLOOR_ERROR * noise_mean)
    with np.errstate(divide="ignore", invalid="ignore"):
        log_power = np.where(above_noise, np.log(signal), np.nan)
        stderr = np.where(above_noise, error / signal, np.nan)
    return Spectrum(log_power, stderr, int(np.count_nonzero(detailed)))
