"""Scenes with edges everywhere, for frames seen through wavefronts: leaves, houses, and pictures hung before leaves.

Leaves follow the dead-leaves model, shapes that cover each other with radii spread as r^-3, which has the statistics of
photographs (A. Lee, D. Mumford and J. Huang, Occlusion models for natural images, Int. J. Computer Vision 41, 2001).
"""

from __future__ import annotations

import cv2
import numpy as np
from photographs import linear
from skimage import data
from wavefront_worlds import FINE, SHAPE

DRAWN = 4
"""Points drawn per fine sample and averaged over its area, so that it is nearly a box: that the pixel is made of points
makes edges sharper by a thousandth or two (with 2 by six)."""
SUBSAMPLE_BITS = 4
WHITE = 255
TEXTURE = 0.04
"""Standard deviation of the grain of surfaces, as a share of their light."""
PER_PX = FINE * DRAWN
LEAVES = 12_000
LEAF_PX = 8.0, 220.0
HOUSES = 45
PICTURES = 12


def scene(kind: str, rng: np.random.Generator) -> np.ndarray:
    """Linear light of a scene.

    Parameters
    ----------
    kind : {'leaves', 'houses', 'pictures'}
    rng : numpy.random.Generator

    Returns
    -------
    ndarray of float32
        `FINE` samples per pixel of a frame; 1 is the white of a file.
    """
    canvas = np.full([n * PER_PX for n in SHAPE], 60, np.uint8)
    _leaves(canvas, rng)
    if kind == "houses":
        _houses(canvas, rng)
    fine = tuple(n * FINE for n in reversed(SHAPE))
    light = cv2.resize(canvas, fine, interpolation=cv2.INTER_AREA).astype(np.float32) / WHITE
    if kind == "pictures":
        _pictures(light, rng)
    grain = cv2.GaussianBlur(rng.standard_normal(light.shape, np.float32), (0, 0), FINE)
    return light * np.clip(1 + TEXTURE * grain / grain.std(), 0.5, 1.5)


def _fill(canvas: np.ndarray, corners_px: np.ndarray, tone: float) -> None:
    """One polygon of (x, y) in pixels of the frame."""
    points = np.round(corners_px * PER_PX * 2**SUBSAMPLE_BITS).astype(np.int32)
    cv2.fillPoly(canvas, [points], float(tone), shift=SUBSAMPLE_BITS)


def _turned(x: np.ndarray, y: np.ndarray, angle: float, at: np.ndarray) -> np.ndarray:
    """Points turned about the origin and moved to a place."""
    c, s = np.cos(angle), np.sin(angle)
    return np.stack([x * c - y * s, x * s + y * c], 1) + at


def _leaves(canvas: np.ndarray, rng: np.random.Generator) -> None:
    """One over the other, as the model has it: large ones cover small ones as often as the other way round."""
    small, large = LEAF_PX
    shares = rng.random(LEAVES)
    for radius in (small**-2 + shares * (large**-2 - small**-2)) ** -0.5:
        around = np.sort(rng.uniform(0, 2 * np.pi, rng.integers(4, 9)))
        x, y = radius * np.cos(around), radius * rng.uniform(0.4, 1.0) * np.sin(around)
        at = rng.uniform(0, 1, 2) * SHAPE[::-1]
        _fill(canvas, _turned(x, y, rng.uniform(0, np.pi), at), np.exp(rng.uniform(1.8, 5.1)))


def _houses(canvas: np.ndarray, rng: np.random.Generator) -> None:
    """Walls a few degrees out of plumb, with windows."""
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]])
    for _ in range(HOUSES):
        size = rng.uniform((120, 150), (320, 420))
        at = rng.uniform(-0.1, 0.95, 2) * SHAPE[::-1]
        lean = np.radians(rng.choice([-1, 1]) * rng.uniform(2, 8))
        wall, pane = rng.uniform(50, 190), rng.uniform(4, 25)
        _fill(canvas, _turned(*(corners * size).T, lean, at), wall)
        step = rng.uniform(30, 60)
        for x in np.arange(10, size[0] - step, step):
            for y in np.arange(10, size[1] - 1.3 * step, 1.4 * step):
                window = corners * (0.6 * step, step) + (x, y)
                _fill(canvas, _turned(*window.T, lean, at), pane)


def _pictures(light: np.ndarray, rng: np.random.Generator) -> None:
    """scikit-image's sample photographs, made smaller so that they are sharp, and a little turned."""
    photographs = (data.astronaut(), data.coffee(), data.rocket(), data.chelsea())
    for number in range(PICTURES):
        code = cv2.cvtColor(photographs[number % len(photographs)], cv2.COLOR_RGB2GRAY)
        small = cv2.resize(
            linear(code / WHITE).astype(np.float32), None, fx=0.7, fy=0.7, interpolation=cv2.INTER_AREA
        )  # fmt: skip
        tall, wide = small.shape
        c, s = np.cos(angle := np.radians(rng.normal(0, 8))), np.sin(angle)
        x, y = rng.uniform(0, 1, 2) * (light.shape[1] - wide, light.shape[0] - tall)
        move = np.array([[c, -s, x], [s, c, y]])
        size = light.shape[::-1]
        inside = cv2.warpAffine(np.ones_like(small), move, size, flags=cv2.INTER_LINEAR)
        moved = cv2.warpAffine(small, move, size, flags=cv2.INTER_CUBIC)
        light[:] = np.where(inside > 0.999, 0.85 * np.clip(moved, 0, 1), light)
