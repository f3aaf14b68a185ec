"""How far a lens may lie beyond the frames that stand for it.

The fit takes the sharpest frames that agree for the lens's own. Where frames are few, all of them may
have lacked something: a curve that lies higher explains them too, as frames all of which are soft. How
well it explains them is the likelihood of the fit's own mixture (`likelihood`), read along curves shifted up or
down, each aperture by itself, with the frames at apertures near it. The fit's covariance, which knows
the likelihood's top alone, cannot tell.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from auditor.infer.lenses.fit import CurveFit

__all__ = ["Beyond"]

Floats = NDArray[np.float64]

_NEAR_STOPS: Final = 0.5
"""Standard deviation, in stops, of the weight with which frames at other apertures count: aberrations
change by half and more within a stop (textbook optics), so frames a stop away say little of this one."""
_LEAST: Final = 0.01
"""First step (ln MTF50) from the curve: what a good archive resolves."""
_STEPS: Final = 16
"""Steps from there to a perfect lens, each larger than the last by the same factor."""
_LOWEST: Final = 0.12
"""How far (ln MTF50) the lens may lie below the curve: four times the scatter of sound figures."""
_STEPS_BELOW: Final = 6
"""Steps down to there."""


class Beyond:
    """Posterior of a curve's height over a fit's; the prior is flat up to a perfect lens at that pitch."""

    def __init__(self, fit: CurveFit) -> None:
        room = np.maximum(fit.model.optics.perfect(fit.sharpening) - fit.curve, _LEAST)
        below = -np.geomspace(_LOWEST, _LEAST, _STEPS_BELOW)
        height = np.concatenate([below, [0.0], np.geomspace(_LEAST, room.max(), _STEPS)])
        density = fit.model.log_densities(fit.state, fit.curve + height[:, None, None])
        self._stops = np.log2(fit.data.f_numbers)
        apart = self._stops[:, None] - self._stops[fit.data.aperture]
        near = np.exp(-0.5 * (apart / _NEAR_STOPS) ** 2)
        likelihood = np.einsum("kn,dnz->zkd", near, density)
        likelihood = np.exp(likelihood - likelihood.max(2, keepdims=True))
        likelihood[height > room[:, :, None] * (1 + 1e-9)] = 0.0
        mass = (likelihood[:, :, 1:] + likelihood[:, :, :-1]) / 2 * np.diff(height)
        self._chance = np.insert(mass.cumsum(2), 0, 0.0, axis=2) / mass.sum(2, keepdims=True)
        self._height = height

    def quantile(self, deviate: Floats, f_numbers: Floats) -> Floats:
        """Heights (B, Z, M) over the curve, ln MTF50, of normal deviates (B,): 0 is the median."""
        share = ndtr(deviate)
        zones, apertures, _ = self._chance.shape
        heights = np.empty((len(share), zones, apertures))
        for z in range(zones):
            for k in range(apertures):
                heights[:, z, k] = np.interp(share, self._chance[z, k], self._height)
        # Between apertures in use on straight lines over stops, past them as at the last.
        weight = [np.interp(np.log2(f_numbers), self._stops, unit) for unit in np.eye(apertures)]
        return np.asarray(heights @ np.stack(weight))
