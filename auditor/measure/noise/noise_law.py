"""The noise of a mosaic over signal: a line through flat places, read from the frequencies that optics hardly passes.

In a place whose sites have signals x, the mean squared coefficient of noise is the mean over the sites of

    a x + b + d x^2

(Foi et al., IEEE TIP 17(10), 2008; terms of EMVA 1288), each as the scaling to grey left it; d is the pixels'
unequal response (photo-response non-uniformity, PRNU). Flat are places whose lower frequencies hold no more
than noise. Noise is read from the higher ones, which are independent of these, so that choosing flat
places does not prefer those with less noise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.noise.cfa_patches import COUNTS, Sites
from auditor.measure.noise.flats import FEWEST

__all__ = ["BY_CHANCE", "Fit", "fit_noise"]

Floats = NDArray[np.float64]

BY_CHANCE: Final = 3.0
"""Standard errors from which on something is no chance: the pixels' unequal response, or a term below nothing, as an
offset is where the black level is stated too low. So many standard deviations a site has to lie off clipping."""

_LEAST_SHARE: Final = 1e-3
"""Of the mean noise, which is expected anywhere at least: else one place at which a line falls below nothing outweighs
all."""
_ROUNDS: Final = 8
"""Rounds in which flat places and the line through them settle."""


@dataclass(frozen=True)
class Fit:
    """The variance a x + b + d x^2 of a mosaic's sites in DN squared, x in DN after the black level.

    Attributes
    ----------
    slope, offset, prnu : float
        a (shot noise, 1 / gain), b (read noise and rounding) and d (photo-response non-uniformity).
    covariance : (2, 2) ndarray of float64
        Of a and b.
    flat : (n,) ndarray of intp
        The flat places behind the fit.
    power_ratio : (3,) ndarray of float64
        Their power in each band over the fit's.
    power_ratio_stderr : (3,) ndarray of float64
        Its standard error.
    """

    slope: float
    offset: float
    prnu: float
    covariance: Floats
    flat: NDArray[np.intp]
    power_ratio: Floats
    power_ratio_stderr: Floats

    def variance(self, signal: Floats) -> Floats:
        """Variance of a site at some signals, rounding included.

        Parameters
        ----------
        signal : ndarray of float64
            Signals in DN after the black level.

        Returns
        -------
        ndarray of float64
            Variance in DN squared.
        """
        return np.asarray(self.slope * signal + self.offset + self.prnu * signal**2)


def _line_through(design: Floats, found: Floats, freedom: float) -> tuple[Floats, Floats]:
    """Coefficients of mean squares of Gaussian values, by iteratively reweighted least squares.

    A mean square of n values has 2 / n of its squared expectation as variance.

    Parameters
    ----------
    design : (n, k) ndarray of float64
        What the expectation is linear in.
    found : (n,) ndarray of float64
        Mean squares.
    freedom : float
        Values behind each.

    Returns
    -------
    coefficients : (k,) ndarray of float64
        The fit.
    covariance : (k, k) ndarray of float64
        Its covariance.

    Raises
    ------
    numpy.linalg.LinAlgError
        Where the mean squares do not tell the coefficients.
    """
    if not found.mean() > 0:
        raise np.linalg.LinAlgError("no noise")
    expected = np.full(len(found), found.mean())
    for _ in range(_ROUNDS):
        weight = freedom / 2 / expected**2
        information = (design * weight[:, None]).T @ design
        coefficients = np.linalg.solve(information, design.T @ (weight * found))
        expected = np.maximum(design @ coefficients, _LEAST_SHARE * found.mean())
    return np.asarray(coefficients), np.asarray(np.linalg.inv(information))


def _law(design: Floats, found: Floats) -> tuple[Floats, Floats]:
    """Slope, offset and unequal response through flat places, and the covariance of the first two.

    What came out below nothing by chance is nothing: over one tone a line falls as well as it rises, and beside
    the places it would say anything. The covariance is that of all terms, so that nothing seems better known.
    """
    freedom = COUNTS[1:].sum()
    law, covariance = _line_through(design, found, freedom)
    terms = 3
    if law[2] <= BY_CHANCE * np.sqrt(covariance[2, 2]):
        terms = 2
        law, covariance = _line_through(design[:, :2], found, freedom)
    kept = (law > 0) | (law < -BY_CHANCE * np.sqrt(np.diag(covariance)))
    out = np.zeros(3)
    out[:terms][kept] = _line_through(design[:, :terms][:, kept], found, freedom)[0]
    return out, covariance[:2, :2]


def fit_noise(sites: Sites) -> Fit | None:
    """Fit the noise law to the flat places of a mosaic.

    Starts from all places, and in each round goes on with those whose power at lower frequencies is no
    more than a standard error above the last line. Places that may be clipped are left out.

    Parameters
    ----------
    sites : Sites
        Places of one mosaic.

    Returns
    -------
    Fit or None
        None when flat places are too few, or the equations are singular.

    References
    ----------
    Foi et al., IEEE TIP 17(10), 2008 (variance law).
    """
    r2, level = sites.scale**2, sites.signal.mean(1)
    design = np.stack([(r2 * sites.signal).mean(1), r2.mean(1), np.maximum(level, 0) ** 2], 1)
    rough, fine = sites.power[:, 0], sites.power[:, 1:] @ COUNTS[1:] / COUNTS[1:].sum()
    flat = np.arange(len(level))
    try:
        for _ in range(_ROUNDS):
            if len(flat) < FEWEST:
                return None
            law, covariance = _law(design[flat], fine[flat])
            expected = design @ law
            deviation = np.sqrt(np.maximum(sites.signal * law[0] + law[1], 0))
            # Those that merely happen to lie inside would show too little noise.
            clear = (sites.clipping_distance > BY_CHANCE * deviation).all(1)
            is_flat = clear & (rough < expected * (1 + np.sqrt(2 / COUNTS[0])))
            flat = np.flatnonzero(is_flat)
    except np.linalg.LinAlgError:
        return None
    if len(flat) < FEWEST or not np.isfinite(law).all() or not np.isfinite(covariance).all():
        return None
    a, b, d = law.tolist()
    ratio = (sites.power[flat] / expected[flat, None]).mean(0)
    return Fit(a, b, d, covariance, flat, ratio, np.sqrt(2 / COUNTS / len(flat)))
