"""The tone curve of sRGB (IEC 61966-2-1): linear light and code values, both as shares of white."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["CODE_FROM", "LINE", "OFFSET", "POWER", "encoded", "linear", "slope"]

Floats = NDArray[np.float64]

LINE: Final = 12.92
"""Slope of the straight part near black."""
_LIGHT_FROM: Final = 0.0031308
"""Linear light from which the curve is a power."""
CODE_FROM: Final = 0.04045
"""Code share from which it is."""
OFFSET: Final = 0.055
"""code = (1 + offset) light^(1 / power) - offset."""
POWER: Final = 2.4
"""See `OFFSET`."""


def encoded(light: ArrayLike) -> Floats:
    """Code share of linear light (0 to 1)."""
    x = np.asarray(light, float)
    power = (1 + OFFSET) * np.power(np.maximum(x, 0), 1 / POWER) - OFFSET
    return np.asarray(np.where(x > _LIGHT_FROM, power, LINE * x))


def linear(code: ArrayLike) -> Floats:
    """Linear light of a code share (0 to 1): the inverse of `encoded`."""
    x = np.asarray(code, float)
    power = np.power(np.maximum(x + OFFSET, 0) / (1 + OFFSET), POWER)
    return np.asarray(np.where(x > CODE_FROM, power, x / LINE))


def slope(light: ArrayLike) -> Floats:
    """Change of code share with linear light; beyond white as at white."""
    x = np.clip(np.asarray(light, float), _LIGHT_FROM, 1.0)
    power = (1 + OFFSET) / POWER * x ** (1 / POWER - 1)
    return np.asarray(np.where(np.asarray(light) > _LIGHT_FROM, power, LINE))
