"""What the spectra of the frames say of their blur, beside the edges.

Half the difference of two log power spectra of one scene is the log ratio of their MTFs, whatever
the scene is; so within a scene spectra tell blur from blur where hardly an edge is found. Between
scenes they tell it less surely, because natural spectra differ, though not without limit: power
falls with frequency like a power law (Field, J. Opt. Soc. Am. A 4(12), 1987). Edges alone know the
level.

With the diffraction of its aperture taken off, half the log spectrum of frame i in a zone is

    G_i(f) = S(f) + u(f) + e_i(f) - 2 pi^2 f^2 b_i

S what all scenes have in common, u the scene's own part (level, slope, bumps, softness, shared by its
frames), e_i the frame's (noise, framing) and b_i its blur in px^2, missed focus and all. The edges say

    ln MTF50_i = h + L(N_i, b_i)

L the closed form, h what sharpening adds, with the standard error that the measurement states. Both
together are solved for b_i, scene by scene (Gaussian conditioning, with Student's weights where the
two contradict each other), and ln MTF50 is given back with its error.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.infer.lenses.physics import BlurTable, gain_spread
from auditor.optics import diffraction_mtf
from auditor.record import SPECTRUM_CPP

__all__ = ["blend_spectra"]

Floats = NDArray[np.float64]

_USED: Final = np.array(SPECTRUM_CPP) < 0.36
"""Beyond, what lies above the pixel grid's limit folds back."""
_FREQ: Final = np.array(SPECTRUM_CPP)[_USED]
_BLUR: Final = 2 * np.pi**2 * _FREQ**2
_TILT: Final = np.log(_FREQ / _FREQ[4])
_LEAST_BINS: Final = 6
_LEAST_FRAMES: Final = 8
_LEAST_MTF: Final = 0.05

# Standard deviations of half the log spectrum between scenes, as `measure.sharpness.natural` found
# them, with a softness (px^2) of objects and depth on top.
_LEVEL: Final = 1.0
_SLOPE: Final = 0.15
_BUMPS: Final = 0.15
_BUMP_WIDTH: Final = 0.35
_SOFTNESS: Final = 0.30

# The same between frames of one scene: other windows, other framing, other light; and px^2 by which
# a zone's texture may be blurred otherwise than its sharpest edges.
_OWN_LEVEL: Final = 0.05
_OWN_SLOPE: Final = 0.03
_OWN_BIN: Final = 0.04
_OWN_BLUR: Final = 0.10

_HIDDEN: Final = 0.25
"""Error of half the log power where the noise floor is as high as the power itself."""
_STUDENT: Final = 4.0
_EDGE_FLOOR: Final = 0.03
_ROUNDS: Final = 4
_SHIFT_SPREAD: Final = 2.0
"""px^2, standard deviation of what the mean spectrum may mistake for blur: next to nothing known."""


@dataclass(frozen=True, slots=True)
class _Zone:
    """The n frames of one zone that have both spectrum and figure; F bins, S scenes."""

    g: Floats
    """n x F, half the log power without diffraction, 0 where hidden."""
    error: Floats
    """n x F, infinite where hidden."""
    aperture: NDArray[np.int64]
    log_mtf50: Floats
    sigma: Floats
    scene: NDArray[np.int64]
    closed: BlurTable
    gain_spread: float

    def by_scene(self, values: Floats) -> Floats:
        """Sums over the frames of each scene."""
        order = np.argsort(self.scene, kind="stable")
        starts = np.flatnonzero(np.diff(self.scene[order], prepend=-1))
        return np.asarray(np.add.reduceat(values[order], starts, axis=0))


@dataclass(frozen=True, slots=True)
class _Told:
    """What spectra alone say, each frame's blur left free."""

    weight: Floats
    """n x F: blur (px^2) = weight . (S + u - G)."""
    variance: Floats
    """n, of the frame's own part."""
    precision: Floats
    """S x F x F, of the scenes' own parts."""
    free: Floats
    """n x F x F, of the frame's spectrum without the direction of blur."""


def blend_spectra(
    log_mtf50: Floats, relative_stderr: Floats, spectra: Floats, aperture: NDArray[np.int64],
    f_numbers: Floats, pitch_um: float, source: str, scene: NDArray[np.int64],
) -> tuple[Floats, Floats]:  # fmt: skip
    """Edges and spectra in one: log MTF50 and its relative standard error, n x Z each.

    `spectra` is n x Z x 16 at `record.SPECTRUM_CPP` (natural log power, NaN where hidden), `aperture`
    indexes `f_numbers`, `scene` numbers the frame's scene. Figures without a spectrum, and zones in
    which few frames have one, stay as they are.
    """
    value, stderr = log_mtf50.copy(), relative_stderr.copy()
    mtf = np.stack([diffraction_mtf(_FREQ, float(n), pitch_um) for n in f_numbers])
    closed = BlurTable.of(f_numbers, pitch_um)
    for z in range(value.shape[1]):
        g, error = _reduced(spectra[:, z], mtf[aperture])
        enough = np.isfinite(error).sum(1) >= _LEAST_BINS
        rows = np.flatnonzero(enough & np.isfinite(value[:, z]) & np.isfinite(stderr[:, z]))
        if len(rows) < _LEAST_FRAMES:
            continue
        code = np.unique(scene[rows], return_inverse=True)[1]
        sigma = np.hypot(stderr[rows, z], _EDGE_FLOOR)
        zone = _Zone(
            g[rows], error[rows], aperture[rows], value[rows, z], sigma, code, closed,
            gain_spread(source),
        )  # fmt: skip
        value[rows, z], stderr[rows, z] = _solve(zone)
    return value, stderr


def _reduced(spectra: Floats, mtf: Floats) -> tuple[Floats, Floats]:
    """Half the log spectra without diffraction (`mtf`, n x F), and the errors of their bins."""
    power = spectra[:, _USED]
    seen = np.logical_and.accumulate(np.isfinite(power) & (mtf > _LEAST_MTF), axis=1)
    # Where noise begins to hide the power, its floor is about as high as the last that is seen.
    floor = np.min(np.where(np.isfinite(spectra), spectra, np.inf), axis=1)
    power = np.where(seen, power, 0.0)
    hidden = _HIDDEN * np.exp(np.where(seen, floor[:, None] - power, 0.0))
    error = np.where(seen, np.hypot(_OWN_BIN, hidden), np.inf)
    return np.where(seen, 0.5 * power - np.log(np.maximum(mtf, _LEAST_MTF)), 0.0), error


@cache
def _scene_precision() -> Floats:
    apart = np.log(_FREQ)[:, None] - np.log(_FREQ)[None, :]
    covariance = (
        _LEVEL**2
        + _SLOPE**2 * np.outer(_TILT, _TILT)
        + _BUMPS**2 * np.exp(-0.5 * (apart / _BUMP_WIDTH) ** 2)
        + _SOFTNESS**2 * np.outer(_BLUR, _BLUR)
        + 0.03**2 * np.eye(len(_FREQ))
    )
    return np.asarray(np.linalg.inv(covariance))


def _own_precision(error: Floats, trust: Floats) -> Floats:
    """Precision (n x F x F) of each frame's own part, of which level and slope move all bins.

    By Woodbury's identity, so that no matrix larger than 2 x 2 is inverted.
    """
    inverse = np.where(np.isfinite(error), 1 / error**2, 0.0)
    basis = np.stack([np.full(len(_FREQ), _OWN_LEVEL), _OWN_SLOPE * _TILT], axis=1)
    weighted = inverse[:, :, None] * basis
    inner = np.linalg.inv(np.eye(2) + basis.T @ weighted)
    out = -(weighted @ inner) @ weighted.transpose(0, 2, 1)
    index = np.arange(len(_FREQ))
    out[:, index, index] += inverse
    return np.asarray(out * trust[:, None, None])


def _told(zone: _Zone, trust: Floats) -> _Told:
    own = _own_precision(zone.error, trust)
    pull = own @ _BLUR
    firm = pull @ _BLUR
    weight = pull / firm[:, None]
    free = own - pull[:, :, None] * weight[:, None, :]
    precision = _scene_precision() + zone.by_scene(free)
    return _Told(weight, 1 / firm + _OWN_BLUR**2 / trust, precision, free)


def _quadratic(zone: _Zone, told: _Told, spread: Floats) -> Floats:
    """n, variance that the scene's own part adds to each frame's blur."""
    return np.asarray(np.einsum("nf,nfg,ng->n", told.weight, spread[zone.scene], told.weight))


def _solve(zone: _Zone) -> tuple[Floats, Floats]:
    """Log MTF50 and its error, n each."""
    blur = zone.closed.blur_of(zone.aperture, zone.log_mtf50)
    mean = _mean_spectrum(zone, blur)
    gain, trust = 0.0, np.ones(len(blur))
    variance = np.ones(len(blur))
    for _ in range(_ROUNDS):
        told = _told(zone, trust)
        left = zone.g - mean
        spread = np.asarray(np.linalg.inv(told.precision), np.float64)
        pull = zone.by_scene(np.einsum("nfg,ng->nf", told.free, left))
        part = np.einsum("sfg,sg->sf", spread, pull)
        alone = np.einsum("nf,nf->n", told.weight, part[zone.scene] - left)
        alone_variance: Floats = told.variance + _quadratic(zone, told, spread)
        # Level and gain, common to all, from the edges.
        shift, gain = _level(zone, alone, alone_variance, gain)
        mean, left, alone = mean + _BLUR * shift, left - _BLUR * shift, alone + shift
        # Edges and spectra of each scene together.
        at, slope = zone.closed.log_mtf50(zone.aperture, blur)
        edge = blur + (zone.log_mtf50 - gain - at) / slope
        edge_variance = (zone.sigma / slope) ** 2
        sure = 1 / (told.variance + edge_variance)
        outer = told.weight[:, :, None] * told.weight[:, None, :]
        both = told.precision + zone.by_scene(sure[:, None, None] * outer)
        spread = np.asarray(np.linalg.inv(both), np.float64)
        said = edge + np.einsum("nf,nf->n", told.weight, left)
        pull = zone.by_scene(
            np.einsum("nfg,ng->nf", told.free, left) + (sure * said)[:, None] * told.weight
        )
        part = np.einsum("sfg,sg->sf", spread, pull)
        given = np.einsum("nf,nf->n", told.weight, part[zone.scene] - left)
        share = edge_variance * sure
        blur = zone.closed.within(share * given + (1 - share) * edge)
        variance = share * told.variance + share**2 * _quadratic(zone, told, spread)
        square = (edge - alone) ** 2 / (alone_variance + edge_variance)
        trust = (_STUDENT + 1) / (_STUDENT + np.minimum(square, 100.0))
    at, slope = zone.closed.log_mtf50(zone.aperture, blur)
    return gain + at, np.maximum(np.abs(slope) * np.sqrt(variance), 1e-3)


def _mean_spectrum(zone: _Zone, blur: Floats) -> Floats:
    """What the scenes have in common: the median of the frames' spectra without their blur."""
    own = np.where(np.isfinite(zone.error), zone.g + _BLUR * blur[:, None], np.nan)
    own -= own[:, :_LEAST_BINS].mean(1, keepdims=True)
    known = np.isfinite(own).any(axis=0)
    out = np.zeros(own.shape[1])
    out[known] = np.nanmedian(own[:, known], axis=0)
    return out


def _level(zone: _Zone, told: Floats, variance: Floats, gain: float) -> tuple[float, float]:
    """Shift of all blurs (px^2) and gain of all figures that bring spectra and edges together."""
    shift = 0.0
    prior = np.array([_SHIFT_SPREAD, zone.gain_spread]) ** -2.0
    for _ in range(6):
        at, slope = zone.closed.log_mtf50(zone.aperture, zone.closed.within(told + shift))
        left = zone.log_mtf50 - gain - at
        total = zone.sigma**2 + slope**2 * variance
        weight = (_STUDENT + 1) / (_STUDENT + left**2 / total) / total
        design = np.stack([slope, np.ones_like(slope)], axis=1)
        information = (design * weight[:, None]).T @ design + np.diag(prior)
        pull = design.T @ (weight * left) - prior * np.array([shift, gain])
        step = np.linalg.solve(information, pull)
        shift += float(np.clip(step[0], -1, 1))
        gain += float(step[1])
    return shift, gain
