"""How much of a frame lies at which signal."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor.measure.picture import Mosaic, Picture
from auditor.record import SIGNAL_BIN_EDGES

__all__ = ["mosaic_shares", "signal_shares"]

_SAMPLE = 100_000
"""Pixels looked at; a share of one half is then known to 0.16%."""


def _stride(pixels: int) -> int:
    return max(1, int(np.sqrt(pixels / _SAMPLE)))


def _sampled(plane: NDArray[Any]) -> NDArray[Any]:
    """About `_SAMPLE` pixels of a frame: few rows, closely, since memory is read by the row."""
    step = _stride(plane.shape[0] * plane.shape[1])
    close = max(1, step // 3)
    return np.ascontiguousarray(plane[:: max(1, step * step // close), ::close])


def _shares(
    signal: NDArray[np.floating], weights: NDArray[np.floating] | None = None
) -> tuple[float, ...]:
    """Share of values (linear light, 1 = white; NaN counts as black) in each bin of `SIGNAL_BIN_EDGES`."""
    floor = 2.0 ** SIGNAL_BIN_EDGES[0]
    stops = np.log2(np.clip(np.nan_to_num(signal), floor, 1.0))
    # The edges are half a stop apart; white itself belongs to the last bin.
    bins = len(SIGNAL_BIN_EDGES) - 1
    index = np.minimum(((stops - SIGNAL_BIN_EDGES[0]) * 2).astype(np.intp), bins - 1)
    counts = np.bincount(index, weights, minlength=bins)
    return tuple(float(c) for c in counts / max(float(counts.sum()), 1e-12))


def signal_shares(picture: Picture) -> tuple[float, ...]:
    """Histogram of log2 signal of a developed frame's luma, from a regular sample of pixels.

    Parameters
    ----------
    picture : Picture
        A developed frame.

    Returns
    -------
    tuple of float
        Shares that sum to 1.
    """
    sample = _sampled(picture.luma)
    if sample.dtype == np.uint8:
        codes = cv2.calcHist([sample], [0], None, [256], [0, 256]).ravel()
        light = picture.linear(np.arange(256, dtype=np.uint8))
        return _shares(light, codes / sample.size)
    return _shares(picture.linear(sample).ravel())


def mosaic_shares(mosaic: Mosaic) -> tuple[float, ...]:
    """Histogram of log2 signal over the green sites.

    Parameters
    ----------
    mosaic : Mosaic
        Raw data.

    Returns
    -------
    tuple of float
        As `signal_shares`.
    """
    step = 2 * _stride(mosaic.raw.size // 4)
    samples = [
        (mosaic.raw[y::step, x::step].astype(np.float32) - mosaic.black[y, x])
        / (mosaic.white - mosaic.black[y, x])
        for y, x in np.argwhere(mosaic.colours == 1)
    ]
    return _shares(np.concatenate([sample.ravel() for sample in samples]))
