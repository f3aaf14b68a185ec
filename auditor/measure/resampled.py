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

from auditor.measure.picture import Picture

__all__ = ["resampled"]

_PX: Final = (1024, 3072)
"""Rows and columns looked at: rows average noise away, columns tell frequencies apart."""
_PEAK: Final = 7.0
"""Height over the median of the frequencies around from which a line is no chance. Of 90 files made from
real ones and not enlarged (`tests/settings/altered`, the half to tune on) one passes 6.1, a reduced one;
so does a telephone that resamples what its sensor gives; of 15 enlarged ones 14 pass."""
_LOWEST: Final = 0.06
_BLOCKS: Final = 0.004
_AROUND: Final = 0.05
"""Cycles per pixel: below the first scenes have lines of their own; how close to a multiple of one eighth
is left out; and what is around a line."""
_SAME: Final = 0.002
"""Cycles per pixel within which lines of rows and columns are one: enlarging works on both alike."""
_LARGEST: Final = 12.0
"""8-bit code values to which a second difference counts: edges of the scene are not noise."""


def resampled(picture: Picture) -> bool | None:
    """Whether the picture was enlarged after it left the sensor; None where that can't be seen."""
    if picture.code is None or picture.code.dtype != np.uint8:
        return None
    green = picture.code if picture.code.ndim == 2 else picture.code[..., 1]
    if min(green.shape) < 200:
        return None
    lines = [_lines(_middle(g).astype(np.float32)) for g in (green, green.T)]
    both = [(min(a, b), f) for a, f in lines[0] for b, g in lines[1] if abs(f - g) < _SAME]
    return bool(both) and max(both)[0] > _PEAK


def _middle(code: NDArray[Any]) -> NDArray[Any]:
    high, wide = (min(n, limit) for n, limit in zip(code.shape, _PX, strict=True))
    top, left = (code.shape[0] - high) // 2, (code.shape[1] - wide) // 16 * 8
    return code[top : top + high, left : left + wide // 8 * 8]


def _lines(grey: NDArray[np.float32]) -> list[tuple[float, float]]:
    """The three highest lines of the spectrum along rows: height over what is around, frequency."""
    second = np.abs(2 * grey[:, 1:-1] - grey[:, :-2] - grey[:, 2:])
    along = np.minimum(second, _LARGEST).mean(0)
    along = along - cv2.blur(along[None], (33, 1))[0]
    power = np.abs(np.fft.rfft(along * np.hanning(len(along))))
    freq = np.fft.rfftfreq(len(along))
    use = (freq > _LOWEST) & (np.abs(freq * 8 - np.round(freq * 8)) > 8 * _BLOCKS)
    freq, power = freq[use], power[use]
    found = []
    for at in np.argsort(power)[::-1][:3]:
        around = np.abs(freq - freq[at]) < _AROUND
        found.append((float(power[at] / max(np.median(power[around]), 1e-9)), float(freq[at])))
    return found
