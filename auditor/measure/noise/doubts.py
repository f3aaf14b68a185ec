"""When a figure from flat blocks should not be trusted: posterised, over-compressed, textured."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.noise import spectrum

__all__ = ["find_doubt"]

_MOST_PLAIN: Final = 0.5
"""Share of flat blocks without any variation at which rounding or compression ate the noise."""

_MOST_LOW_EXCESS: Final = 4.0
"""Noise has 0.7 to 1.9 times the plateau's power below it on real camera frames, scenes 3 to 30."""


def find_doubt(
    values: NDArray[np.float32],
    squares: NDArray[np.float32],
    variance: NDArray[np.float64],
) -> str | None:
    """Plain words on why these blocks (n, BLOCK, BLOCK) do not show noise, or None."""
    plain = float((variance < 0.02).mean())
    if plain > _MOST_PLAIN:
        return "flat areas hold no noise: smoothed, posterised or compressed away"
    if spectrum.low_excess(squares) > _MOST_LOW_EXCESS:
        return "texture everywhere: noise cannot be told from it"
    return None
