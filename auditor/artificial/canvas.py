"""A surface on which artificial scenes are drawn: area-sampled shapes in linear light, with distance.

Coordinates are shares of the frame: x from 0 (left) to 1 (right), y from 0 (top) to 1 (bottom).
Coverage along an outline is that of a sample's small square, so that an edge drawn here is a true
step seen at the oversampled resolution and nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final

import cv2
import numpy as np
import scipy.fft
from numpy.typing import ArrayLike, NDArray

__all__ = ["Canvas", "Colour", "fractal_tile"]

Image = NDArray[np.float32]
Colour = tuple[float, float, float]

TILE: Final = 1024
COARSE: Final = 8
"""Samples of the drawing per sample of the distance map."""


@lru_cache(maxsize=4)
def fractal_tile(seed: int) -> Image:
    """A periodic (1024, 1024) texture with amplitude spectrum 1 / f, mean 0, sd 1.

    Natural scenes have amplitude spectra close to 1 / f (Field, J. Opt. Soc. Am. A 4, 1987).
    """
    rng = np.random.default_rng(seed)
    white = scipy.fft.rfft2(rng.standard_normal((TILE, TILE), dtype=np.float32))
    fy, fx = scipy.fft.fftfreq(TILE), scipy.fft.rfftfreq(TILE)
    radial = np.hypot(fy[:, None], fx[None, :])
    radial[0, 0] = np.inf
    # Below 1/64 of a sample the texture would be shading, which the scenes draw themselves.
    shape = 1 / np.maximum(radial, 1 / 64)
    tile = scipy.fft.irfft2(white * shape, s=(TILE, TILE))
    return np.asarray((tile - tile.mean()) / tile.std(), np.float32)


@dataclass
class Canvas:
    """Linear RGB radiance of shape (rows, cols, 3) and a coarse map of distance in metres."""

    rows: int
    cols: int
    seed: int
    radiance: Image = field(init=False)
    distance: Image = field(init=False)

    def __post_init__(self) -> None:
        self.radiance = np.zeros((self.rows, self.cols, 3), np.float32)
        self.distance = np.full((self.rows // COARSE, self.cols // COARSE), np.inf, np.float32)
        self.rng = np.random.default_rng(self.seed)
        repeat = (self.rows // TILE + 2, self.cols // TILE + 2)
        self._grain = np.tile(fractal_tile(self.seed % 3), repeat)

    def grain(self, top: int, bottom: int, left: int, right: int) -> Image:
        """A piece of fractal texture, another piece for every call."""
        dy, dx = (int(v) for v in self.rng.integers(0, TILE, 2))
        return self._grain[top + dy : bottom + dy, left + dx : right + dx]

    def fill_sky(self, zenith: Colour, horizon: Colour, cloud: float = 0.0) -> None:
        """A vertical gradient with soft clouds of this strength."""
        t = np.linspace(0, 1, self.rows, dtype=np.float32)[:, None]
        ramp = np.array(zenith, np.float32) * (1 - t) + np.array(horizon, np.float32) * t
        self.radiance[:] = ramp[:, None, :]
        if cloud:
            soft = np.zeros((self.rows, self.cols), np.float32)
            for rows, cols, strength in ((7, 5, 1.0), (17, 11, 0.5), (40, 24, 0.25)):
                small = self.rng.standard_normal((rows, cols)).astype(np.float32) * strength
                soft += cv2.resize(small, (self.cols, self.rows), interpolation=cv2.INTER_CUBIC)
            shade = np.float32(cloud * 0.9) / (1 + np.exp(1.0 - 2.2 * soft))
            self.radiance += shade[..., None] * (0.85 - self.radiance)

    def below(
        self, profile: ArrayLike, colour: Colour, texture: float, metres: float, shade: float = 0.0
    ) -> None:
        """Fill everything below a line; `profile` holds its y at equal steps of x.

        `texture` is the strength of fractal grain as a share of the colour; `shade` darkens (or
        with a minus lightens) by this share from the line to the frame's bottom.
        """
        y = np.asarray(profile, float) * self.rows - 0.5
        line = np.interp(np.linspace(0, len(y) - 1, self.cols), np.arange(len(y)), y)
        line = line.astype(np.float32)
        slope = np.sqrt(1 + np.gradient(line) ** 2)
        top = int(max(0, np.floor(line.min()) - 2))
        if top >= self.rows:
            return
        rows = np.arange(top, self.rows, dtype=np.float32)[:, None]
        cover = np.clip((rows - line[None, :]) / slope[None, :] + 0.5, 0, 1)
        fill = 1 + np.float32(texture) * self.grain(top, self.rows, 0, self.cols)
        fill *= 1 - np.float32(shade) * (rows - top) / max(self.rows - top, 1)
        part = self.radiance[top:]
        for i in range(3):
            part[..., i] += cover * (fill * np.float32(colour[i]) - part[..., i])
        coarse = cover[COARSE // 2 :: COARSE, COARSE // 2 :: COARSE]
        first = self.distance.shape[0] - coarse.shape[0]
        target = self.distance[max(first, 0) :]
        rows_, cols_ = (min(a, b) for a, b in zip(coarse.shape, target.shape, strict=True))
        target[-rows_:, :cols_][coarse[-rows_:, :cols_] > 0.5] = metres

    def convex(
        self, points: ArrayLike, colour: Colour, texture: float = 0.0, metres: float | None = None
    ) -> None:
        """Fill a convex polygon whose corners are shares of the frame, in either direction."""
        corners = np.asarray(points, float) * (self.cols, self.rows) - 0.5
        top, left = (int(max(0, np.floor(corners[:, i].min()) - 1)) for i in (1, 0))
        bottom = int(min(self.rows, np.ceil(corners[:, 1].max()) + 2))
        right = int(min(self.cols, np.ceil(corners[:, 0].max()) + 2))
        if bottom <= top or right <= left:
            return
        y = np.arange(top, bottom, dtype=np.float32)[:, None]
        x = np.arange(left, right, dtype=np.float32)[None, :]
        after = np.roll(corners, -1, axis=0)
        middle = corners.mean(axis=0)
        outside = np.full((bottom - top, right - left), -1e6, np.float32)
        for (x0, y0), (x1, y1) in zip(corners, after, strict=True):
            nx, ny = y1 - y0, x0 - x1
            length = np.hypot(nx, ny)
            if length < 1e-6:
                continue
            sign = 1.0 if (middle[0] - x0) * nx + (middle[1] - y0) * ny < 0 else -1.0
            nx, ny = sign * nx / length, sign * ny / length
            np.maximum(
                outside,
                (x - np.float32(x0)) * np.float32(nx) + (y - np.float32(y0)) * np.float32(ny),
                out=outside,
            )
        cover = np.clip(0.5 - outside, 0, 1)
        if texture:
            fill: Image | float = 1 + np.float32(texture) * self.grain(top, bottom, left, right)
        else:
            fill = 1.0
        part = self.radiance[top:bottom, left:right]
        for i in range(3):
            part[..., i] += cover * (fill * np.float32(colour[i]) - part[..., i])
        if metres is not None:
            outline = np.rint(corners / COARSE).astype(np.int32)
            cv2.fillConvexPoly(self.distance, outline, float(metres))
