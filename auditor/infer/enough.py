"""How much evidence it takes to speak, and how much stands for all: one set of numbers for keepers, comparisons and
decisions."""

from __future__ import annotations

from typing import Final

__all__ = [
    "CHUNK",
    "FEW",
    "FEWEST",
    "FEWEST_OUTINGS",
    "FEW_FRAMES",
    "LEAST_SHARE",
    "NEGLIGIBLE",
    "SAMPLED",
]

FEW: Final = 6
"""Frames at one setting (an aperture, a focal length, one way of holding the camera), or of a body that is matched
with another by its noise, below which nothing is said of it."""
FEW_FRAMES: Final = 12
"""Frames of each of two sides that are held against each other below which nothing is said."""
FEWEST: Final = 3
"""Scenes, outings or pairs (of each side) below which nothing is judged: focus is missed by scene, and of two
nothing tells which one missed; two have no robust middle."""
FEWEST_OUTINGS: Final = 2
"""Outings below which nothing is laid to a setting or told of a body as a rule: of one alone its place and its light
may be to blame."""
SAMPLED: Final = 400
"""Pairs, frames, scenes or outings that stand for all others: what pairs differ by is then known to some 0.3%."""
LEAST_SHARE: Final = 0.15
"""Share of the frames in which something must show, or by which a setting must stand out: a significant but
small difference helps nobody."""
NEGLIGIBLE: Final = 0.05
"""A loss of sharpness below this is taken for none (a twentieth of MTF50; about a third of what a
third of a stop of diffraction costs)."""
CHUNK: Final = 50_000
"""Rows whose histograms or small pictures are read at a time, for the memory that they take: some 10 MB."""
