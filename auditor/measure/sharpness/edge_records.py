"""What is known of a frame's edges once they are judged."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from auditor.measure.sharpness.diffraction_share import SHARES

__all__ = ["Edges", "no_edges"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Edges:
    """Judged edges, arrays (n,).

    Attributes:
        y, x: centre of the edge in full-size pixels.
        angle: direction of the normal (from dark to light), radians, x to the right, y down.
        log_mtf50, stderr: natural logarithm of MTF50 (c/px) and its standard error.
        step, base: height of the step and the dark plateau, light.
        noise: standard deviation of a pixel beside the edge, light.
        chi2: misfit per degree of freedom.
        overshoot: ringing beyond the plateaus as a share of the step.
        clean: a step and nothing else; the others stand in texture and are less sure.
        by_share: (n, 3, SHARES) what each share of diffraction would make of them (`ProfileFit`).
        misfit: root mean square of what the fit leaves, share of the step.
        place: number of the place it was found at.
    """

    y: Floats
    x: Floats
    angle: Floats
    log_mtf50: Floats
    stderr: Floats
    step: Floats
    base: Floats
    noise: Floats
    chi2: Floats
    overshoot: Floats
    clean: NDArray[np.bool_]
    by_share: Floats
    misfit: Floats
    place: NDArray[np.int_]

    def __len__(self) -> int:
        return len(self.y)

    def with_(self, other: Edges) -> Edges:
        """Both sets of edges."""
        names = self.__dataclass_fields__
        return Edges(**{n: np.concatenate([getattr(self, n), getattr(other, n)]) for n in names})

    def numbered_from(self, first: int) -> Edges:
        """These edges, their places numbered from `first` on."""
        return replace(self, place=self.place + first)

    def take(self, index: NDArray[np.generic]) -> Edges:
        """The edges of a mask or of indices."""
        return Edges(**{n: getattr(self, n)[index] for n in self.__dataclass_fields__})


def no_edges() -> Edges:
    """None at all."""
    none = np.zeros(0)
    by_share = np.zeros((0, 3, SHARES))
    which = none.astype(int)
    return Edges(
        none, none, none, none, none, none, none, none, none, none, none > 0, by_share, none, which
    )
