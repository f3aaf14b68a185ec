"""Photographs as scenes seen through known optics, written for the tests alone.

Photographs serve as scenes: taken at two or three samples a pixel, seen through the closed form of
diffraction (Goodman, Introduction to Fourier Optics), a square pixel and a Gaussian remainder that
may differ between centre and corner, sampled, given photon and read noise, and coded as JPEG.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import scipy.fft
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

DATA = Path(__file__).parent / ".." / ".." / "shared" / "data" / "camera-files"
APERTURES = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0)
PITCH_UM = 4.0
FINE = 2
"""Samples of the scene per pixel, unless told otherwise."""
READ_NOISE_E = 3.0
_PAD = 48
_LEVELS = 4
"""Levels of blur between which a frame is put together, where its zones differ."""


def diffraction(freq: np.ndarray, f_number: float) -> np.ndarray:
    x = np.minimum(freq * 0.55 * f_number / PITCH_UM, 1.0)
    return 2 / np.pi * (np.arccos(x) - x * np.sqrt(1 - x * x))


def true_mtf50(
    f_number: float, blur_px: float, sharpening: tuple[float, float] | None = None
) -> float:
    """First crossing of one half, by search on a fine grid; `sharpening` is the amount of an unsharp mask and
    the standard deviation of its blur (px)."""
    freq = np.linspace(0, 1, 20_001)
    mtf = diffraction(freq, f_number) * np.sinc(freq) * np.exp(-2 * (np.pi * blur_px * freq) ** 2)
    if sharpening:
        amount, radius = sharpening
        mtf = mtf * (1 + amount * (1 - np.exp(-2 * (np.pi * radius * freq) ** 2)))
    return float(freq[np.argmax(mtf < 0.5)])


@dataclass(frozen=True)
class Fault:
    """What went wrong: Gaussian blur of missed focus, or a straight movement (length, angle)."""

    missed_px: float = 0.0
    moved_px: float = 0.0
    angle: float = 0.0


STILL = Fault()


def see(
    scene: np.ndarray, f_number: float, centre_px: float = 0.0, corner_px: float = 0.0,
    fault: Fault = STILL, fine: int = FINE,
) -> np.ndarray:  # fmt: skip
    """Linear light of the frame without noise; `scene` is linear, `fine` samples a pixel."""
    h, w = (n // fine for n in scene.shape)
    scene = scene[: h * fine, : w * fine]
    tall, wide = (scipy.fft.next_fast_len(n + 2 * _PAD, True) for n in scene.shape)
    around = ((_PAD, tall - scene.shape[0] - _PAD), (_PAD, wide - scene.shape[1] - _PAD))
    big = np.pad(scene, around, mode="reflect")
    fy = scipy.fft.fftfreq(tall)[:, None] * fine
    fx = scipy.fft.rfftfreq(wide)[None, :] * fine
    freq = np.hypot(fx, fy)
    # The scene's own samples are boxes already.
    box = np.sinc(fx) * np.sinc(fy) / (np.sinc(fx / fine) * np.sinc(fy / fine))
    mtf = diffraction(freq, f_number) * box * np.exp(-2 * (np.pi * fault.missed_px * freq) ** 2)
    along = fx * np.cos(fault.angle) + fy * np.sin(fault.angle)
    spectrum = (scipy.fft.rfft2(big) * mtf * np.sinc(along * fault.moved_px)).astype(np.complex64)
    inside = (slice(_PAD, _PAD + h * fine), slice(_PAD, _PAD + w * fine))
    ends = sorted((centre_px, corner_px))
    levels = np.linspace(*ends, _LEVELS if ends[0] < ends[1] else 1)
    stack = np.stack(
        [
            scipy.fft.irfft2(
                spectrum * np.exp(-2 * (np.pi * b * freq) ** 2).astype(np.float32), s=big.shape
            )[inside][fine // 2 :: fine, fine // 2 :: fine]
            for b in levels
        ]
    )
    if len(stack) == 1:
        return np.asarray(stack[0])
    y, x = np.mgrid[:h, :w]
    radius = np.hypot(x - w / 2 + 0.5, y - h / 2 + 0.5) / np.hypot(w / 2, h / 2)
    blur = centre_px + (corner_px - centre_px) * np.clip((radius - 0.35) / 0.35, 0, 1)
    place = np.clip((blur - levels[0]) / (levels[1] - levels[0]), 0, _LEVELS - 1 - 1e-6)
    low, share = place.astype(int), place % 1
    at = np.take_along_axis
    return at(stack, low[None], 0)[0] * (1 - share) + at(stack, low[None] + 1, 0)[0] * share


def exposed(light: np.ndarray, full_e: float, rng: np.random.Generator) -> np.ndarray:
    """Light with photon and read noise, for a sensor that holds `full_e` electrons at white."""
    light = np.clip(light, 0, None)
    return (rng.poisson(light * full_e) + rng.normal(0, READ_NOISE_E, light.shape)) / full_e


def linear(code: np.ndarray) -> np.ndarray:
    """Light of sRGB values 0..1 (IEC 61966-2-1)."""
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def coded(light: np.ndarray) -> np.ndarray:
    """sRGB values 0..1 of light (IEC 61966-2-1)."""
    light = np.clip(light, 0, 1)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


def encoded(light: np.ndarray) -> np.ndarray:
    """Code values 0..255 of light."""
    return np.round(coded(light) * 255).astype(np.uint8)


def jpeg(light: np.ndarray, f_number: float | None = None) -> bytes:
    """A JPEG of quality 95; with an f-number, its Exif tells that and the pixel pitch."""
    exif = Image.Exif()
    if f_number is not None:
        per_cm = IFDRational(10_000 / PITCH_UM)
        exif.get_ifd(0x8769).update(
            {0x829D: IFDRational(f_number), 0xA20E: per_cm, 0xA20F: per_cm, 0xA210: 3,
             0xA002: light.shape[1], 0xA003: light.shape[0]}
        )  # fmt: skip
    out = io.BytesIO()
    Image.fromarray(encoded(light)).convert("RGB").save(out, "JPEG", quality=95, exif=exif)
    return out.getvalue()


def linear_scene(path: Path, rng: np.random.Generator) -> np.ndarray:
    """A part of a photograph in linear light, mirrored by chance."""
    with Image.open(path) as picture:
        code = np.asarray(picture.convert("L"), np.float32) / 255
    tall, wide = min(code.shape[0], 1900), min(code.shape[1], 1900)
    y = rng.integers(0, code.shape[0] - tall + 1)
    x = rng.integers(0, code.shape[1] - wide + 1)
    code = code[y : y + tall, x : x + wide]
    return linear(code[:, ::-1] if rng.random() < 0.5 else code)
