"""How much the frames of one outing have in common.

Method of moments on the scores of the data term (sums of residual over variance), pooled over
zones and apertures. The fit has absorbed a part of what outings share; its hat matrix says how
much, and the moments are corrected for it, as in the unbiased estimate of a variance component.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["outing_variance"]

Floats = NDArray[np.float64]

_PRIOR: Final = 0.010
"""Standard deviation (log MTF50) between outings while they are too few to tell."""
_TRUST: Final = 4.0


def outing_variance(score: Floats, information: Floats, inverse: Floats, data: Floats) -> float:
    """Variance of log MTF50 between outings.

    `score` is O x Z x K, `information` O x Z x K x K (scene effects unknown), `inverse` Z x K x K
    the inverse of the penalised information of each zone's curve, `data` Z x K x K the data's part
    of it. With G outings the moments count G - 1, the prior four.
    """
    outings = len(score)
    top = bottom = 0.0
    for z in range(score.shape[1]):
        shift = information[:, z].sum(2)  # O x K: what a shift of the outing does to its score
        own = shift.sum(1)
        moved = shift @ inverse[z]
        hat = np.diag(own) - moved @ shift.T
        noise = own - 2 * (moved * shift).sum(1) + np.einsum("oi,ij,oj->o", moved, data[z], moved)
        total = score[:, z].sum(1)
        top += float((total**2).sum() - noise.sum())
        bottom += float((hat**2).sum())
    found = max(top / max(bottom, 1e-12), 0.0) if outings > 1 else 0.0
    return ((outings - 1) * found + _TRUST * _PRIOR**2) / (outings - 1 + _TRUST)
