"""Which things hang together where some of them are linked: connected components of a graph."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["components"]

Ints = NDArray[np.int64]


def components(size: int, first: Ints, second: Ints) -> Ints:
    """(size,) number of each thing's component, by the first thing in it; `first` and `second` (m,) are
    the ends of the links.

    Every component is named by one of its things; linked names become the lower one, then all things ask
    the thing they are named by for its name, until nothing changes (Shiloach & Vishkin, J. Algorithms 3,
    1982).
    """
    name = np.arange(size)
    while True:
        one, other = name[first], name[second]
        apart = one != other
        if not apart.any():
            return np.asarray((np.cumsum(name == np.arange(size)) - 1)[name])
        first, second, one, other = (ends[apart] for ends in (first, second, one, other))
        np.minimum.at(name, np.maximum(one, other), np.minimum(one, other))
        while (name != (asked := name[name])).any():
            name = asked
