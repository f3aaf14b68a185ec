"""Blocks of a mosaic, colour by colour: signal, noise, and how flat they are.

Noise of a mosaic is white, so in each block of `SIDE` x `SIDE` sites of one colour it is read from the
high frequencies alone; the low ones say whether the block is flat. For white noise the two are
independent, so choosing flat blocks does not prefer quiet ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.noise.cosine import EIGHT
from auditor.measure.picture import Mosaic

__all__ = ["HIGH_COUNT", "SIDE", "Sites", "saturation", "site_blocks"]

SIDE: Final = 8

_RADIUS: Final = EIGHT.frequency * 2 * SIDE
_HIGH: Final = _RADIUS >= 6.0
_MIDDLE: Final = (_RADIUS >= 4.0) & ~_HIGH
_LOW: Final = (_RADIUS > 1.0) & (_RADIUS < 4.0)
HIGH_COUNT: Final = int(_HIGH.sum())
"""Squared coefficients behind a block's noise: its degrees of freedom."""

_MOST_BLOCKS: Final = 24_000


@dataclass(frozen=True)
class Sites:
    """Blocks of one mosaic.

    Attributes:
        place: (n,) where in the frame; the four sites of a place and its neighbours left and right
            lie one apart.
        colour: (n,) 0 red, 1 green, 2 blue.
        signal: (n,) mean in DN after the black level.
        high: (n,) mean squared coefficient at high frequency: the noise variance, DN squared.
        low: (n,) the same at low frequency: noise plus scene.
        middle: (n,) the same between the two.
    """

    place: NDArray[np.intp]
    colour: NDArray[np.int_]
    signal: NDArray[np.float64]
    high: NDArray[np.float64]
    low: NDArray[np.float64]
    middle: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.signal)

    def take(self, keep: NDArray[np.bool_]) -> Sites:
        return Sites(*(getattr(self, n)[keep] for n in self.__dataclass_fields__))


def saturation(mosaic: Mosaic) -> float:
    """The DN at which the sensor really saturates: a pile-up below the stated white counts."""
    step = max(1, int(np.sqrt(mosaic.raw.size / 1_000_000)))
    sample = mosaic.raw[::step, ::step]
    top = float(sample.max())
    piled = int((sample >= top).sum())
    if top < mosaic.white and piled > max(20, 1e-5 * sample.size):
        return top
    return float(mosaic.white)


def site_blocks(mosaic: Mosaic) -> Sites:
    """Blocks of every colour, evenly over the frame, without clipped or dark-clipped ones."""
    top = saturation(mosaic)
    height, width = mosaic.raw.shape
    rows, columns = height // (2 * SIDE), width // (2 * SIDE)
    step = max(1, -(-rows * columns * 4 // _MOST_BLOCKS))
    parts = []
    for row in range(0, rows, step):
        band = mosaic.raw[row * 2 * SIDE : (row + 1) * 2 * SIDE, : columns * 2 * SIDE]
        if band.dtype.kind != "f":
            band = band.astype(np.float32)
        for y in (0, 1):
            for x in (0, 1):
                plane = band[y::2, x::2].reshape(SIDE, columns, SIDE).swapaxes(0, 1)
                fine = np.isfinite(plane).all((1, 2))
                # Zero is where stored values end: what noise would lie below is cut off.
                inside = fine & (plane.max((1, 2)) < top) & (plane.min((1, 2)) > 0)
                kept = plane[inside].astype(np.float32)
                mean = kept.mean((1, 2))
                squares = EIGHT.without_plane(kept) ** 2
                parts.append(
                    Sites(
                        np.flatnonzero(inside) + row // step * (columns + 1),
                        np.full(len(kept), mosaic.colours[y, x], np.int_),
                        mean.astype(np.float64) - float(mosaic.black[y, x]),
                        squares[:, _HIGH].mean(1).astype(np.float64),
                        squares[:, _LOW].mean(1).astype(np.float64),
                        squares[:, _MIDDLE].mean(1).astype(np.float64),
                    )
                )
    joined = Sites(
        *(np.concatenate([getattr(p, n) for p in parts]) for n in Sites.__dataclass_fields__)
    )
    # Near white a block without a clipped pixel is one whose noise happened to stay low.
    return joined.take(joined.signal < 0.85 * (top - float(mosaic.black.mean())))
