"""How far a lens may lie beyond the frames on which its curve rests.

The fit takes the sharpest frames that agree for the lens's own. Where frames are few, all of them may
have been softer than the lens: a curve that lies higher explains them too, as frames all of which are soft. How
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

__all__ = ["OffsetPosterior"]

Floats = NDArray[np.float64]

_KERNEL_STOPS: Final = 0.5
"""Standard deviation, in stops, of the weight with which frames at other apertures count: aberrations
change by half and more within a stop (textbook optics), so frames a stop away say little of this one."""
_FIRST_STEP: Final = 0.01
"""First step (ln MTF50) from the curve: what a good archive resolves."""
_STEPS: Final = 16
"""Steps from there to a perfect lens, each larger than the last by the same factor."""
_FARTHEST_BELOW: Final = 0.12
"""How far (ln MTF50) the lens may lie below the curve: four times the scatter of inliers."""
_STEPS_BELOW: Final = 6
"""Steps down to there."""


class OffsetPosterior:
    """Posterior of the lens's true curve as an offset to the fitted one, by zone and aperture.

    The likelihood of the fit's own mixture model is evaluated along shifted curves; frames at other apertures
    count with a Gaussian kernel of `_KERNEL_STOPS`. The prior is flat between `_FARTHEST_BELOW` below the fit
    and the curve of a perfect lens at that pixel pitch. Integrated by the trapezoidal rule.

    Parameters
    ----------
    fit : CurveFit
        The fitted curve.
    """

    def __init__(self, fit: CurveFit) -> None:
        headroom = np.maximum(fit.model.optics.perfect(fit.sharpening) - fit.curve, _FIRST_STEP)
        below = -np.geomspace(_FARTHEST_BELOW, _FIRST_STEP, _STEPS_BELOW)
        offset = np.concatenate([below, [0.0], np.geomspace(_FIRST_STEP, headroom.max(), _STEPS)])
        log_density = fit.model.log_densities(fit.state, fit.curve + offset[:, None, None])
        self._stops = np.log2(fit.data.f_numbers)
        distance = self._stops[:, None] - self._stops[fit.data.aperture]
        kernel = np.exp(-0.5 * (distance / _KERNEL_STOPS) ** 2)
        likelihood = np.einsum("kn,dnz->zkd", kernel, log_density)
        likelihood = np.exp(likelihood - likelihood.max(2, keepdims=True))
        likelihood[offset > headroom[:, :, None] * (1 + 1e-9)] = 0.0
        mass = (likelihood[:, :, 1:] + likelihood[:, :, :-1]) / 2 * np.diff(offset)
        self._cdf = np.insert(mass.cumsum(2), 0, 0.0, axis=2) / mass.sum(2, keepdims=True)
        self._offsets = offset

    def quantile(self, deviate: Floats, f_numbers: Floats) -> Floats:
        """Quantiles of the offset.

        Parameters
        ----------
        deviate : ndarray of float64, shape (B,)
            Standard normal deviates that stand for probabilities: 0 is the median.
        f_numbers : ndarray of float64, shape (M,)
            Apertures; between those used offsets are interpolated over stops, past them they are those of the
            last one.

        Returns
        -------
        ndarray of float64, shape (B, Z, M)
            Offsets to the fitted curve, ln MTF50.
        """
        probability = ndtr(deviate)
        zones, apertures, _ = self._cdf.shape
        offsets = np.empty((len(probability), zones, apertures))
        for z in range(zones):
            for k in range(apertures):
                offsets[:, z, k] = np.interp(probability, self._cdf[z, k], self._offsets)
        # Between apertures in use on straight lines over stops, past them as at the last.
        weight = [np.interp(np.log2(f_numbers), self._stops, basis) for basis in np.eye(apertures)]
        return np.asarray(offsets @ np.stack(weight))
