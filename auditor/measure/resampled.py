"""Traces that enlarging leaves in a picture's pixels.

Interpolated pixels vary less the farther they lie from an original one, so that the size of second
differences along rows and columns repeats with the factor of enlarging (Gallagher, "Detection of Linear
and Cubic Interpolation in JPEG Compressed Images", Computer and Robot Vision 2005). The blocks of JPEG
repeat too, every eighth pixel, and are left out.
"""

from __future__ import annotations

from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor.measure.cosine import JPEG_BLOCK
from auditor.measure.picture import Picture

__all__ = ["resampled"]

_PX: Final = (1024, 3072)
"""Rows and columns looked at: rows average noise away, columns tell frequencies apart."""
_PEAK: Final = 7.0
"""Height over the median of the frequencies around from which a line is no chance. Of 90 files made from
real ones and not enlarged (`tests/settings/altered`, the half to tune on) one passes 6.1, a reduced one;
so does a telephone that resamples what its sensor gives; of 15 enlarged ones 14 pass."""
_LEAST_PX: Final = 200
"""Shorter side in pixels below which rows are too few to average noise away (a judgement, no source)."""
_SMOOTH_PX: Final = 33
"""Width of the running mean that is taken off: it holds the scene's slow changes."""
_LOWEST: Final = 0.06
"""Cycles per pixel below which scenes have lines of their own."""
_BLOCKS: Final = 0.004
"""Cycles per pixel: so close to a multiple of one eighth nothing is looked at."""
_AROUND: Final = 0.05
"""Cycles per pixel to either side of a line that are around it."""
_SAME: Final = 0.002
"""Cycles per pixel within which lines of rows and columns are one: enlarging works on both alike."""
_LARGEST: Final = 12.0
"""8-bit code values to which a second difference counts: edges of the scene are not noise."""


def resampled(picture: Picture) -> bool | None:
    """Whether the picture was enlarged after it left the sensor.

    Interpolation makes the magnitude of second differences periodic along rows and columns alike; a line at
    one frequency in the spectra of both shows it.

    Parameters
    ----------
    picture : Picture
        Code values.

    Returns
    -------
    bool or None
        None where that can't be seen: other types than uint8, small pictures, mosaics.

    References
    ----------
    Gallagher, Detection of Linear and Cubic Interpolation in JPEG Compressed Images, Computer and Robot Vision
    2005.
    """
    if picture.code is None or picture.code.dtype != np.uint8:
        return None
    green = picture.code if picture.code.ndim == 2 else picture.code[..., 1]
    if min(green.shape) < _LEAST_PX:
        return None
    lines = [
        _spectral_lines(_second_differences(_middle(green), 1)),
        _spectral_lines(_second_differences(_middle(green.T).T, 0)),
    ]
    both = [(min(a, b), f) for a, f in lines[0] for b, g in lines[1] if abs(f - g) < _SAME]
    return bool(both) and max(both)[0] > _PEAK


def _middle(code: NDArray[Any]) -> NDArray[Any]:
    high, wide = (min(n, limit) for n, limit in zip(code.shape, _PX, strict=True))
    top, left = (code.shape[0] - high) // 2, _whole_blocks((code.shape[1] - wide) // 2)
    return code[top : top + high, left : left + _whole_blocks(wide)]


def _whole_blocks(pixels: int) -> int:
    """The pixels of the whole blocks among so many."""
    return pixels // JPEG_BLOCK * JPEG_BLOCK


def _second_differences(grey: NDArray[Any], axis: int) -> NDArray[np.float32]:
    """Mean size of the second differences at every place along an axis."""
    kernel = np.array([[-1, 2, -1]], np.float32)
    second = cv2.filter2D(np.ascontiguousarray(grey), cv2.CV_16S, kernel if axis else kernel.T)
    magnitude = cv2.threshold(cv2.convertScaleAbs(second), _LARGEST, _LARGEST, cv2.THRESH_TRUNC)[1]
    mean = cv2.reduce(magnitude, 1 - axis, cv2.REDUCE_AVG, dtype=cv2.CV_32F)
    return np.asarray(mean, np.float32).ravel()[1:-1]


def _spectral_lines(means: NDArray[np.float32]) -> list[tuple[float, float]]:
    """The three highest lines of the spectrum of second differences: height over what is around, frequency."""
    means = means - cv2.blur(means[None], (_SMOOTH_PX, 1))[0]
    power = np.abs(np.fft.rfft(means * np.hanning(len(means))))
    freq = np.fft.rfftfreq(len(means))
    per_block = freq * JPEG_BLOCK
    use = (freq > _LOWEST) & (np.abs(per_block - np.round(per_block)) > JPEG_BLOCK * _BLOCKS)
    freq, power = freq[use], power[use]
    found = []
    for at in np.argsort(power)[::-1][:3]:
        neighbours = np.abs(freq - freq[at]) < _AROUND
        found.append((float(power[at] / max(np.median(power[neighbours]), 1e-9)), float(freq[at])))
    return found
