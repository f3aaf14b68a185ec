"""What artificial places are made of: skylines, boulders, trees, huts, water, grass.

Each function draws one kind of thing on a `Canvas`, with the canvas's own random numbers. Places
are shares of the frame; colours are linear red, green and blue; distances are in metres.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from auditor.artificial.canvas import Canvas, Colour

__all__ = [
    "Ridge",
    "bare_tree",
    "boulders",
    "conifer",
    "flanks",
    "frame_corners",
    "grass",
    "hut",
    "ridge",
    "tinted",
    "water",
]


@dataclass(frozen=True, slots=True)
class Ridge:
    """A skyline of straight flanks."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]

    def at(self, x: float) -> float:
        """Height of the skyline at a share of the frame's width; 0 is the top of the frame."""
        return float(np.interp(x, self.x, self.y))

    def profile(self) -> NDArray[np.float64]:
        """Heights at evenly spaced places across the frame."""
        return np.asarray(np.interp(np.linspace(0, 1, 1201), self.x, self.y))


def ridge(c: Canvas, level: float, height: float, points: int) -> Ridge:
    """Corners of a skyline whose peaks rise `height` above `level`, at uneven distances."""
    rng = c.rng
    steps = rng.uniform(0.5, 1.5, points + 1)
    x = np.concatenate([[0.0], np.cumsum(steps) / steps.sum()])
    high = np.arange(points + 2) % 2 == 1
    up = np.where(high, rng.uniform(0.45, 1.0, points + 2), rng.uniform(0.0, 0.35, points + 2))
    return Ridge(x, level - height * up)


def flanks(c: Canvas, ridge: Ridge, dark: Colour, snow: Colour | None = None) -> None:
    """The shaded side of every peak, and snow on the lit one."""
    rng = c.rng
    for i in range(1, len(ridge.x) - 1):
        x, y = ridge.x[i], ridge.y[i]
        left, right = ridge.y[i - 1] - y, ridge.y[i + 1] - y
        if left <= 0.02 or right <= 0.02:
            continue
        to_x, drop = ridge.x[i + 1] - x, right
        foot = (x + to_x * float(rng.uniform(-0.15, 0.25)), y + drop * float(rng.uniform(1.0, 1.5)))
        c.convex([(x, y), (ridge.x[i + 1], ridge.y[i + 1]), foot], tinted(rng, dark), 0.05)
        if snow is not None:
            part = float(rng.uniform(0.3, 0.6))
            wide = ridge.x[i] - ridge.x[i - 1]
            c.convex([(x, y), (x - wide * part, y + left * part),
                      (x - wide * part * 0.45, y + left * part * float(rng.uniform(0.85, 1.2)))],
                     tinted(rng, snow, 0.05), 0.01)  # fmt: skip


def tinted(rng: np.random.Generator, colour: Colour, spread: float = 0.15) -> Colour:
    """The colour, lighter or darker by up to the share `spread`."""
    light = float(rng.uniform(1 - spread, 1 + spread))
    r, g, b = (v * light for v in colour)
    return (r, g, b)


def boulders(
    c: Canvas, count: int, box: tuple[float, float, float, float], size: float, light: Colour,
    dark: Colour, metres: float, under: Ridge | None = None,
) -> None:  # fmt: skip
    """Boulders and slabs: a lit face and a shaded one that meet in a crest; the far ones first."""
    rng = c.rng
    aspect = c.cols / c.rows
    left, top, right, bottom = box
    for cy in np.sort(rng.uniform(top, bottom, count)):
        cx = float(rng.uniform(left, right))
        radius = size * float(rng.uniform(0.4, 1.5))
        if under is not None and cy - radius < under.at(cx):
            continue
        angles = np.sort(rng.uniform(0, 2 * np.pi, 8))
        reach = radius * rng.uniform(0.75, 1.0, 8)
        tall = float(rng.uniform(0.5, 0.8))
        outline = np.column_stack(
            [cx + reach * np.cos(angles), cy + reach * aspect * tall * np.sin(angles)]
        )
        hull = outline[_hull(outline)]
        if len(hull) < 5:
            continue
        c.convex(hull, tinted(rng, light), 0.07, metres)
        # The side away from the light: the outline's lower right and one point of the crest.
        away = (hull - (cx, cy)) @ np.array([0.75, 0.65 / aspect])
        shaded = hull[away > float(rng.uniform(-0.15, 0.2)) * radius]
        crest = [
            [cx + radius * float(rng.uniform(-0.35, 0.2)), cy - radius * float(rng.uniform(0, 0.5))]
        ]
        shaded = np.vstack([shaded, crest])
        if len(shaded) >= 3:
            c.convex(shaded[_hull(shaded)], tinted(rng, dark), 0.06)


def _hull(points: NDArray[np.float64]) -> list[int]:
    """Corners of the convex hull in turn, from the leftmost on."""
    corners = ConvexHull(points).vertices
    first = np.lexsort((points[corners, 1], points[corners, 0]))[0]
    return [int(i) for i in np.roll(corners, -first)]


def conifer(c: Canvas, x: float, foot: float, height: float, colour: Colour, metres: float) -> None:
    """A spruce of three to five tiers, a little crooked."""
    rng = c.rng
    aspect = c.rows / c.cols
    wide = height * aspect * float(rng.uniform(0.26, 0.4))
    lean = float(rng.normal(0, 0.04)) * height
    stem = wide * 0.09
    bark = (0.035, 0.026, 0.02)
    c.convex([(x - stem, foot), (x + stem, foot), (x + stem, foot - height * 0.2),
              (x - stem, foot - height * 0.2)], bark, 0.1, metres)  # fmt: skip
    tiers = int(rng.integers(3, 6))
    for i in range(tiers):
        share = i / tiers
        low = foot - height * (0.12 + 0.8 * share)
        high = low - height * (0.88 / tiers + 0.14)
        half = wide * (1 - share * 0.78) * float(rng.uniform(0.85, 1.1))
        middle = x + lean * share
        drop = height * float(rng.uniform(-0.02, 0.03))
        tone = tinted(rng, colour, 0.25)
        c.convex([(middle - half, low + drop), (middle + half, low - drop), (middle + lean * 0.2, high)],
                 tone, 0.22, metres)  # fmt: skip


def _branch(
    c: Canvas, x: float, y: float, length: float, angle: float, wide: float, colour: Colour
) -> None:
    aspect = c.cols / c.rows
    dx, dy = length * np.cos(angle), length * np.sin(angle) * aspect
    nx, ny = -np.sin(angle) * wide, np.cos(angle) * wide * aspect
    c.convex([(x - nx, y - ny), (x + nx, y + ny), (x + dx + nx * 0.3, y + dy + ny * 0.3),
              (x + dx - nx * 0.3, y + dy - ny * 0.3)], colour, 0.08)  # fmt: skip


def bare_tree(
    c: Canvas, x: float, top: float, foot: float, wide: float, lean: float, colour: Colour,
    metres: float, branches: int, up: bool = False,
) -> None:  # fmt: skip
    """A leaning stem with a lit and a shaded side, whose dead branches start from it in its upper half; `up`: they
    point upwards."""
    rng = c.rng
    upper = wide * float(rng.uniform(0.55, 0.85))
    shift = lean * (foot - top)
    c.convex([(x - wide, foot), (x + wide, foot), (x + shift + upper, top), (x + shift - upper, top)],
             colour, 0.12, metres)  # fmt: skip
    r, g, b = colour
    c.convex([(x + wide * 0.1, foot), (x + wide, foot), (x + shift + upper, top),
              (x + shift + upper * 0.1, top)], (r * 0.42, g * 0.42, b * 0.45), 0.1)  # fmt: skip
    for _ in range(branches):
        y = top + (foot - top) * float(rng.uniform(0.05, 0.5))
        angle = float(rng.uniform(-1.3, -0.2) if up else rng.uniform(-0.9, 0.5))
        if rng.random() < 0.5:
            angle = np.pi - angle
        length = float(rng.uniform(0.03, 0.1))
        _branch(c, x + lean * (foot - y), y, length, angle, max(0.0016, wide * 0.2), colour)


def hut(c: Canvas, x: float, foot: float, wide: float, metres: float) -> None:
    """A timber or plastered hut with a gable, shaded side, windows and a stone base."""
    rng = c.rng
    aspect = c.cols / c.rows
    tall = wide * aspect * float(rng.uniform(0.4, 0.55))
    roof = wide * aspect * float(rng.uniform(0.28, 0.42))
    skew = float(rng.uniform(-0.05, 0.05)) * tall
    walls: list[Colour] = [
        (0.30, 0.17, 0.09),
        (0.62, 0.57, 0.48),
        (0.20, 0.12, 0.08),
        (0.42, 0.14, 0.09),
    ]
    wall = tinted(rng, walls[int(rng.integers(len(walls)))])
    r, g, b = wall
    front, side = wide * 0.55, wide * 0.45
    eave = foot - tall
    c.convex([(x, foot), (x + front, foot + skew), (x + front, eave + skew), (x + front / 2, eave - roof),
              (x, eave)], wall, 0.04, metres)  # fmt: skip
    c.convex([(x + front, foot + skew), (x + front + side, foot), (x + front + side, eave),
              (x + front, eave + skew)], (r * 0.4, g * 0.4, b * 0.45), 0.04, metres)  # fmt: skip
    slate = tinted(rng, (0.11, 0.11, 0.13))
    over = wide * 0.04
    c.convex([(x + front / 2, eave - roof - 0.006), (x + front / 2 + side, eave - roof),
              (x + front + side + over, eave + 0.01), (x + front + over, eave + skew + 0.012)],
             slate, 0.06, metres)  # fmt: skip
    c.convex([(x - over, eave + 0.014), (x - over, eave - 0.004), (x + front / 2, eave - roof - 0.014),
              (x + front / 2, eave - roof + 0.008)], (0.05, 0.045, 0.045), 0.03, metres)  # fmt: skip
    c.convex([(x, foot), (x + front, foot + skew), (x + front, foot + skew - tall * 0.2),
              (x, foot - tall * 0.2)], tinted(rng, (0.34, 0.33, 0.31)), 0.12)  # fmt: skip
    for i in range(2):
        left = x + front * (0.16 + 0.42 * i)
        low = foot - tall * 0.36 + skew * (0.25 + 0.4 * i)
        frame = (0.72, 0.70, 0.66)
        pane = (0.02, 0.024, 0.03)
        for grow, tone in ((0.012, frame), (0.0, pane)):
            gx, gy = grow * wide, grow * wide * aspect
            c.convex([(left - gx, low + gy), (left + front * 0.24 + gx, low + gy + skew * 0.1),
                      (left + front * 0.24 + gx, low - tall * 0.36 - gy), (left - gx, low - tall * 0.36 - gy)],
                     tone)  # fmt: skip


def grass(c: Canvas, count: int, top: float, colour: Colour) -> None:
    """Single stalks in the foreground."""
    rng = c.rng
    for _ in range(count):
        foot = float(rng.uniform(top, 1.05))
        x = float(rng.uniform(-0.02, 1.02))
        size = (0.03 + 0.09 * (foot - top) / max(1 - top, 0.05)) * float(rng.uniform(0.5, 1.3))
        lean = float(rng.normal(0, 0.25)) * size
        half = 0.0012 * (1 + 2.5 * (foot - top))
        c.convex(
            [(x - half, foot), (x + half, foot), (x + lean, foot - size)],
            tinted(rng, colour, 0.45),
        )


def water(c: Canvas, top: float, colour: Colour, streaks: int) -> None:
    """Water from `top` (share of the height) down, with so many streaks of light and dark."""
    c.below(np.full(4, top), colour, 0.0, 60.0, shade=0.35)
    rng = c.rng
    for _ in range(streaks):
        y = top + (1 - top) * float(rng.beta(1.1, 1.6))
        x, long = float(rng.uniform(-0.05, 1.0)), float(rng.uniform(0.02, 0.12))
        thick = 0.0012 + 0.006 * (y - top)
        tilt = float(rng.normal(0, 0.002))
        tone = tinted(rng, (0.30, 0.36, 0.42) if rng.random() < 0.5 else (0.05, 0.07, 0.08), 0.3)
        c.convex(
            [
                (x, y),
                (x + long * 0.4, y - thick),
                (x + long, y + tilt),
                (x + long * 0.5, y + thick),
            ],
            tone,
        )


def frame_corners(c: Canvas, kind: str) -> None:
    """What stands near the photographer and reaches into the upper corners: "trees" or "rock"."""
    rng = c.rng
    light, dark = (0.42, 0.38, 0.33), (0.10, 0.095, 0.10)
    for side in (1, -1):
        edge = 0.0 if side == 1 else 1.0
        if kind == "trees":
            for _ in range(3):
                x = edge + side * float(rng.uniform(0.0, 0.13))
                foot, wide = float(rng.uniform(0.85, 1.1)), float(rng.uniform(0.006, 0.016))
                bark = tinted(rng, (0.16, 0.13, 0.10), 0.4)
                bare_tree(c, x, -0.05, foot, wide, float(rng.normal(0, 0.1)), bark, 8, 5)
        else:
            inner = edge + side * float(rng.uniform(0.14, 0.22))
            low = inner - side * float(rng.uniform(0.06, 0.12))
            c.convex([(edge, -0.02), (inner, -0.02), (low, 0.42), (edge, 0.6)], dark, 0.15, 15)
            left, right = sorted((edge, low))
            boulders(c, 26, (left, 0.0, right, 0.42), 0.024, light, dark, 15)
