"""Blur estimated from the power spectrum of natural detail.

What the lens takes is what the spectrum lacks (see `texture`). Slope and blur trade places in one
spectrum, so that this is the last resort, with an error to match.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.sharpness.family import family_mtf
from auditor.measure.sharpness.texture import SPECTRUM_CPP, FrameSpectra, Spectrum
from auditor.record import ZoneSharpness

__all__ = ["texture_mtf50", "with_texture"]

Floats = NDArray[np.float64]


_SLOPE: Final = 2.2
"""Power of natural detail falls with frequency to this power; like the next three measured on half of a set
of photographs."""
_SLOPE_SD: Final = 0.3
"""Standard deviation of that over scenes."""
_BUMPS: Final = 0.3
"""Standard deviation of ln power about that fall."""
_SOFTNESS: Final = 3.8
"""Natural detail's own softness, as a part of 1 / MTF50^2 (px^2)."""
_BUMP_WIDTH: Final = 0.35
"""Width of bumps in ln frequency."""
_OWN_SD: Final = 0.05
"""Standard deviation of ln power of each bin by itself."""
_LEVEL_SD: Final = 5.0
"""Standard deviation of ln power of a whole spectrum: its level is left free."""
_SCENE_SD: Final = 0.25
"""Error of ln MTF50 that scenes leave, however well a spectrum is known: slope and blur trade places."""
_LEVELS: Final = np.log(np.geomspace(0.06, 0.6, 100))
"""ln MTF50 of the blurs tried, 2.4% apart."""
_MIN_WINDOWS: Final = 3
"""Windows from which on a spectrum tells anything."""
_MIN_BINS: Final = 6
"""Bins that noise must not hide for it to do so."""
_COARSE: Final = 6
"""The lowest bins, up to 0.08 c/px: none of them may be hidden."""
_NOISE_SLOPE: Final = -0.8
"""Coarse noise, blurred as it may be, has nearly the same power at all low frequencies; 150 of 151
zones of photographs fell more steeply than this below 0.08 c/px."""
_STRONGEST_NOISE: Final = -1.0
"""ln of power over light squared that no noise reaches: grain of six pixels at a signal to noise of 10."""
_SHARES: Final = (0.3, 0.6, 1.0)
"""Shares of diffraction in the blur that are tried."""


@cache
def _members() -> tuple[Floats, Floats]:
    """Levels (ln MTF50) and 2 ln MTF of family members at `SPECTRUM_CPP`, (shares, levels, 16)."""
    level = _LEVELS
    freq = np.array(SPECTRUM_CPP)
    loss = [[np.abs(family_mtf(freq, float(np.exp(m)), s)) for m in level] for s in _SHARES]
    return level, 2 * np.log(np.maximum(np.array(loss), 1e-9))


@cache
def _natural() -> tuple[Floats, Floats]:
    """Mean and covariance of the log power spectrum of natural detail, level left free."""
    log_f = np.log(np.array(SPECTRUM_CPP))
    mean = -_SLOPE * log_f - 2 * np.log(2) * _SOFTNESS * np.exp(2 * log_f)
    centred = log_f - log_f.mean()
    log_distance = log_f[:, None] - log_f[None, :]
    covariance = (
        _LEVEL_SD**2
        + _SLOPE_SD**2 * np.outer(centred, centred)
        + _BUMPS**2 * np.exp(-0.5 * (log_distance / _BUMP_WIDTH) ** 2)
        + _OWN_SD**2 * np.eye(len(log_f))
    )
    return mean, covariance


def texture_mtf50(spectrum: Spectrum | None) -> tuple[float, float] | None:
    """ln MTF50 from the power spectrum of texture alone.

    The log spectrum of natural detail is a Gaussian prior (a power law with a free level); for every member of
    the edge family the likelihood of what is observed is computed, and the posterior over levels of blur gives
    mean and error. Slope and blur trade places in one spectrum, so the error is a quarter at least.

    Parameters
    ----------
    spectrum : Spectrum or None
        Of a zone.

    Returns
    -------
    tuple of float or None
        ln MTF50 (c/px) and its standard error; None where noise hides too much of the spectrum.
    """
    if spectrum is None or spectrum.windows < _MIN_WINDOWS:
        return None
    valid = np.isfinite(spectrum.log_power)
    if np.count_nonzero(valid) < _MIN_BINS or not valid[:_COARSE].all():
        return None
    slope = np.polyfit(np.log(SPECTRUM_CPP[:_COARSE]), spectrum.log_power[:_COARSE], 1)[0]
    if slope > _NOISE_SLOPE and spectrum.log_power[:_COARSE].mean() < _STRONGEST_NOISE:
        return None
    level, losses = _members()
    mean, covariance = _natural()
    noise = np.diag(np.minimum(spectrum.stderr[valid], 2.0) ** 2)
    inverse = np.linalg.inv(covariance[np.ix_(valid, valid)] + noise)
    residual = spectrum.log_power[valid] - mean[valid] - losses[:, :, valid]
    log_p = -0.5 * np.einsum("ski,ij,skj->sk", residual, inverse, residual)
    p = np.exp(log_p - log_p.max()).sum(0)
    p /= p.sum()
    value = float(p @ level)
    error = float(np.sqrt(p @ (level - value) ** 2 + _SCENE_SD**2))
    return value, error


def with_texture(
    zone: ZoneSharpness | None, spectra: FrameSpectra, name: str
) -> ZoneSharpness | None:
    """A zone's sharpness combined with its texture's where clean edges do not settle it.

    Parameters
    ----------
    zone : ZoneSharpness or None
        From edges.
    spectra : FrameSpectra
        Texture of the frame.
    name : str
        One of `record.ZONES`.

    Returns
    -------
    ZoneSharpness or None
        Weighted mean by inverse variance, or either alone.
    """
    if zone is not None and zone.method == "edges":
        return zone
    estimate = texture_mtf50(spectra.zone(name))
    if estimate is None:
        return zone
    value, error = estimate
    if zone is None:
        mtf50 = float(np.exp(value))
        return ZoneSharpness(mtf50, mtf50 * error, 0, "texture", seen_stderr_cpp=mtf50 * error)
    mtf50, stderr = _combined(zone.mtf50_cpp, zone.stderr_cpp, estimate)
    seen_stderr = zone.seen_stderr_cpp
    if seen_stderr is not None:
        seen_stderr = min(seen_stderr / zone.mtf50_cpp * mtf50, stderr)
    return replace(
        zone,
        mtf50_cpp=mtf50,
        stderr_cpp=stderr,
        seen_stderr_cpp=seen_stderr,
        method="both" if zone.edges else "texture",
    )


def _combined(mtf50: float, stderr: float, estimate: tuple[float, float]) -> tuple[float, float]:
    """MTF50 and error from edges and from a spectrum, averaged by inverse variance.

    Where the two differ by more than their errors, the error grows with the discrepancy.
    """
    value, error = estimate
    edges, edges_error = float(np.log(mtf50)), stderr / mtf50
    weights = np.array([edges_error**-2, error**-2])
    both = float(np.exp((weights @ np.array([edges, value])) / weights.sum()))
    discrepancy = abs(edges - value) / np.hypot(edges_error, error)
    return both, both * max(float(discrepancy), 1.0) / float(np.sqrt(weights.sum()))
