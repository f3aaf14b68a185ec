"""Invented places: ridges, woods, lakes, huts and rock, drawn for the artificial camera.

`landscape` draws one place; the same kind, size and seed give the same place. Every place has
step edges in many directions in the centre, the middle and all four corners, texture with a natural
spectrum, and plain areas at several brightnesses.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.artificial.canvas import Canvas
from auditor.artificial.scenery import (
    bare_tree,
    boulders,
    conifer,
    flanks,
    frame_corners,
    grass,
    hut,
    ridge,
    tinted,
    water,
)

__all__ = ["BRIGHTNESS", "PLACES", "Scene", "landscape"]

PLACES: Final = ("alp", "lake", "hamlet", "woodland", "crag", "moor")
BRIGHTNESS: Final = {
    "alp": 14.3, "lake": 13.6, "hamlet": 13.0, "crag": 13.6, "moor": 12.3, "woodland": 9.5
}  # fmt: skip
"""EV100 at which each place is met on an ordinary day."""


@dataclass(frozen=True, slots=True)
class Scene:
    """A place, oversampled."""

    radiance: NDArray[np.float32]
    """(height * oversample, width * oversample, 3), linear, 1 = white."""
    distance: NDArray[np.float32]
    """Metres, on a coarse grid over the frame; infinite for the sky."""
    oversample: int


def landscape(place: str, height: int, width: int, seed: int, oversample: int = 2) -> Scene:
    """Draw a place.

    Parameters
    ----------
    place : str
        One of `PLACES`.
    height, width : int
        Size of the frame in sensor pixels.
    seed : int
        Decides what stands where.
    oversample : int
        Samples per pixel, along either side.

    Returns
    -------
    Scene
        The same for the same arguments.

    Raises
    ------
    ValueError
        Where there is no such place.
    """
    if place not in PLACES:
        raise ValueError(f"there is no place {place!r}; there are {', '.join(PLACES)}")
    canvas = Canvas(height * oversample, width * oversample, seed * 7 + PLACES.index(place))
    _DRAW[place](canvas)
    np.clip(canvas.radiance, 0.0015, 0.93, out=canvas.radiance)
    return Scene(canvas.radiance, canvas.distance, oversample)


def _alp(c: Canvas) -> None:
    rng = c.rng
    c.fill_sky((0.20, 0.33, 0.60), (0.55, 0.64, 0.74), 0.5)
    far = ridge(c, 0.48, 0.34, 9)
    c.below(far.profile(), (0.36, 0.41, 0.50), 0.03, 4000)
    flanks(c, far, (0.21, 0.25, 0.33), (0.80, 0.83, 0.88))
    near = ridge(c, 0.60, 0.22, 11)
    c.below(near.profile(), (0.22, 0.23, 0.20), 0.10, 1500)
    flanks(c, near, (0.10, 0.12, 0.13))
    boulders(
        c, 60, (0.0, 0.42, 1.0, 0.68), 0.012, (0.44, 0.43, 0.39), (0.09, 0.10, 0.11), 1500, near
    )
    c.below(ridge(c, 0.74, 0.08, 7).profile(), (0.16, 0.21, 0.07), 0.22, 200, shade=0.3)
    for _ in range(34):
        conifer(c, float(rng.uniform(0, 1)), float(rng.uniform(0.7, 0.84)), float(rng.uniform(0.06, 0.16)),
                 (0.035, 0.055, 0.025), 200)  # fmt: skip
    hut(c, float(rng.uniform(0.32, 0.52)), 0.82, float(rng.uniform(0.12, 0.17)), 120)
    boulders(c, 60, (0.0, 0.82, 1.0, 1.02), 0.022, (0.50, 0.47, 0.42), (0.12, 0.11, 0.11), 20)
    grass(c, 160, 0.84, (0.26, 0.30, 0.10))
    frame_corners(c, "rock")


def _lake(c: Canvas) -> None:
    rng = c.rng
    c.fill_sky((0.30, 0.40, 0.58), (0.66, 0.66, 0.64), 0.8)
    far = ridge(c, 0.45, 0.30, 7)
    c.below(far.profile(), (0.35, 0.39, 0.45), 0.04, 3000)
    flanks(c, far, (0.2, 0.24, 0.31), (0.66, 0.68, 0.70))
    c.below(ridge(c, 0.52, 0.10, 10).profile(), (0.10, 0.14, 0.07), 0.2, 800)
    for _ in range(40):
        conifer(
            c,
            float(rng.uniform(0, 1)),
            0.545,
            float(rng.uniform(0.04, 0.12)),
            (0.03, 0.05, 0.025),
            800,
        )
    water(c, 0.545, (0.20, 0.27, 0.34), 240)
    c.convex(
        [(0.3, 0.6), (0.4, 0.56), (0.74, 0.555), (0.8, 0.59), (0.7, 0.605)],
        (0.17, 0.2, 0.08),
        0.2,
        300,
    )
    hut(c, float(rng.uniform(0.42, 0.58)), 0.585, 0.13, 300)
    x = float(rng.uniform(0.3, 0.5))
    for i in range(7):  # a jetty on posts
        px = x + 0.03 * i
        c.convex([(px, 0.66 + 0.02 * i), (px + 0.006, 0.66 + 0.02 * i), (px + 0.004, 0.75 + 0.02 * i),
                  (px - 0.001, 0.75 + 0.02 * i)], (0.09, 0.07, 0.05), 0.1, 15)  # fmt: skip
    c.convex([(x - 0.02, 0.655), (x + 0.01, 0.65), (x + 0.23, 0.79), (x + 0.19, 0.80)],
             (0.34, 0.29, 0.23), 0.08, 15)  # fmt: skip
    boulders(c, 70, (0.0, 0.86, 1.0, 1.02), 0.024, (0.46, 0.45, 0.43), (0.08, 0.08, 0.085), 6)
    frame_corners(c, "trees")


def _hamlet(c: Canvas) -> None:
    rng = c.rng
    c.fill_sky((0.40, 0.46, 0.55), (0.62, 0.63, 0.62), 0.9)
    far = ridge(c, 0.44, 0.28, 7)
    c.below(far.profile(), (0.27, 0.31, 0.30), 0.08, 2500)
    flanks(c, far, (0.14, 0.17, 0.18))
    c.below(ridge(c, 0.5, 0.06, 6).profile(), (0.19, 0.23, 0.08), 0.2, 300, shade=0.2)
    for row, size in ((0.52, 0.10), (0.62, 0.14), (0.75, 0.18)):
        for _ in range(5):
            if rng.random() < 0.6:
                conifer(
                    c, float(rng.uniform(0, 1)), row + 0.01, size * 1.3, (0.04, 0.06, 0.03), 120
                )
            hut(
                c,
                float(rng.uniform(0.02, 0.9)),
                row + float(rng.normal(0, 0.015)),
                size,
                120 / size * 0.1,
            )
    c.below(ridge(c, 0.84, 0.03, 6).profile(), (0.24, 0.25, 0.13), 0.2, 12, shade=0.3)
    for i in range(18):  # a fence
        px = i / 17 + float(rng.normal(0, 0.004))
        lean = float(rng.normal(0, 0.008))
        c.convex([(px, 0.97), (px + 0.01, 0.97), (px + 0.01 + lean, 0.8), (px + lean, 0.805)],
                 tinted(rng, (0.32, 0.28, 0.24), 0.3), 0.1, 8)  # fmt: skip
    for y in (0.84, 0.91):
        c.convex(
            [(-0.01, y), (1.01, y + 0.02), (1.01, y + 0.036), (-0.01, y + 0.014)],
            (0.36, 0.32, 0.27),
            0.1,
            8,
        )
    grass(c, 200, 0.9, (0.27, 0.30, 0.12))
    frame_corners(c, "trees")


def _woodland(c: Canvas) -> None:
    rng = c.rng
    c.fill_sky((0.15, 0.18, 0.13), (0.09, 0.11, 0.06))
    for depth, count, wide in ((0, 30, 0.004), (1, 24, 0.008), (2, 17, 0.015), (3, 10, 0.025)):
        c.below(ridge(c, 0.60 + 0.08 * depth, 0.03, 6).profile(), (0.07 - 0.012 * depth, 0.075 - 0.01 * depth, 0.03),
                0.3, 60 / (depth + 1), shade=0.3)  # fmt: skip
        for _ in range(count):
            bark = tinted(
                rng, (0.20, 0.17, 0.13) if rng.random() < 0.6 else (0.05, 0.042, 0.035), 0.4
            )
            foot = 0.62 + 0.09 * depth + float(rng.normal(0, 0.02))
            x = float(rng.uniform(-0.02, 1.02))
            lean = float(rng.normal(0, 0.08))
            bare_tree(c, x, -0.05, foot, wide * float(rng.uniform(0.7, 1.4)), lean, bark,
                      60 / (depth + 1), 3)  # fmt: skip
    boulders(c, 60, (0.0, 0.84, 1.0, 1.02), 0.026, (0.16, 0.17, 0.13), (0.025, 0.03, 0.022), 8)
    grass(c, 260, 0.84, (0.10, 0.13, 0.04))


def _crag(c: Canvas) -> None:
    rng = c.rng
    c.fill_sky((0.25, 0.36, 0.58), (0.6, 0.65, 0.7), 0.3)
    c.below(ridge(c, 0.5, 0.3, 6).profile(), (0.40, 0.42, 0.46), 0.04, 2500)
    wall = ridge(c, 0.40, 0.34, 9)
    c.below(wall.profile(), (0.30, 0.27, 0.235), 0.16, 60, shade=0.3)
    flanks(c, wall, (0.12, 0.11, 0.11))
    boulders(c, 260, (0.0, 0.2, 1.0, 1.0), 0.028, (0.46, 0.42, 0.36), (0.09, 0.08, 0.085), 60, wall)
    for _ in range(9):
        conifer(c, float(rng.uniform(0, 1)), float(rng.uniform(0.6, 1.0)), float(rng.uniform(0.1, 0.22)),
                 (0.035, 0.06, 0.03), 40)  # fmt: skip
    boulders(c, 40, (0.0, 0.85, 1.0, 1.02), 0.035, (0.5, 0.46, 0.4), (0.1, 0.09, 0.095), 10)
    frame_corners(c, "rock")


def _moor(c: Canvas) -> None:
    rng = c.rng
    c.fill_sky((0.34, 0.37, 0.42), (0.5, 0.5, 0.5), 1.0)
    c.below(ridge(c, 0.46, 0.12, 6).profile(), (0.22, 0.23, 0.24), 0.06, 3000)
    c.below(ridge(c, 0.54, 0.05, 6).profile(), (0.13, 0.10, 0.06), 0.25, 400, shade=0.2)
    boulders(c, 60, (0.0, 0.5, 1.0, 0.75), 0.018, (0.40, 0.40, 0.38), (0.07, 0.07, 0.07), 60)
    wall = 0.72
    c.convex(
        [(-0.01, wall), (1.01, wall - 0.08), (1.01, wall - 0.01), (-0.01, wall + 0.09)],
        (0.2, 0.195, 0.18),
        0.2,
        15,
    )
    boulders(
        c,
        110,
        (0.0, wall - 0.05, 1.0, wall + 0.05),
        0.013,
        (0.42, 0.41, 0.38),
        (0.06, 0.06, 0.06),
        15,
    )
    for _ in range(5):
        x = float(rng.uniform(0.05, 0.95))
        lean = float(rng.normal(0, 0.15))
        bare_tree(c, x, 0.3, 0.74, 0.007, lean, (0.12, 0.105, 0.09), 25, 8, up=True)
    boulders(c, 50, (0.0, 0.88, 1.0, 1.02), 0.025, (0.44, 0.43, 0.4), (0.06, 0.06, 0.06), 6)
    grass(c, 420, 0.8, (0.22, 0.16, 0.07))
    frame_corners(c, "rock")


_DRAW: Final[dict[str, Callable[[Canvas], None]]] = {
    "alp": _alp, "lake": _lake, "hamlet": _hamlet, "woodland": _woodland, "crag": _crag, "moor": _moor
}  # fmt: skip
