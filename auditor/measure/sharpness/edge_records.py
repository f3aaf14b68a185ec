"""What is known of a frame's edges once they are judged."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from auditor.measure.sharpness.diffraction_share import SHARES

__all__ = ["Edges", "no_edges"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Edges:
    """Measured edges of a frame.

    Attributes
    ----------
    y, x : (n,) ndarray of float64
        Centre of the edge in full-size pixels.
    angle : (n,) ndarray of float64
        Direction of the normal (from dark to light), radians, x to the right, y down.
    log_mtf50, stderr : (n,) ndarray of float64
        Natural logarithm of MTF50 (c/px) and its standard error; NaN before `pooled_edges`.
    step, base : (n,) ndarray of float64
        Height of the step and the dark plateau, light (1 = white).
    noise : (n,) ndarray of float64
        Standard deviation of a pixel beside the edge, light.
    chi2 : (n,) ndarray of float64
        Misfit per degree of freedom.
    overshoot : (n,) ndarray of float64
        Ringing beyond the plateaus as a share of the step.
    clean : (n,) ndarray of bool
        A step and nothing else; the others stand in texture and are less certain.
    by_share : (n, 3, SHARES) ndarray of float64
        Estimates under each share of diffraction (`ProfileFit`).
    misfit : (n,) ndarray of float64
        Root mean square of the residuals, share of the step.
    place : (n,) ndarray of int
        Number of the place it was found at.
    coding_error : (n,) ndarray of float64
        Error of ln MTF50 by what JPEG took, which edges have in common; 0 before `pooled_edges`.
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
    coding_error: Floats

    def __len__(self) -> int:
        return len(self.y)

    def joined_with(self, other: Edges) -> Edges:
        """Both sets of edges.

        Parameters
        ----------
        other : Edges
            Comes second.

        Returns
        -------
        Edges
            All of them.
        """
        names = self.__dataclass_fields__
        return Edges(**{n: np.concatenate([getattr(self, n), getattr(other, n)]) for n in names})

    def numbered_from(self, first: int) -> Edges:
        """These edges, their places numbered from a number on.

        Parameters
        ----------
        first : int
            Added to every place.

        Returns
        -------
        Edges
            A copy.
        """
        return replace(self, place=self.place + first)

    def take(self, index: NDArray[np.generic]) -> Edges:
        """Some of the edges.

        Parameters
        ----------
        index : ndarray
            Mask or indices.

        Returns
        -------
        Edges
            The edges chosen.
        """
        return Edges(**{n: getattr(self, n)[index] for n in self.__dataclass_fields__})


def no_edges() -> Edges:
    """An empty set of edges.

    Returns
    -------
    Edges
        Of length 0.
    """
    empty = np.zeros(0)
    fields: dict[str, Any] = dict.fromkeys(Edges.__dataclass_fields__, empty)
    fields |= {"clean": empty > 0, "by_share": np.zeros((0, 3, SHARES)), "place": empty.astype(int)}
    return Edges(**fields)
