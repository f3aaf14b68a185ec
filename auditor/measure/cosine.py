"""Orthonormal cosine transforms of square blocks, with or without their planes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["EIGHT", "JPEG_BLOCK", "SIXTEEN", "Cosines"]

JPEG_BLOCK: Final = 8
"""Side in pixels of the blocks that JPEG codes (ISO/IEC 10918-1)."""


@dataclass(frozen=True)
class Cosines:
    """The orthonormal cosine transform of `side` x `side` blocks (DCT-II, as ISO/IEC 10918-1 uses it).

    Attributes
    ----------
    side : int
        Of the blocks, in pixels.
    matrix : (side, side) ndarray of float32
        Coefficient by pixel.
    plane : (side,) ndarray of float32
        The coefficients of a straight line from -1 to 1.
    weights : (side,) ndarray of float32
        What takes a line's coefficients to its least-squares slope.
    """

    side: int
    matrix: NDArray[np.float32]
    plane: NDArray[np.float32]
    weights: NDArray[np.float32]

    @classmethod
    def of(cls, side: int) -> Cosines:
        """Transform of blocks of a size.

        Parameters
        ----------
        side : int
            In pixels.

        Returns
        -------
        Cosines
            With its matrices.
        """
        n = np.arange(side)
        matrix = np.cos(np.pi * (2 * n[None] + 1) * n[:, None] / (2 * side)) * np.sqrt(2 / side)
        matrix[0] /= np.sqrt(2)
        line = np.linspace(-1, 1, side)
        plane = matrix @ line
        weights = plane / (line @ line)
        return cls(side, *(a.astype(np.float32) for a in (matrix, plane, weights)))

    def transform(self, blocks: NDArray[np.float32]) -> NDArray[np.float32]:
        """Coefficients of blocks; the mean (0, 0) is left out as 0.

        Parameters
        ----------
        blocks : (n, side, side) ndarray of float32
            Values.

        Returns
        -------
        (n, side, side) ndarray of float32
            Coefficients by frequency down and across.
        """
        # Along rows all blocks are one matrix; down columns each is one of its own.
        along = (blocks.reshape(-1, self.side) @ self.matrix.T).reshape(blocks.shape)
        out = np.asarray(self.matrix @ along, np.float32)
        out[:, 0, 0] = 0
        return out

    def without_plane(self, blocks: NDArray[np.float32]) -> NDArray[np.float32]:
        """Coefficients of blocks less their least-squares planes, whose ends would leak into high frequencies.

        Parameters
        ----------
        blocks : (n, side, side) ndarray of float32
            Values.

        Returns
        -------
        (n, side, side) ndarray of float32
            Coefficients by frequency down and across.
        """
        out = self.transform(blocks)
        for edge in (out[:, :, 0], out[:, 0, :]):
            edge -= (edge @ self.weights)[:, None] * self.plane
        return out

    @property
    def frequency(self) -> NDArray[np.float64]:
        """(side, side) radial frequency of each coefficient, c/px."""
        along = np.arange(self.side) / (2 * self.side)
        return np.hypot(along[:, None], along[None])


EIGHT: Final = Cosines.of(JPEG_BLOCK)
"""The transform of JPEG's blocks."""
SIXTEEN: Final = Cosines.of(2 * JPEG_BLOCK)
"""The same of blocks of twice the side."""
