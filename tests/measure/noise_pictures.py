"""Pictures with known noise for the tests of the noise room."""

from __future__ import annotations

from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor.artificial.camera import Sensor, add_photon_noise, develop
from auditor.measure.content import luma_steps
from auditor.measure.picture import Mosaic, Picture

BLACK, WHITE = 512, 16_383


def _kept(scene: Any) -> NDArray[np.float32]:
    """A scene that several tests look at, and none may change."""
    scene = np.asarray(scene, np.float32)
    scene.flags.writeable = False
    return scene


def field(h: int, w: int, power: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Random field with an amplitude spectrum of frequency ** -power, mean 0, deviation 1."""
    f = np.hypot(np.fft.fftfreq(h)[:, None], np.fft.rfftfreq(w)[None])
    f[0, 0] = 1
    spectrum = (rng.standard_normal(f.shape) + 1j * rng.standard_normal(f.shape)) * f**-power
    spectrum[0, 0] = 0
    out = np.fft.irfft2(spectrum, (h, w))
    return np.asarray(out / out.std())


@cache
def land(h: int = 800, w: int = 1200, seed: int = 0, darkest: float = -7.0) -> NDArray[np.float32]:
    """Linear radiance, 1 = white: a smooth sky over textured ground, as sharp optics passes it."""
    rng = np.random.default_rng(seed)
    big, texture = field(h, w, 2.2, rng), field(h, w, 1.3, rng)
    strength = np.clip(field(h, w, 1.8, rng) * 0.8 + 0.3, 0, 1.5)
    y = np.linspace(0, 1, h)[:, None]
    sky = 1 / (1 + np.exp((y - 0.4) * 200))
    stops = (-1.2 - 1.2 * y + 0.15 * big) * sky
    stops = stops + (-3.2 + 1.3 * big + 0.5 * texture * strength) * (1 - sky)
    radiance = (2.0 ** np.clip(stops, darkest, -0.3)).astype(np.float32)
    return _kept(cv2.GaussianBlur(radiance, (0, 0), 0.6))


@cache
def grass(h: int, w: int, seed: int) -> NDArray[np.float32]:
    """Thin blades, nearly upright, over dark soil."""
    rng = np.random.default_rng(seed)
    out = np.full((h, w), 0.05, np.float32)
    for _ in range(h * w // 60):
        x, y, length = rng.uniform(0, w), rng.uniform(0, h), rng.uniform(10, 60)
        lean = -np.pi / 2 + rng.normal(0, 0.35)
        ends = [(x, y), (x + length * np.cos(lean), y + length * np.sin(lean))]
        a, b = ((int(px * 16), int(py * 16)) for px, py in ends)
        shade = float(0.03 + 0.25 * rng.beta(1.5, 3))
        cv2.line(out, a, b, shade, int(rng.integers(1, 4)), cv2.LINE_AA, 4)
    return _kept(out)


@cache
def gravel(h: int, w: int, seed: int, largest: float = 12.0) -> NDArray[np.float32]:
    """Overlapping pebbles with radii of 1.5 px and more."""
    rng = np.random.default_rng(seed)
    out = np.full((h, w), 0.2, np.float32)
    for _ in range(int(h * w / (largest + 2) ** 2 * 8)):
        radius = 1.5 + (largest - 1.5) * rng.beta(1, 3)
        centre = (int(rng.uniform(0, w) * 16), int(rng.uniform(0, h) * 16))
        axes = (int(radius * 16), int(radius * 16 * rng.uniform(0.5, 1)))
        shade = float(np.clip(rng.normal(0.25, 0.1), 0.02, 0.8))
        cv2.ellipse(out, centre, axes, rng.uniform(0, 180), 0, 360, shade, -1, cv2.LINE_AA, 4)
    return _kept(out)


def chips(h: int, w: int, strength: float, seed: int) -> NDArray[np.float32]:
    """Ground of pieces smaller than a pixel, as small copies show sand, bark or leaves: texture with the
    white spectrum of noise, here strong and there weak."""
    rng = np.random.default_rng(seed)
    local = strength * np.exp(0.8 * field(h, w, 1.8, rng))
    stops = local * rng.standard_normal((h, w)) / np.log(2) + 0.6 * field(h, w, 2.2, rng)
    return np.clip(0.2 * 2.0**stops, 0, 0.95).astype(np.float32)


def jpeg(code: NDArray[Any], quality: int) -> Picture:
    """The picture as a JPEG of that quality gives it back."""
    _, data = cv2.imencode(".jpg", code, [cv2.IMWRITE_JPEG_QUALITY, quality])
    decoded = cv2.imdecode(data, cv2.IMREAD_COLOR)
    assert decoded is not None
    return Picture(decoded, lossy=True, luma_steps=luma_steps(data.tobytes()))


def exposed(scene: NDArray[np.float32], full_well: float, seed: int = 0) -> NDArray[Any]:
    """8-bit code values of a grey scene with photon noise and 3 e- of read noise."""
    sensor = Sensor(full_well_e=full_well, read_noise_e=3.0)
    rng = np.random.default_rng(seed + 999)
    return np.asarray(develop(add_photon_noise(scene, sensor, 100, rng)))


def snr(signal: float, full_well: float) -> float:
    """s w / sqrt(s w + r^2), r = 3 e- (EMVA 1288)."""
    return signal * full_well / float(np.sqrt(signal * full_well + 9))


def raw(scene: NDArray[np.float32], full_well: float, seed: int = 0) -> Picture:
    """An RGGB mosaic, 14 bit, of a grey scene seen by a sensor less sensitive to red and blue."""
    sites = scene.copy()
    sites[0::2, 0::2] *= 0.5
    sites[1::2, 1::2] *= 0.65
    sensor = Sensor(full_well_e=full_well, read_noise_e=3.0)
    noisy = add_photon_noise(sites, sensor, 100, np.random.default_rng(seed))
    dn = np.clip(np.rint(BLACK + noisy * (WHITE - BLACK)), 0, WHITE).astype(np.uint16)
    colours = np.array([[0, 1], [1, 2]])
    return Picture(None, "linear", Mosaic(dn, colours, np.full((2, 2), float(BLACK)), float(WHITE)))
