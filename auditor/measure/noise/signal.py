"""How much of a frame lies at which signal."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor.measure.picture import Mosaic, Picture
from auditor.record import SIGNAL_BIN_EDGES

__all__ = ["clipped_share", "mosaic_shares", "shares", "signal_shares"]

_SAMPLE = 100_000
"""Pixels looked at; a share of one half is then known to 0.16%."""


def _stride(pixels: int) -> int:
    return max(1, int(np.sqrt(pixels / _SAMPLE)))


def _sampled(plane: NDArray[Any]) -> NDArray[Any]:
    """About `_SAMPLE` pixels of a frame: few rows, closely, since memory is read by the row."""
    step = _stride(plane.shape[0] * plane.shape[1])
    close = max(1, step // 3)
    return np.ascontiguousarray(plane[:: max(1, step * step // close), ::close])


def shares(
    signal: NDArray[np.floating], weights: NDArray[np.floating] | None = None
) -> tuple[float, ...]:
    """Histogram of log2 signal in the bins of `SIGNAL_BIN_EDGES`.

    Parameters
    ----------
    signal : ndarray
        Linear light, 1 = white; NaN counts as black.
    weights : ndarray or None
        Weight of each value; None for equal ones.

    Returns
    -------
    tuple of float
        Shares that sum to 1.
    """
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
        As `shares`.
    """
    sample = _sampled(picture.luma)
    if sample.dtype == np.uint8:
        codes = cv2.calcHist([sample], [0], None, [256], [0, 256]).ravel()
        light = picture.linear(np.arange(256, dtype=np.uint8))
        return shares(light, codes / sample.size)
    return shares(picture.linear(sample).ravel())


def clipped_share(picture: Picture) -> float:
    """Share of pixels with at least one channel at white, from a regular sample.

    Parameters
    ----------
    picture : Picture
        A developed frame.

    Returns
    -------
    float
        0 to 1.
    """
    assert picture.code is not None
    sample = _sampled(picture.code)
    clipped = sample >= sample.dtype.type(picture.peak)
    if clipped.ndim == 3:
        clipped = clipped[..., 0] | clipped[..., 1] | clipped[..., 2]
    return float(np.count_nonzero(clipped) / clipped.size)


def mosaic_shares(mosaic: Mosaic) -> tuple[tuple[float, ...], float]:
    """Histogram of log2 signal over the green sites, and the share of clipped sites.

    Parameters
    ----------
    mosaic : Mosaic
        Raw data.

    Returns
    -------
    shares : tuple of float
        As `shares`.
    clipped : float
        Share of all sites at or above the stated white level.
    """
    step = 2 * _stride(mosaic.raw.size // 4)
    samples, clipped = [], []
    for y in (0, 1):
        for x in (0, 1):
            plane = mosaic.raw[y::step, x::step].astype(np.float32)
            clipped.append((plane >= mosaic.white).mean())
            if mosaic.colours[y, x] == 1 or not (mosaic.colours == 1).any():
                span = mosaic.white - mosaic.black[y, x]
                samples.append(((plane - mosaic.black[y, x]) / span).ravel())
    return shares(np.concatenate(samples)), float(np.mean(clipped))
