"""The noise of a mosaic as a mixture of flat and textured places, fitted by expectation-maximisation.

In a place of mean brightness q the mean squared coefficient of band k is

    a A + b B + d q^2 + t_jk q^2,

the variance a x + b (Foi et al., IEEE TIP 17(10), 2008; terms of EMVA 1288) averaged over the sites as
the scaling to grey left it, d the pixels' unequal response (photo-response non-uniformity, PRNU), and t_j the power of the texture that the
place holds, one of a few kinds j of which the first is none. How often each kind occurs is found for
places of like brightness. Optics bounds how texture falls with frequency. Every band of every place
counts by how well its expectation is known: flat places inform with all their frequencies, textured
ones with those beyond what optics passes.
(EM: Dempster, Laird, Rubin, J. R. Stat. Soc. B 39, 1977.)
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.noise.cfa_patches import BANDS, COUNTS, Sites

__all__ = ["FEWEST", "Fit", "fit_noise"]

Floats = NDArray[np.float64]

FEWEST: Final = 60
"""Places from which on a fit is tried."""

_STRENGTHS: Final = np.geomspace(0.1, 300, 8)
"""Texture in the lowest band to start from, as a multiple of the noise at the median signal."""

_START: Final = np.array([1.0, 0.3, 0.1, 0.02, 0.004, 0.002])
"""How texture falls over the bands at first; see `_LARGEST`."""
_LARGEST: Final = np.array([1.0, 0.5, 0.15, 0.04, 0.006, 0.004])
"""How texture falls over the bands, at first and at most. Lenses leave white texture of the scene 0.17
of its power at 0.55 c/px at their sharpest on 4 um pixels; scenes themselves fall with the square."""

_VISIBLE: Final = 4
"""Bands in which each kind of texture may have a strength of its own."""

_RELATIVE_VARIANCE: Final = 4.0
"""Squared spread, over the places of one kind, of the texture's power relative to its mean."""

_GROUPS: Final = (0.03, 0.08, 0.16, 0.3, 0.45, 0.6, 0.8)
"""Shares of places, darkest first, at which groups of like brightness end."""

_COARSE_ROUNDS: Final = 14
"""Steps at most on a part of the places, from the first guess on."""
_FINE_ROUNDS: Final = 8
"""Steps at most on all of them, from there on."""
_COARSE_PLACES: Final = 1_800
"""Places in that part, about at most."""
_SETTLED: Final = 1e-4
"""Change of the law in one step, as a share of its largest figure, at which it has settled."""
_LEAST_NOISE: Final = 1e-3
"""Share of the median place's power in the finest band that noise has at least in any place."""

_CLEAR: Final = 4.5
"""Standard deviations from the mean to where values are cut off."""

_FAINT: Final = 0.02
"""Share of a place's noise up to which texture makes no difference to it."""

_MOST_GROUPS: Final = 20
"""Groups of like signal at most through which the first guess is laid."""
_IN_GROUP: Final = 30
"""Places in each, where they are fewer."""
_LOW: Final = 0.3
"""Share of a group's places that lies below the one taken for noise without texture."""
_LOW_TO_MEAN: Final = 1.1
"""Factor from that place's power to the mean of noise."""
_LEAST_POWER: Final = 1e-3
"""Power of noise (DN squared) at least in the first guess."""
_LEAST_SHARE: Final = 0.05
"""Slope at least in the first guess, as a share of that from nothing to the brightest group; and its offset, as
a share of the quietest group's power."""

_PRNU_SIGNIFICANT: Final = 5.0
"""Standard errors from which on the unequal response of pixels is believed; textures that are not quite
understood reach three."""


@dataclass(frozen=True)
class Fit:
    """The variance a x + b + d x^2 of a mosaic's sites in DN squared, x in DN after the black level.

    Attributes
    ----------
    slope, offset, prnu : float
        a (shot noise, 1 / gain), b (read noise and rounding) and d (photo-response non-uniformity).
    covariance : (2, 2) ndarray of float64
        Of a and b.
    used : (n,) ndarray of intp
        Patches behind the fit.
    flat_probability : (n,) ndarray of float64
        Probability that each of them holds no texture to speak of.
    power_ratio : (BANDS,) ndarray of float64
        Power found in each band over the fit's.
    power_ratio_stderr : (BANDS,) ndarray of float64
        Its standard error.
    """

    slope: float
    offset: float
    prnu: float
    covariance: Floats
    used: NDArray[np.intp]
    flat_probability: Floats
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


class _Mixture:
    """State of the fit. `law` is (a, b, d); `texture` (kinds, BANDS); `shares` (groups, kinds).

    What places, kinds and bands have is kept as (kinds, BANDS, n): long rows are what numpy is quick at.
    """

    def __init__(self, sites: Sites) -> None:
        a, b = _first_guess(sites)
        self.law = np.array([a, b, 0.0])
        self.with_prnu = False
        self.use(sites)
        noise = a * np.median(self.design[:, 0]) / np.median(self.brightness2)
        self.texture = np.vstack([np.zeros(BANDS), noise * _STRENGTHS[:, None] * _START])
        kinds = len(self.texture)
        self.shares = np.full((len(_GROUPS) + 1, kinds), 1 / kinds)

    def use(self, sites: Sites) -> None:
        """Go on with these places."""
        self.sites = sites
        self.power = np.ascontiguousarray(sites.power.T, np.float64)
        brightness = np.maximum(sites.signal.mean(1), 1.0)
        r2 = sites.scale**2
        self.brightness2 = brightness**2
        self.design = np.stack([(r2 * sites.signal).mean(1), r2.mean(1), self.brightness2], 1)
        self.group = np.digitize(brightness, np.quantile(brightness, _GROUPS))

    def _noise(self) -> Floats:
        floor = _LEAST_NOISE * float(np.median(self.sites.power[:, -1])) + 1e-6
        return np.asarray(np.maximum(self.design @ self.law, floor))

    def freedom_share(self) -> Floats:
        """Share of the degrees of freedom that is left where the sites' variances differ."""
        s = self.sites
        each = s.scale**2 * np.maximum(self.law[0] * s.signal + self.law[1], 1e-6)
        return np.asarray(each.sum(1) ** 2 / (4 * (each**2).sum(1)))

    def _expect(self) -> None:
        """How likely each kind of texture is in each place, and what each band counts for it."""
        noise, freedom = self._noise(), self.freedom_share()
        self.texture_power = self.texture[:, :, None] * self.brightness2
        self.expected = noise + self.texture_power
        deviance = self.power / self.expected
        deviance += np.log(self.expected)
        deviance = np.einsum("jkn,k->jn", deviance, COUNTS)
        log_odds = np.log(self.shares[self.group]).T - 0.5 * freedom * deviance
        responsibility = np.exp(log_odds - log_odds.max(0))
        self.responsibility = responsibility / responsibility.sum(0)
        for g in range(len(self.shares)):
            members = self.responsibility[:, self.group == g]
            # One place more of each kind keeps small groups from ruling any kind out.
            self.shares[g] = (members.sum(1) + 1) / (members.shape[1] + len(responsibility))
        counts = COUNTS[:, None] * freedom
        spread = self.texture_power**2
        spread *= (0.5 * _RELATIVE_VARIANCE) * counts
        spread += self.expected**2
        self.weight = self.responsibility[:, None] * counts
        self.weight /= spread

    def solve(self, unknowns: int) -> tuple[Floats, Floats]:
        """The first `unknowns` of the law and their information matrix (half of it: see `fit_noise`)."""
        total = self.weight.sum((0, 1))
        noise_power = np.einsum("jkn,kn->n", self.weight, self.power)
        noise_power -= np.einsum("jkn,jkn->n", self.weight, self.texture_power)
        design = self.design[:, :unknowns]
        information = (design * total[:, None]).T @ design
        return np.linalg.solve(information, design.T @ noise_power), information

    def _update_texture(self) -> None:
        above = (self.power - self._noise()) * self.brightness2
        total = (self.weight @ self.brightness2**2)[1:]
        found = np.einsum("jkn,kn->jk", self.weight, above)[1:] / np.maximum(total, 1e-30)
        found = np.maximum(found, 1e-14)
        found = np.minimum(found, _LARGEST * found[:, :1])
        # Optics falls alike for all textures where they are all but gone.
        last = found[:, _VISIBLE - 1 : _VISIBLE]
        known = total[:, _VISIBLE:]
        fall = (known * last * found[:, _VISIBLE:]).sum(0) / (known * last**2).sum(0)
        found[:, _VISIBLE:] = np.minimum(fall, 1.0) * last
        self.texture[1:] = found

    def run(self, rounds: int) -> None:
        """Steps of expectation and maximisation (scoring for the law) until it has settled."""
        for _ in range(rounds):
            before = self.law.copy()
            self._expect()
            law, self.information = self.solve(3 if self.with_prnu else 2)
            self.law[: len(law)] = law
            self.law[[0, 2]] = np.maximum(self.law[[0, 2]], (1e-9, 0.0))
            self._update_texture()
            if np.abs(self.law - before).max() < _SETTLED * np.abs(before).max():
                break


def fit_noise(sites: Sites) -> Fit | None:
    """Fit the noise law to flat and textured patches alike, by expectation-maximisation.

    The mean squared coefficients of a patch are Gamma-distributed about noise plus one of a few kinds of
    texture; the E step gives each kind's responsibility for each patch, the M step one step of scoring
    (iteratively reweighted least squares) for the law. Patches that may be clipped are left out.

    Parameters
    ----------
    sites : Sites
        Patches of one mosaic.

    Returns
    -------
    Fit or None
        None when patches are too few, or the equations are singular.

    References
    ----------
    Foi et al., IEEE TIP 17(10), 2008 (variance law); Dempster, Laird, Rubin, J. R. Stat. Soc. B 39, 1977 (EM).
    """
    if len(sites) < FEWEST:
        return None
    step = -(-len(sites) // _COARSE_PLACES)
    try:
        mixture = _Mixture(sites.take(slice(None, None, step)))
        mixture.run(_COARSE_ROUNDS)
        used = _clear_of_clipping(sites, mixture.law)
        if len(used) < FEWEST:
            return None
        mixture.use(sites.take(used))
        mixture.run(_FINE_ROUNDS)
        law, information = mixture.solve(3)
        if law[2] > _PRNU_SIGNIFICANT * np.sqrt(2 * np.linalg.inv(information)[2, 2]):
            mixture.with_prnu = True
            mixture.run(_FINE_ROUNDS)
        # Each mean square of n coefficients has 2 / n of its squared mean as variance.
        covariance = np.asarray(2 * np.linalg.inv(mixture.information)[:2, :2], np.float64)
    except np.linalg.LinAlgError:
        return None
    if not np.isfinite(mixture.law).all() or not np.isfinite(covariance).all():
        return None
    a, b, d = (float(v) for v in mixture.law)
    return Fit(a, b, d, covariance, used, _flatness(mixture), *_power_ratios(mixture))


def _power_ratios(mixture: _Mixture) -> tuple[Floats, Floats]:
    """Power found in each band over what was fitted, and its standard error."""
    weight = mixture.weight.sum(0)
    expected = (mixture.weight * mixture.expected).sum(0)
    total = expected.sum(1)
    found = (weight * mixture.power).sum(1)
    square = 2 * expected**2 / (COUNTS[:, None] * mixture.freedom_share())
    return found / total, np.sqrt(square.sum(1)) / total


def _flatness(mixture: _Mixture) -> Floats:
    """Probability of textures that add less than `_FAINT` to the noise of a place's sites."""
    added = np.einsum("jkn,k->jn", mixture.texture_power, COUNTS) / COUNTS.sum()
    small = added < _FAINT * (mixture.expected - mixture.texture_power)[:, 0]
    return np.asarray((mixture.responsibility * small).sum(0))


def _clear_of_clipping(sites: Sites, law: Floats) -> NDArray[np.intp]:
    """Places whose sites all lie well inside: those that merely happen to would show too little noise."""
    variance = np.maximum(law[0] * sites.signal + law[1] + law[2] * sites.signal**2, 0.0)
    return np.flatnonzero((sites.clipping_distance > _CLEAR * np.sqrt(variance)).all(1))


def _first_guess(sites: Sites) -> tuple[float, float]:
    """Slope and offset through the lower part of the finest band, group by group of like signal."""
    share = (sites.scale**2).mean(1)
    x, fine = (sites.scale**2 * sites.signal).mean(1) / share, sites.power[:, -1] / share
    order = np.argsort(x, kind="stable")
    groups = np.array_split(order, min(_MOST_GROUPS, max(2, len(x) // _IN_GROUP)))
    centres = np.array([np.median(x[g]) for g in groups])
    lows = np.array([np.quantile(fine[g], _LOW) for g in groups]) * _LOW_TO_MEAN
    lows = np.maximum(lows, _LEAST_POWER)
    slope, offset = np.polyfit(centres, lows, 1, w=1 / lows)
    highest = lows[-1] / max(float(centres[-1]), 1.0)
    return float(max(slope, _LEAST_SHARE * highest)), float(max(offset, _LEAST_SHARE * lows.min()))
