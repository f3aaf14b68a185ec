"""Drawn frames of any size, for timing."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.artificial.camera import Sensor, expose
from auditor.artificial.lightpath import Optics
from auditor.artificial.scenes import PLACES, landscape

LARGEST_PLACE: Final = 6_000_000
"""Pixels up to which a timing frame is one place."""


def develop_frame(width: int, height: int, seed: int = 0) -> NDArray[np.uint8]:
    """A drawn place of any size, for timing.

    Parameters
    ----------
    width, height : int
        Size in px. Beyond `LARGEST_PLACE` it is one place continued in mirrors, so that 60 megapixels take
        seconds.
    seed : int
        Decides the place and the noise.

    Returns
    -------
    ndarray of uint8, shape (height, width, 3)
        B, G, R as OpenCV keeps it.
    """
    whole = width * height
    scale = max(1, int(np.ceil(np.sqrt(whole / LARGEST_PLACE))))
    size = -(-height // scale), -(-width // scale)
    scene = landscape(PLACES[seed % len(PLACES)], size[0], size[1], seed, oversample=1)
    picture = expose(scene.radiance, Optics(8.0), Sensor(), 200, seed, oversample=1)
    pad = ((0, height - size[0]), (0, width - size[1]), (0, 0))
    full = np.pad(np.asarray(picture, np.uint8), pad, mode="symmetric")
    return np.ascontiguousarray(full[..., ::-1])
