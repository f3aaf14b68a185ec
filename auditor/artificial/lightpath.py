"""Draws a scene through known optics: the radiance in, the noiseless image on the sensor out.

Everything happens in the frequency domain on the oversampled grid. The scene is transformed once
(`SceneSpectrum`); every look through a lens multiplies that spectrum by a transfer function in closed
form, folds it down to the sensor's grid (which is what sampling does, aliasing included) and
transforms back. Blur that changes over the frame is a blend of a few such images. Frequencies are in
cycles per sensor pixel (c/px), blur in sensor pixels, angles in degrees with y counted downwards.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import cv2
import numpy as np
import scipy.fft
import scipy.special
from numpy.typing import NDArray

from auditor import optics

__all__ = [
    "Optics",
    "SceneSpectrum",
    "disc_otf",
    "radius_map",
    "rise",
    "spectrum_of",
    "through_optics",
]

Image = NDArray[np.float32]

MARGIN_PX: Final = 24
"""Mirrored border (sensor pixels) that keeps the periodic transform from mixing opposite sides."""

AIRLIGHT: Final = 0.55
"""Linear radiance of the haze that veils a scene."""


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


@dataclass(frozen=True, slots=True)
class SceneSpectrum:
    """A scene's Fourier transform, ready to be looked at through many lenses."""

    channels: tuple[NDArray[np.complex64], ...]
    """One half-plane spectrum per channel (1 or 3), of the padded oversampled scene."""
    height: int
    width: int
    """Size of the frame in sensor pixels."""
    oversample: int
    padded: tuple[int, int]
    """Size of the padded frame in sensor pixels."""
    lateral: tuple[float, float] = (0.0, 0.0)


def spectrum_of(
    scene: NDArray[np.floating], oversample: int = 2, lateral: tuple[float, float] = (0.0, 0.0)
) -> SceneSpectrum:
    """Fourier transform of a scene, padded by mirrors.

    Parameters
    ----------
    scene : ndarray of float, shape (h * oversample, w * oversample[, 3])
        Linear radiance, 1 = white; samples count as means over their small squares, as area-sampled drawings
        are.
    oversample : int
        Samples per pixel, along either side.
    lateral : tuple of float
        Displacement of red and blue outwards, in sensor pixels at the half-diagonal.

    Returns
    -------
    SceneSpectrum
        To be looked at through many lenses.

    Raises
    ------
    ValueError
        Where the scene's size does not divide by `oversample`.
    """
    planes = [scene] if scene.ndim == 2 else [scene[..., i] for i in range(3)]
    rows, cols = planes[0].shape
    if rows % oversample or cols % oversample:
        raise ValueError(f"a scene of {cols} x {rows} does not divide by {oversample}")
    height, width = rows // oversample, cols // oversample
    padded = (
        scipy.fft.next_fast_len(height + 2 * MARGIN_PX, real=True),
        scipy.fft.next_fast_len(width + 2 * MARGIN_PX + (width % 2), real=True),
    )
    padded = (padded[0], padded[1] + padded[1] % 2)
    channels = []
    for i, plane in enumerate(planes):
        plane = np.asarray(plane, np.float32)
        if len(planes) == 3 and i != 1:
            plane = _magnify(plane, lateral[0 if i == 0 else 1] * oversample)
        bottom = padded[0] * oversample - rows - MARGIN_PX * oversample
        right = padded[1] * oversample - cols - MARGIN_PX * oversample
        first = MARGIN_PX * oversample
        framed = np.pad(plane, ((first, bottom), (first, right)), mode="symmetric")
        channels.append(scipy.fft.rfft2(framed))
    return SceneSpectrum(tuple(channels), height, width, oversample, padded, lateral)


def through_optics(
    scene: NDArray[np.floating] | SceneSpectrum,
    lens: Optics,
    oversample: int = 2,
    levels: int = 5,
    disc_map: NDArray[np.floating] | None = None,
) -> Image:
    """The noiseless image on the sensor.

    Parameters
    ----------
    scene : ndarray or SceneSpectrum
        Radiance as `spectrum_of` takes it, or its transform.
    lens : Optics
        The lens at its setting.
    oversample : int
        Samples of a scene per pixel; a spectrum has its own.
    levels : int
        Blends over which blur that changes over the frame is spread.
    disc_map : ndarray of float, optional
        Diameter in sensor pixels of a further geometric blur disc that changes over the frame, as when depth
        runs out of focus; of any size, stretched over the frame.

    Returns
    -------
    ndarray of float32, shape (h, w) or (h, w, 3)
        Linear, 1 = white.

    Raises
    ------
    ValueError
        Where a coloured spectrum was made for another lateral colour than the lens's.
    """
    wanted = (lens.lateral_red_px, lens.lateral_blue_px)
    spectrum = scene if isinstance(scene, SceneSpectrum) else spectrum_of(scene, oversample, wanted)
    if len(spectrum.channels) == 3 and spectrum.lateral != wanted:
        raise ValueError("the scene was transformed for another lateral colour")
    layers = _layers(spectrum, lens, levels, disc_map)
    common = _common(spectrum, lens)
    scratch = np.empty_like(common)
    planes = [np.zeros((spectrum.height, spectrum.width), np.float32) for _ in spectrum.channels]
    for weight, blur, disc in layers:
        transfer = common * _local(spectrum, blur, disc)
        for total, channel in zip(planes, spectrum.channels, strict=True):
            image = _sampled(np.multiply(channel, transfer, out=scratch), spectrum)
            if weight is not None:
                image *= weight
            total += image
    result = planes[0] if len(planes) == 1 else np.dstack(planes)
    if lens.haze:
        result = result * (1 - lens.haze) + lens.haze * AIRLIGHT
    return np.asarray(result, np.float32)


def _magnify(plane: Image, shift: float) -> Image:
    """Move every point outwards by `shift` samples times its share of the half-diagonal."""
    if not shift:
        return plane
    rows, cols = plane.shape
    scale = 1 + shift / (math.hypot(rows, cols) / 2)
    cy, cx = (rows - 1) / 2, (cols - 1) / 2
    matrix = np.array([[scale, 0, cx - scale * cx], [0, scale, cy - scale * cy]])
    moved = cv2.warpAffine(
        plane, matrix, (cols, rows), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT
    )
    return np.asarray(moved, np.float32)


Layer = tuple[Image | None, float, float]


def _layers(
    spectrum: SceneSpectrum, lens: Optics, levels: int, disc_map: NDArray[np.floating] | None
) -> list[Layer]:
    """Weights, Gaussian blur and disc of the images whose sum has the changing blur."""
    height, width = spectrum.height, spectrum.width
    corner = lens.corner_blur_px
    blurs: list[tuple[Image | None, float]] = [(None, lens.blur_px)]
    if corner is not None and corner != lens.blur_px:
        radius = radius_map(height, width)
        square = lens.blur_px**2 + (corner**2 - lens.blur_px**2) * rise(radius)
        blurs = [(w, math.sqrt(v)) for w, v in _blend(square, levels)]
    discs: list[tuple[Image | None, float]] = [(None, lens.defocus_px)]
    if disc_map is not None:
        field = cv2.resize(np.asarray(disc_map, np.float32), (width, height))
        discs = _blend(np.asarray(field, np.float32) + lens.defocus_px, levels)
    out: list[Layer] = []
    for first, blur in blurs:
        for second, disc in discs:
            weight = first if second is None else second if first is None else first * second
            if weight is None or weight.max() > 1e-4:
                out.append((weight, blur, disc))
    return out


def _blend(field: Image, levels: int) -> list[tuple[Image | None, float]]:
    """Split a field of values into levels with linear weights that sum to one."""
    low, high = float(field.min()), float(field.max())
    if high - low < 1e-4:
        return [(None, low)]
    position = (field - low) * ((levels - 1) / (high - low))
    step = (high - low) / (levels - 1)
    return [
        (np.clip(1 - np.abs(position - i), 0, None).astype(np.float32), low + i * step)
        for i in range(levels)
    ]


def _axes(
    padded: tuple[int, int], oversample: int
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    rows, cols = (n * oversample for n in padded)
    fy = np.fft.fftfreq(rows, 1 / oversample).astype(np.float32)
    fx = np.fft.rfftfreq(cols, 1 / oversample).astype(np.float32)
    return fy, fx


@lru_cache(maxsize=6)
def _diffraction_plane(
    padded: tuple[int, int], oversample: int, cutoff_cpp: float
) -> NDArray[np.float32]:
    """Radial diffraction transfer on the half-plane grid."""
    fy, fx = _axes(padded, oversample)
    radial = np.hypot(fy[:, None], fx[None, :]) / np.float32(cutoff_cpp)
    return optics.diffraction_mtf(radial, 1.0, 1.0, 1.0).astype(np.float32)


def _common(spectrum: SceneSpectrum, lens: Optics) -> NDArray[np.complex64]:
    """Transfer of everything that is the same all over the frame: diffraction, pixel, motion."""
    fy, fx = _axes(spectrum.padded, spectrum.oversample)
    n = spectrum.oversample
    cutoff = lens.pitch_um / (lens.wavelength_um * lens.f_number)
    # Sample where the pixel's centre lies, half way through its n small squares.
    y, x = (
        (_pixel(f, n) * np.exp(2j * np.pi * f * (n - 1) / (2 * n))).astype(np.complex64)
        for f in (fy, fx)
    )
    plane = _diffraction_plane(spectrum.padded, n, cutoff) * y[:, None]
    plane *= x[None, :]
    if lens.motion_px:
        angle = math.radians(lens.motion_deg)
        along = fy[:, None] * math.sin(angle) + fx[None, :] * math.cos(angle)
        plane *= np.sinc(along * lens.motion_px).astype(np.float32)
    return np.asarray(plane)


def _local(spectrum: SceneSpectrum, blur_px: float, disc_px: float) -> NDArray[np.float32]:
    """Transfer of what changes over the frame: the Gaussian remainder and the blur disc."""
    fy, fx = _axes(spectrum.padded, spectrum.oversample)
    y, x = (optics.gaussian_mtf(f, blur_px).astype(np.float32) for f in (fy, fx))
    plane = y[:, None] * x[None, :]
    if disc_px:
        plane *= _disc_plane(np.sqrt(fy[:, None] ** 2 + fx[None, :] ** 2) * np.float32(disc_px))
    return np.asarray(plane)


def _sampled(filtered: NDArray[np.complex64], spectrum: SceneSpectrum) -> Image:
    """A filtered spectrum as an image on the sensor's grid; (h, w)."""
    image = scipy.fft.irfft2(_fold(filtered, spectrum), s=spectrum.padded)
    rows, cols = (slice(MARGIN_PX, MARGIN_PX + n) for n in (spectrum.height, spectrum.width))
    return np.asarray(image[rows, cols], np.float32)


def _pixel(freq: NDArray[np.float32], n: int) -> NDArray[np.float64]:
    """Sum over the n small squares of a pixel; with their own sinc it is the pixel's |sinc f|."""
    f = np.asarray(freq, float)
    below = n * np.sin(np.pi * f / n)
    safe = np.where(np.abs(below) < 1e-9, 1.0, below)
    return np.where(np.abs(below) < 1e-9, 1.0, np.sin(np.pi * f) / safe)


def _disc_plane(product: NDArray[np.float32]) -> NDArray[np.float32]:
    """`disc_otf` by table, for whole planes."""
    top = float(product.max()) + 1e-3
    knots = np.linspace(0, top, int(min(200_000, 400 * top + 100)))
    table = disc_otf(knots).astype(np.float32)
    index = (product * np.float32((len(knots) - 1) / top)).astype(np.int32)
    return np.asarray(table[index])


def _fold(filtered: NDArray[np.complex64], spectrum: SceneSpectrum) -> NDArray[np.complex64]:
    """Sum the spectrum's aliases, which is what keeping every n-th sample does. Works in place."""
    n = spectrum.oversample
    if n == 1:
        return filtered
    rows, cols = spectrum.padded
    tall = filtered[:rows]
    for i in range(1, n):
        tall += filtered[i * rows : (i + 1) * rows]
    half, whole = cols // 2, cols * n
    out = tall[:, : half + 1].copy()
    for j in range(1, n):
        # Columns k + j * cols for k = 0..half; past the middle they are the mirror's conjugates.
        first = j * cols
        direct = max(0, min(half, whole // 2 - first) + 1)
        out[:, :direct] += tall[:, first : first + direct]
        if direct <= half:
            mirror = tall[:, whole - first - half : whole - first - direct + 1][:, ::-1]
            out[0, direct:] += np.conj(mirror[0])
            out[1:, direct:] += np.conj(mirror[:0:-1])  # row -r holds the half that is not stored
    out *= np.float32(1 / (n * n))
    return out
