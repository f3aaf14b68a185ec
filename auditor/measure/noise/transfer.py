"""Photon transfer on one mosaic: var = a x + b over its places; and its noise in the terms of developed frames.

Foi, Trimeche, Katkovnik, Egiazarian, IEEE TIP 17(10), 2008; terms of EMVA 1288. In data numbers after
the black level the slope a is 1 / gain (e- per DN), and b is the read noise squared plus the 1/12 of
rounding to whole numbers (Sheppard's correction).

The green sites carry most of luminance, so signal and noise are theirs, per site, without white
balance. `sigma_code8` is what that noise would be in 8-bit code values on the sRGB curve.
"""

from __future__ import annotations

import weakref
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor import srgb
from auditor.measure.noise import signal, spectrum
from auditor.measure.noise.cfa_patches import (
    FAULTY,
    SIDE,
    Sites,
    site_patches,
)
from auditor.measure.noise.flats import FEWEST
from auditor.measure.noise.noise_law import BY_CHANCE, Fit, fit_noise
from auditor.measure.picture import Mosaic, Picture
from auditor.record import TONE_SIGNALS, Noise, PhotonTransfer, Tone
from auditor.robust import SHEPPARD

__all__ = [
    "fit_mosaic",
    "is_plausible",
    "measure_mosaic_noise",
    "measure_photon_transfer",
    "rounding_variance",
]

Floats = NDArray[np.float64]

_WITHIN_E: Final = 1.5
"""Electrons to either side within which the 90% interval of read noise has to lie for it to be given."""
_WITHIN: Final = 0.05
"""Share to either side within which the 90% interval of gain has to lie for it to be given."""
_OFF_WHITE: Final = 0.05
"""How far the power beyond what optics passes may lie from one level over frequency, as a share: more is a scene
that reaches there, or data that were smoothed."""
_NINETY: Final = 1.645
"""Standard errors to either side that hold 90%."""
_REMAINDER: Final = 1.4
"""Scatter of gains and read noises of rendered scenes about the truth over the fit's own error: what
texture leaves. Found on rendered scenes of hills and of polygons."""

_last: tuple[weakref.ref[Mosaic], tuple[Sites, Fit | None]] | None = None


def fit_mosaic(mosaic: Mosaic) -> tuple[Sites, Fit | None]:
    """Patches of a mosaic and the fit to them; the last mosaic's is kept for the next question.

    Parameters
    ----------
    mosaic : Mosaic
        Raw data.

    Returns
    -------
    sites : Sites
        The patches.
    fit : Fit or None
        None where noise can't be told from the scene.
    """
    global _last
    if _last is None or _last[0]() is not mosaic:
        sites = site_patches(mosaic)
        fit = fit_noise(sites)
        if fit is not None and not _is_noise(fit):
            fit = None
        _last = weakref.ref(mosaic), (sites, fit)
    return _last[1]


def _is_noise(fit: Fit) -> bool:
    """Whether what was fitted is as strong at the highest frequencies as a little lower."""
    allowed = _OFF_WHITE + BY_CHANCE * fit.power_ratio_stderr[1:]
    return bool((np.abs(fit.power_ratio[1:] - 1) < allowed).all())


def rounding_variance(mosaic: Mosaic) -> float:
    """Variance that rounding to whole numbers adds (Sheppard's correction).

    Parameters
    ----------
    mosaic : Mosaic
        Raw data.

    Returns
    -------
    float
        1/12 DN squared; 0 for floating-point data.
    """
    return 1 / SHEPPARD if mosaic.raw.dtype.kind in "ui" else 0.0


def measure_photon_transfer(picture: Picture) -> PhotonTransfer | None:
    """Gain and read noise of one frame from its mosaic (photon transfer, var = a x + b).

    The gain is one over the slope of variance over signal, the read noise the root of the offset less
    rounding.

    Parameters
    ----------
    picture : Picture
        A frame with a mosaic.

    Returns
    -------
    PhotonTransfer or None
        Gain in e- per DN, read noise in e-. None for developed frames, and where patches are too few or hold
        no range of signals. The read noise alone is None where no areas are dark enough to
        show it within 1.5 electrons.

    References
    ----------
    Foi, Trimeche, Katkovnik, Egiazarian, IEEE TIP 17(10), 2008; terms of EMVA 1288.
    """
    mosaic = picture.mosaic
    if mosaic is None or not is_plausible(mosaic):
        return None
    sites, fit = fit_mosaic(mosaic)
    if fit is None or fit.slope <= 0:
        return None
    slope_error, offset_error = _REMAINDER * np.sqrt(np.diag(fit.covariance))
    if _NINETY * slope_error > _WITHIN * fit.slope:
        return None
    gain = 1 / fit.slope
    read_variance = fit.offset - rounding_variance(mosaic)
    error = _read_error(read_variance, float(offset_error), gain)
    # Signals well below nothing: the black level is stated too high, and the offset is not read noise.
    below_black = sites.signal < -BY_CHANCE * np.sqrt(max(fit.offset, 0.0)) / SIDE
    known_black = below_black.mean() < FAULTY
    known = known_black and _NINETY * error < _WITHIN_E and read_variance > 0
    return PhotonTransfer(
        gain_e_per_dn=gain,
        read_noise_e=gain * float(np.sqrt(read_variance)) if known else None,
        white_dn=float(mosaic.white - mosaic.black.mean()),
    )


def _read_error(variance: float, error: float, gain: float) -> float:
    """Standard error in electrons of a read noise found as a variance, both in DN squared.

    d sqrt(b) = db / (2 sqrt b), bounded near nothing.
    """
    return float(gain * error / (2 * np.sqrt(max(variance, error, 1e-12))))


def is_plausible(mosaic: Mosaic) -> bool:
    """Whether a mosaic's size, black and white level make sense.

    Parameters
    ----------
    mosaic : Mosaic
        Raw data.

    Returns
    -------
    bool
        False where nothing can be measured on it.
    """
    return bool(
        mosaic.raw.ndim == 2
        and min(mosaic.raw.shape) >= 4 * spectrum.BLOCK
        and np.isfinite(mosaic.white)
        and np.isfinite(mosaic.black).all()
        and mosaic.white > float(mosaic.black.max())
    )


_ABOVE_WHITE: Final = 1.02
"""Times the stated white level: where more sites than faulty ones hold more, white was stated too low."""


def measure_mosaic_noise(mosaic: Mosaic) -> Noise:
    """Noise of the green sites.

    Signal and noise are per site, without white balance, from the law fitted by `noise_law.fit_noise`.

    Parameters
    ----------
    mosaic : Mosaic
        Raw data.

    Returns
    -------
    Noise
        `sigma_code8` on the sRGB curve, `tones` in linear light; None with a `note` where noise can't be
        told from the scene.
    """
    if not is_plausible(mosaic):
        return Noise(None, note="the raw data's size, black or white level make no sense")
    shares = signal.mosaic_shares(mosaic)
    if (mosaic.raw[::2, ::2] > _ABOVE_WHITE * mosaic.white).mean() > FAULTY:
        note = "the stated white level lies below the data: signals cannot be told"
        return Noise(None, signal_shares=shares, note=note)
    sites, fit = fit_mosaic(mosaic)
    if fit is None:
        note = "no area in which noise can be told from the scene"
        return Noise(None, signal_shares=shares, note=note)
    span = float(mosaic.white - mosaic.black.mean())
    signals = sites.take(fit.flat).signal[:, sites.colour == 1].ravel()
    light = signals / span

    def variance(signal: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.maximum(fit.variance(signal) - rounding_variance(mosaic), 0) / span**2

    sigma = float(np.sqrt((variance(signals) * (255 * srgb.slope(light)) ** 2).mean()))
    out = []
    for target in TONE_SIGNALS:
        count = int(((light > target / np.sqrt(2)) & (light < target * np.sqrt(2))).sum())
        square = float(variance(np.array(target * span)))
        if count >= FEWEST and square > 0:
            out.append(Tone(target, float(np.sqrt(square)), count * SIDE**2))
    white = np.ones((spectrum.BLOCK, spectrum.BLOCK))
    factor = spectrum.averaging_factor(white, spectrum.output_ratio(*mosaic.raw.shape))
    return Noise(
        sigma_code8=sigma,
        tones=tuple(out),
        tone_output_scale=factor,
        signal_shares=shares,
    )
