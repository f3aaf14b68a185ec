"""Frames seen through wavefronts, written for the tests alone: no blur in them is a Gaussian, and no optics are the package's.

A lens is its wavefront of third order (W. Welford, Aberrations of Optical Systems, 1986, ch. 7; M. Born and E. Wolf,
Principles of Optics, 7th ed., ch. 5 and 9). The prysm library takes it from the pupil to the image of a point by
Fourier optics (J. Goodman, Introduction to Fourier Optics, 3rd ed., ch. 6) at three wavelengths. A two-spot filter each
way, as cameras have it against aliasing, and a square pixel follow. The sensor is grey and nothing is sharpened, so that
what is true is a product of transfer functions and takes no measurement.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import scipy.fft

SHAPE = 1200, 1600
"""Rows and columns of a frame, px."""
PITCH_UM = 4.0
APERTURES = (2.8, 4.0, 5.6, 8.0, 11.0)
ZONES = {"centre": (0.0, 0.35), "middle": (0.35, 0.7), "corner": (0.7, 1.01)}
"""From where to where, in half-diagonals: the program's own zones."""
FINE = 2
"""Samples of a scene per pixel."""
FILTER_PX = 0.5
"""Distance of the two images that the filter against aliasing makes, each way."""
TILE_PX, MARGIN_PX = 200, 35
"""The image of a point is the same all over a tile; its surroundings are drawn with it, so that no border bends round."""

WAVELENGTHS_UM = {0.46: 0.07, 0.54: 0.72, 0.61: 0.21}
"""Blue, green and red with their shares in luminance (ITU-R BT.709)."""
REFERENCE_UM = 0.55
"""Wavelength that aberrations are counted in."""
FOCAL_MM = 24.0
PUPIL = 96
"""Samples across the pupil."""
POINT = 161
"""Samples across the image of a point: 15 um times the f-number each way."""
STEP_UM = 0.4 * min(WAVELENGTHS_UM)
"""Distance of its samples per f-number: finer than half a wavelength, as the sampling theorem asks."""

FREQUENCIES = np.arange(0, 1.0, 0.005)
"""Cycles per pixel."""
AZIMUTHS = np.pi * np.arange(8) / 8
"""Directions across edges."""
FOCUS_STEPS_UM = np.arange(-40.0, 41.0, 4.0)


@dataclass(frozen=True)
class WavefrontLens:
    """Aberrations at the widest of `APERTURES`, in waves at the pupil's rim; coma at the frame's corner."""

    name: str
    spherical: float
    coma: float

    def path_um(
        self, f_number: float, height: float, azimuth: float, defocus_um: float
    ) -> np.ndarray:
        """Optical path difference over the pupil.

        Parameters
        ----------
        f_number, height, azimuth : float
            Aperture; distance from the frame's centre in half-diagonals, and its direction (radians).
        defocus_um : float
            How far the sensor lies behind the image.

        Returns
        -------
        ndarray, shape (PUPIL, PUPIL)
            Micrometres. Spherical aberration and coma are balanced by focus and tilt, as in Zernike's polynomials
            (Born and Wolf, 9.2), at every aperture; stopping down takes the pupil's rim away.
        """
        x, y, squared = _pupil()
        stop = APERTURES[0] / f_number
        outwards = x * np.cos(azimuth) + y * np.sin(azimuth)
        waves = self.spherical * stop**4 * (squared**2 - squared)
        waves = waves + self.coma * height * stop**3 * (squared - 2 / 3) * outwards
        return REFERENCE_UM * waves + defocus_um / (8 * f_number**2) * squared


def _pupil() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """x, y and the square of the radius, 1 at the rim."""
    axis = (np.arange(PUPIL) - PUPIL / 2 + 0.5) / (PUPIL / 2)
    x, y = np.meshgrid(axis, axis)
    return x, y, x**2 + y**2


def image_of_point(
    lens: WavefrontLens, f_number: float, height: float, azimuth: float, defocus_um: float
) -> np.ndarray:
    """Intensity in white light, on `POINT` samples of `STEP_UM` times the f-number each way.

    Parameters
    ----------
    lens : WavefrontLens
    f_number, height, azimuth, defocus_um : float
        See `WavefrontLens.path_um`.

    Returns
    -------
    ndarray, shape (POINT, POINT)
        Its sum is the share of the light that falls on the samples.
    """
    return _samples_of_point(lens, f_number, height, azimuth, defocus_um) * _light_on_samples()


@cache
def _light_on_samples() -> float:
    """Share of a point's light that falls on the samples, 0.991: the tails of diffraction reach farther, and a scene
    has lost what they hold. It is told by a perfect lens, whose transfer function has a closed form (Goodman, 6.3); far
    from the middle a point's image is the pupil's rim's, whatever the aberrations (Born and Wolf, 8.5.2)."""
    f_number, frequency = APERTURES[-1], np.array([0.1])
    point = _samples_of_point(WavefrontLens("perfect", 0.0, 0.0), f_number, 0.0, 0.0, 0.0)
    on_samples = np.abs((point.sum(0) * _waves(frequency, f_number)).sum())
    x = np.array([*WAVELENGTHS_UM]) * f_number * frequency / PITCH_UM
    all_light = 2 / np.pi * (np.arccos(x) - x * np.sqrt(1 - x * x)) @ [*WAVELENGTHS_UM.values()]
    return float(all_light / on_samples)


def _samples_of_point(
    lens: WavefrontLens, f_number: float, height: float, azimuth: float, defocus_um: float
) -> np.ndarray:
    """As `image_of_point`, with a sum of 1."""
    from prysm.propagation import Wavefront  # a fifth of a second for every worker of the tests

    path_nm = 1000 * lens.path_um(f_number, height, azimuth, defocus_um)
    inside = np.clip((1 - np.sqrt(_pupil()[2])) * PUPIL / 2 + 0.5, 0, 1)
    spacing_mm = FOCAL_MM / f_number / PUPIL
    total = np.zeros((POINT, POINT))
    for wavelength_um, share in WAVELENGTHS_UM.items():
        pupil = Wavefront.from_amp_and_phase(inside, path_nm, wavelength_um, spacing_mm)
        field = pupil.focus_fixed_sampling(FOCAL_MM, STEP_UM * f_number, POINT).data
        intensity = np.abs(field) ** 2
        total += share * intensity / intensity.sum()
    return total


def _waves(frequencies: np.ndarray, f_number: float) -> np.ndarray:
    """Of each frequency (cycles per px) a wave along the samples of `image_of_point`."""
    place_px = (np.arange(POINT) - POINT // 2) * STEP_UM * f_number / PITCH_UM
    return np.exp(-2j * np.pi * np.outer(frequencies, place_px)).astype(np.complex64)


def sensor_mtf(fx: np.ndarray, fy: np.ndarray) -> np.ndarray:
    """Of the square pixel (a sinc each way) and of the filter's spots (a cosine each way): Goodman, 2.1.

    Parameters
    ----------
    fx, fy : ndarray
        Cycles per pixel.

    Returns
    -------
    ndarray
    """
    return np.sinc(fx) * np.sinc(fy) * _filter_mtf(fx, fy)


def _filter_mtf(fx: np.ndarray, fy: np.ndarray) -> np.ndarray:
    """Of the filter's spots alone; parameters as of `sensor_mtf`."""
    return np.cos(np.pi * FILTER_PX * fx) * np.cos(np.pi * FILTER_PX * fy)


def mtf50(
    lens: WavefrontLens, f_number: float, height: float, azimuth: float, defocus_um: float,
    across: np.ndarray = AZIMUTHS, all_light: bool = True,
) -> np.ndarray:  # fmt: skip
    """First crossing of one half by the whole chain's transfer function.

    Parameters
    ----------
    lens : WavefrontLens
    f_number, height, azimuth, defocus_um : float
        See `WavefrontLens.path_um`.
    across : ndarray
        Directions across edges, radians.
    all_light : bool
        Whether contrast is a share of all light, or of that which falls on the samples.

    Returns
    -------
    ndarray
        Cycles per pixel, one for each direction.
    """
    point = image_of_point(lens, f_number, height, azimuth, defocus_um).astype(np.complex64)
    point = point if all_light else point / point.sum()
    out = []
    for way in across:
        fx, fy = FREQUENCIES * np.cos(way), FREQUENCIES * np.sin(way)
        optics = ((_waves(fy, f_number) @ point) * _waves(fx, f_number)).sum(1)
        mtf = np.abs(optics) * sensor_mtf(fx, fy)
        below = int(np.argmax(mtf < 0.5))
        pair = slice(below - 1, below + 1)
        out.append(np.interp(-0.5, -mtf[pair], FREQUENCIES[pair]))
    return np.array(out)


def best_focus_um(lens: WavefrontLens, f_number: float) -> float:
    """Defocus at which the frame's centre is sharpest, where a camera focuses that looks for contrast.

    Parameters
    ----------
    lens : WavefrontLens
    f_number : float

    Returns
    -------
    float
    """
    one_way = AZIMUTHS[:1]
    sharp = [mtf50(lens, f_number, 0, 0, d, one_way)[0] for d in FOCUS_STEPS_UM]
    return float(FOCUS_STEPS_UM[int(np.argmax(sharp))])


def place_of_tile(row: int, column: int) -> tuple[float, float]:
    """Height (half-diagonals) and direction of a tile's middle.

    Parameters
    ----------
    row, column : int

    Returns
    -------
    tuple of float
    """
    y = (row + 0.5) * TILE_PX - SHAPE[0] / 2
    x = (column + 0.5) * TILE_PX - SHAPE[1] / 2
    return float(2 * np.hypot(x, y) / np.hypot(*SHAPE)), float(np.arctan2(y, x))


def true_curve(lens: WavefrontLens, f_number: float, focus_um: float) -> dict[str, float]:
    """MTF50 of every zone: the median over its area and over all directions of edges.

    Parameters
    ----------
    lens : WavefrontLens
    f_number, focus_um : float
        Aperture, and the defocus of a frame in focus.

    Returns
    -------
    dict of float
        Cycles per pixel.
    """
    tall, wide = (n // TILE_PX // 2 for n in SHAPE)  # one quarter of the frame is as the others
    tiles = np.array(
        [
            [mtf50(lens, f_number, *place_of_tile(tall + j, wide + i), focus_um) for i in range(wide)]
            for j in range(tall)
        ]
    )  # fmt: skip
    y, x = np.mgrid[5 : SHAPE[0] // 2 : 10, 5 : SHAPE[1] // 2 : 10]
    height = 2 * np.hypot(y, x) / np.hypot(*SHAPE)
    everywhere = tiles[y // TILE_PX, x // TILE_PX]
    return {
        zone: float(np.median(everywhere[(height >= near) & (height < far)]))
        for zone, (near, far) in ZONES.items()
    }


class SceneInFront:
    """A scene whose tiles are held as spectra, to be seen through lenses again and again.

    Parameters
    ----------
    light : ndarray of float32
        Linear light, `FINE` samples per pixel of `SHAPE`.
    """

    def __init__(self, light: np.ndarray) -> None:
        margin, step = MARGIN_PX * FINE, TILE_PX * FINE
        padded = np.pad(light, margin, mode="reflect")
        self.side = step + 2 * margin
        self.fy = (scipy.fft.fftfreq(self.side) * FINE).astype(np.float32)
        self.fx = (scipy.fft.rfftfreq(self.side) * FINE).astype(np.float32)
        self.tiles = {
            (j, i): scipy.fft.rfft2(
                padded[j * step : j * step + self.side, i * step : i * step + self.side]
            )
            for j in range(SHAPE[0] // TILE_PX)
            for i in range(SHAPE[1] // TILE_PX)
        }

    def seen(
        self, lens: WavefrontLens, f_number: float, defocus_um: float, shift_px: tuple[float, float]
    ) -> np.ndarray:
        """Light on the pixels, without noise.

        Parameters
        ----------
        lens : WavefrontLens
        f_number, defocus_um : float
        shift_px : tuple of float
            How far the camera has turned, down and right.

        Returns
        -------
        ndarray of float32, shape SHAPE
        """
        fy, fx = self.fy[:, None], self.fx[None]
        turned = np.exp(-2j * np.pi * (fy * shift_px[0] + fx * shift_px[1]))
        common = (turned * _filter_mtf(fx, fy)).astype(np.complex64)
        rows, columns = (n // TILE_PX for n in SHAPE)
        inside = slice(MARGIN_PX * FINE, (MARGIN_PX + TILE_PX) * FINE)
        out = np.empty(SHAPE, np.float32)
        for j in range(rows // 2):
            for i in range(columns // 2):
                quarter = self._optics(lens, f_number, defocus_um, j, i)
                for up, left in ((False, False), (False, True), (True, False), (True, True)):
                    # The lens is alike all round: what lies across the centre is its mirror image.
                    optics = quarter if up == left else np.roll(quarter[::-1], 1, axis=0)
                    optics = np.conj(optics) if left else optics
                    row = rows // 2 - 1 - j if up else rows // 2 + j
                    column = columns // 2 - 1 - i if left else columns // 2 + i
                    spectrum = self.tiles[row, column] * optics * common
                    tile = scipy.fft.irfft2(spectrum, (self.side, self.side))[inside, inside]
                    pixels = tile.reshape(TILE_PX, FINE, TILE_PX, FINE).mean((1, 3))
                    out[
                        row * TILE_PX : (row + 1) * TILE_PX,
                        column * TILE_PX : (column + 1) * TILE_PX,
                    ] = pixels
        return np.clip(out, 0, None)

    def _optics(
        self, lens: WavefrontLens, f_number: float, defocus_um: float, row: int, column: int
    ) -> np.ndarray:
        """Transfer function of a tile of the quarter that lies below and right of the centre."""
        tall, wide = (n // TILE_PX // 2 for n in SHAPE)
        height, azimuth = place_of_tile(tall + row, wide + column)
        point = image_of_point(lens, f_number, height, azimuth, defocus_um).astype(np.complex64)
        return _waves(self.fy, f_number) @ point @ _waves(self.fx, f_number).T
