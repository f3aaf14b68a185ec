"""Whether a picture was cut or enlarged: what its thumbnail shows beyond it, and traces in its pixels.

Programs that cut a part out of a frame often leave the camera's thumbnail as it was. Then the picture is
found again in a part of it, by normalised correlation at every size; a reduced picture fills all of it.

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
from auditor.measure.reduce import area_means

__all__ = ["resampled", "whole_side_px"]

_LEAST_PX: Final = 28
"""Shorter side below which a thumbnail has nothing to be recognised by."""
_SIDE_PX: Final = 80
"""Longer side to which thumbnails are reduced: with 112 all but one of 468 altered and real files were found at the
same size, in twice the time."""
_SHARES: Final = np.geomspace(0.2, 1.0, 49)
"""Shares of the thumbnail's sides that are tried, 3.4% apart; the last is the whole."""
_FINER: Final = 7
"""Shares tried between the best one's neighbours: less than 1% apart."""
_LEAST_PART_PX: Final = 14
"""Shorter side in the thumbnail below which a part has nothing to be recognised by."""
_MATCHING: Final = 0.87
"""Correlation from which picture and thumbnail show the same (common practice, no source)."""
_BETTER: Final = 0.012
"""By how much a part must fit better than the whole to be believed."""
_FLAT: Final = 6.0
"""Standard deviation in 8-bit code values below which there is nothing to be recognised by."""
_BAR: Final = 24
"""8-bit code value below which all of a bar beside the picture in a thumbnail lies."""
_SPECKS: Final = 0.02
"""Share of a bar's row or column that may be brighter: coding leaves specks."""


def whole_side_px(picture: Picture, thumbnail: bytes) -> int | None:
    """Longer side that the whole of the thumbnail's field has at the picture's own pixels.

    The picture is found again in its thumbnail by normalised cross-correlation over sizes.

    Parameters
    ----------
    picture : Picture
        Code values.
    thumbnail : bytes
        Embedded thumbnail, a JPEG.

    Returns
    -------
    int or None
        The picture's longer side where it shows all of the thumbnail's field, more after cutting. None where
        the two can't be compared or do not show the same.
    """
    if picture.code is None:
        return None
    small = cv2.imdecode(
        np.frombuffer(thumbnail, np.uint8), cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION
    )
    if small is None:
        return None
    small = _without_bars(small)
    factor = max(small.shape) / _SIDE_PX
    if factor > 1:
        size = round(small.shape[1] / factor), round(small.shape[0] / factor)
        small = cv2.resize(small, size, interpolation=cv2.INTER_AREA)
    if min(small.shape) < _LEAST_PX or small.std() < _FLAT:
        return None
    grey = _reduced(picture, 2 * _SIDE_PX)
    # Programs turn pictures and leave thumbnails lying.
    turned = (grey.shape[0] > grey.shape[1]) != (small.shape[0] > small.shape[1])
    views = [grey, np.rot90(grey), np.rot90(grey, 3)] if turned else [grey]
    found = [fit for view in views if (fit := _fit(np.ascontiguousarray(view), small)) is not None]
    if not found:
        return None
    _, scale = max(found)
    return round(max(small.shape) / scale * max(picture.shape) / max(grey.shape))


def _fit(grey: NDArray[Any], small: NDArray[Any]) -> tuple[float, float] | None:
    """Correlation at its best, and the thumbnail's pixels per pixel of `grey` there."""
    high, wide = small.shape
    whole = min(wide / grey.shape[1], high / grey.shape[0])
    correlation = _correlation(grey, small, whole)
    if correlation > 1 - _BETTER:  # nothing can fit better by as much
        return correlation, whole
    fits = [*(_correlation(grey, small, whole * share) for share in _SHARES[:-1]), correlation]
    best = max(range(len(fits)), key=lambda i: fits[i])
    if fits[best] < _MATCHING:
        return None
    # The whole is what is seen unless a part fits better.
    if fits[-1] > fits[best] - _BETTER:
        return fits[-1], whole
    finer = np.linspace(_SHARES[max(best - 1, 0)], _SHARES[min(best + 1, len(fits) - 1)], _FINER)
    return max((_correlation(grey, small, whole * share), whole * share) for share in finer)


def _correlation(grey: NDArray[Any], small: NDArray[Any], scale: float) -> float:
    """Highest normalised correlation of the picture at one size with any place of the thumbnail."""
    high, wide = small.shape
    size = (min(round(grey.shape[1] * scale), wide), min(round(grey.shape[0] * scale), high))
    if min(size) < _LEAST_PART_PX:
        return -1.0
    part = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    if part.std() < _FLAT:
        return -1.0
    return float(cv2.matchTemplate(small, part, cv2.TM_CCOEFF_NORMED).max())


def _reduced(picture: Picture, side: int) -> NDArray[Any]:
    code = picture.luma
    while max(code.shape) >= 2 * side and min(code.shape) >= 2:
        code = picture.half_luma if code is picture.luma else area_means(code, 2)
    if code.dtype != np.uint8:
        top = 255 / max(float(code.max()), 1e-6)
        code = (code.astype(np.float32) * top).astype(np.uint8)
    return code


def _without_bars(small: NDArray[Any]) -> NDArray[Any]:
    """Without the black bars that fill up a thumbnail of another shape than the picture."""
    bright = small > _BAR
    rows, columns = bright.mean(1) > _SPECKS, bright.mean(0) > _SPECKS
    if not rows.any() or not columns.any():
        return small
    top, bottom = int(rows.argmax()), int(rows[::-1].argmax())
    left, right = int(columns.argmax()), int(columns[::-1].argmax())
    # Bars lie on both sides alike; a dark edge of the scene does not.
    rim = min(top, bottom) if abs(top - bottom) <= 2 else 0
    side = min(left, right) if abs(left - right) <= 2 else 0
    return small[rim : small.shape[0] - rim, side : small.shape[1] - side]


_PX: Final = (1024, 3072)
"""Rows and columns looked at: rows average noise away, columns tell frequencies apart."""
_PEAK: Final = 7.0
"""Height over the median of the frequencies around from which a line is no chance. Of 90 files made from
real ones and not enlarged (`tests/settings/altered`, the half to tune on) one passes 6.1, a reduced one;
so does a telephone that resamples what its sensor gives; of 15 enlarged ones 14 pass."""
_LEAST_ROWS_PX: Final = 200
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
    if min(green.shape) < _LEAST_ROWS_PX:
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
