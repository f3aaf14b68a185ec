"""Shadows of dust as geometry makes them, for frames with known truth.

A round grain lies on the sensor's cover, a gap above the pixels. Every point of it is seen from the
exit pupil as a disc of gap / f-number, so its shadow is the grain's disc smeared over that disc: flat
within, with a rim as wide as the grain, and as deep as the share of the disc that the grain covers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Grain", "with_dust"]


@dataclass(frozen=True, slots=True)
class Grain:
    """A grain at a place of the frame (shares of width and height).

    `depth` is that of its shadow at f/16; `gap_um` the distance of the cover from the pixels.
    """

    x: float
    y: float
    depth: float = 0.01
    gap_um: float = 1500.0


def with_dust(
    linear: NDArray[np.floating], grains: Sequence[Grain], f_number: float, pitch_um: float
) -> NDArray[np.float32]:
    """The linear image (h, w[, 3]) with the shadows of the grains in it."""
    out = np.array(linear, np.float32)
    height, width = out.shape[:2]
    for grain in grains:
        disc = grain.gap_um / f_number / pitch_um
        # The grain covers the share `depth` of the disc at f/16; its own width follows.
        wide = grain.gap_um / 16 / pitch_um * np.sqrt(grain.depth)
        depth = min((wide / disc) ** 2, 1.0)
        reach = int(disc / 2 + wide + 2)
        cx, cy = grain.x * width, grain.y * height
        x0, x1 = max(int(cx) - reach, 0), min(int(cx) + reach + 1, width)
        y0, y1 = max(int(cy) - reach, 0), min(int(cy) + reach + 1, height)
        yy, xx = np.mgrid[y0:y1, x0:x1] + 0.5
        radius = np.hypot(xx - cx, yy - cy)
        cover = np.clip((disc / 2 + wide / 2 - radius) / max(wide, 1.0), 0, 1)
        shade = (1 - depth * cover).astype(np.float32)
        out[y0:y1, x0:x1] *= shade if out.ndim == 2 else shade[..., None]
    return out
