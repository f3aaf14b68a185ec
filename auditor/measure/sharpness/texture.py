"""Texture: power spectra of windows full of detail, and the blur that they betray.

An isolated edge is rare in a forest or on a scree, but the spectrum of natural detail is much the
same everywhere: power falls with frequency like a power law (Field, J. Opt. Soc. Am. A 4(12),
1987). What the lens takes is what the spectrum lacks. The level of one frame stays uncertain, since
scenes differ; the ratio between two frames of one scene does not.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from auditor.measure.sharpness.family import family_mtf
from auditor.measure.sharpness.light import Light
from auditor.measure.sharpness.places import radius_of, zone_of
from auditor.record import SPECTRUM_CPP, ZONES, ZoneSharpness

__all__ = ["WINDOW_PX", "Spectrum", "texture_mtf50", "with_texture", "zone_spectra"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

WINDOW_PX: Final = 64
_PER_ZONE: Final = 40
_QUIET: Final = 24
_HIDDEN: Final = 1.0
"""Power below this share of the noise floor is taken as hidden by it: coding makes the floor in
busy windows differ from that in flat ones by nearly as much."""
_FLOOR_ERROR: Final = 0.5


@dataclass(frozen=True)
class Spectrum:
    """Mean spectrum of a zone's windows.

    Attributes:
        log_power: (16,) natural log at `SPECTRUM_CPP` of power relative to the mean light squared,
            noise taken off; NaN where noise hides it.
        stderr: (16,) its standard error from the scatter over windows and the floor's own.
        windows: number of windows.
    """

    log_power: Floats
    stderr: Floats
    windows: int


@cache
def _rings() -> tuple[Singles, Singles]:
    """(rfft cells, 16) averaging matrix of log-spaced rings, and the (64, 64) Hann taper."""
    n = WINDOW_PX
    fy = scipy.fft.fftfreq(n)[:, None]
    fx = scipy.fft.rfftfreq(n)[None, :]
    radius = np.hypot(fx, fy).ravel()
    ratio = np.sqrt(SPECTRUM_CPP[1] / SPECTRUM_CPP[0])
    # Cells of a half plane: those off its edges stand for two.
    twice = np.where((fx > 0) & (fx < 0.5), 2.0, 1.0).repeat(n, 0).ravel()
    rings = np.zeros((len(radius), len(SPECTRUM_CPP)))
    for i, centre in enumerate(SPECTRUM_CPP):
        # A ring is at least as wide as the taper's own resolution; weights fall off linearly in f.
        width = max(centre * (ratio - 1 / ratio) / 2, 0.6 / n)
        rings[:, i] = twice * np.clip(1.5 - np.abs(radius - centre) / width, 0, 1)
    rings /= rings.sum(0)
    hann = np.hanning(n + 1)[:n]
    taper = np.outer(hann, hann)
    return rings.astype(np.float32), (taper / np.sqrt((taper**2).sum())).astype(np.float32)


def _window_power(light: Light, y: NDArray[np.int_], x: NDArray[np.int_]) -> tuple[Floats, Floats]:
    """Ring powers (n, 16) per pixel and mean light (n,) of windows with upper left corner (y, x)."""
    rings, taper = _rings()
    patch, _clipped, _valid = light.patches(y, x, WINDOW_PX)
    mean = patch.mean((1, 2))
    patch = (patch - mean[:, None, None]) * taper
    power = np.abs(scipy.fft.rfft2(patch, axes=(1, 2))) ** 2
    return (power.reshape(len(y), -1) @ rings).astype(float), mean.astype(float)


def _choose(
    light: Light,
) -> tuple[NDArray[np.int_], NDArray[np.int_], NDArray[np.int_], NDArray[np.bool_]]:
    """Windows (y, x, zone, quiet): the most detailed of each zone and the flattest of the frame."""
    h, w = light.shape
    factor = max(2, round(float(np.sqrt(h * w / 4e5))))
    factor += factor % 2
    small = light.reduced(factor)
    cell = max(WINDOW_PX // factor, 1)
    rows, columns = small.shape[0] // cell, small.shape[1] // cell
    empty = np.zeros(0, int)
    if rows == 0 or columns == 0:
        return empty, empty, empty, np.zeros(0, bool)
    blocks = small[: rows * cell, : columns * cell].reshape(rows, cell, columns, cell)
    mean = blocks.mean((1, 3))
    dx = np.abs(np.diff(small[: rows * cell, : columns * cell], axis=1, append=0))
    detail = dx.reshape(rows, cell, columns, cell)[:, :, :, :-1]
    # The median over a window of the local change: an edge alone does not make a texture.
    spread = np.median(detail.transpose(0, 2, 1, 3).reshape(rows, columns, -1), axis=2)
    low = blocks.min((1, 3)) < 0.02
    high = blocks.max((1, 3)) > 0.97
    usable = ~high & ~(low & (mean < 0.08))
    y = (np.arange(rows) * cell * factor)[:, None].repeat(columns, 1)
    x = (np.arange(columns) * cell * factor)[None, :].repeat(rows, 0)
    y, x = np.minimum(y, h - WINDOW_PX), np.minimum(x, w - WINDOW_PX)
    centre = (WINDOW_PX - 1) / 2
    zone = zone_of(radius_of(y + centre, x + centre, light.shape))
    chosen = [(np.flatnonzero(((zone == i) & usable).ravel())) for i in range(len(ZONES))]
    flat = spread.ravel()
    chosen = [c[np.argsort(-flat[c], kind="stable")][:_PER_ZONE] for c in chosen]
    all_usable = np.flatnonzero(usable.ravel())
    quiet = all_usable[np.argsort(flat[all_usable], kind="stable")][:_QUIET]
    index = np.concatenate([*chosen, quiet])
    is_quiet = np.arange(len(index)) >= len(index) - len(quiet)
    return y.ravel()[index], x.ravel()[index], zone.ravel()[index], is_quiet


def zone_spectra(light: Light) -> dict[str, Spectrum | None]:
    """Spectrum of each zone; None where it has no unclipped window."""
    y, x, zone, quiet = _choose(light)
    if len(y) == 0:
        return dict.fromkeys(ZONES)
    power, mean = _window_power(light, y, x)
    level = np.maximum(mean, 1e-4)
    # Shot noise grows with the light: the flattest windows give its power per unit of light.
    relative = power[quiet] / level[quiet, None]
    order = np.argsort(relative[:, 8:].mean(1))
    floor = relative[order[: max(len(order) // 3, 1)]].mean(0)
    busy = np.median(power[~quiet] / level[~quiet, None], axis=0) if (~quiet).any() else floor
    if floor[3:9].mean() > 0.3 * busy[3:9].mean():
        # No window is flat: what they show is detail too, except where it has faded into noise.
        floor = np.minimum(floor, floor[-3:].min())
    out: dict[str, Spectrum | None] = {}
    for i, name in enumerate(ZONES):
        here = (zone == i) & ~quiet
        count = int(np.count_nonzero(here))
        out[name] = _mean_spectrum(power[here], level[here], floor) if count else None
    return out


def _mean_spectrum(power: Floats, level: Floats, floor: Floats) -> Spectrum:
    noise = floor / level[:, None]
    relative = power / level[:, None] ** 2
    # Windows weigh by their own detail, so that a few of strong contrast do not speak for all.
    weight = 1 / np.maximum((relative - noise)[:, 3:9].mean(1), 1e-9)
    strong = (relative - noise)[:, 3:9].mean(1) > 2 * noise[:, 3:9].mean(1)
    weight = np.where(strong, weight, 0)
    if not strong.any():
        nothing = np.full(len(SPECTRUM_CPP), np.nan)
        return Spectrum(nothing, nothing.copy(), 0)
    weight /= weight.sum()
    total, below = weight @ relative, weight @ noise
    net = total - below
    seen = net > _HIDDEN * below
    scatter = np.sqrt(np.maximum((weight[:, None] ** 2 * (relative - total) ** 2).sum(0), 0))
    error = np.hypot(scatter, _FLOOR_ERROR * below)
    with np.errstate(divide="ignore", invalid="ignore"):
        log_power = np.where(seen, np.log(net), np.nan)
        stderr = np.where(seen, error / net, np.nan)
    return Spectrum(log_power, stderr, int(np.count_nonzero(strong)))


_SLOPE: Final = 2.2
_SLOPE_SD: Final = 0.3
_BUMPS: Final = 0.3
_SOFTNESS: Final = 3.8
"""Natural detail: power falls with frequency ** -2.2 (+- 0.3), with bumps of 30%, and its own
softness takes as much as in `zones.scene_softness`; measured on half of a set of photographs."""
_SCENE_SD: Final = 0.25
_MIN_WINDOWS: Final = 3
_MIN_BINS: Final = 6
_SHARES: Final = (0.3, 0.6, 1.0)


@cache
def _members() -> tuple[Floats, Floats]:
    """Levels (ln MTF50) and 2 ln MTF of family members at `SPECTRUM_CPP`, (shares, levels, 16)."""
    level = np.log(np.geomspace(0.06, 0.6, 100))
    freq = np.array(SPECTRUM_CPP)
    loss = [[np.abs(family_mtf(freq, float(np.exp(m)), s)) for m in level] for s in _SHARES]
    return level, 2 * np.log(np.maximum(np.array(loss), 1e-4))


@cache
def _natural() -> tuple[Floats, Floats]:
    """Mean and covariance of the log power spectrum of natural detail, level left free."""
    log_f = np.log(np.array(SPECTRUM_CPP))
    mean = -_SLOPE * log_f - 2 * np.log(2) * _SOFTNESS * np.exp(2 * log_f)
    centred = log_f - log_f.mean()
    apart = log_f[:, None] - log_f[None, :]
    covariance = (
        25.0
        + _SLOPE_SD**2 * np.outer(centred, centred)
        + _BUMPS**2 * np.exp(-0.5 * (apart / 0.35) ** 2)
        + 0.05**2 * np.eye(len(log_f))
    )
    return mean, covariance


def texture_mtf50(spectrum: Spectrum | None) -> tuple[float, float] | None:
    """ln MTF50 and its error from a spectrum alone; None where noise hides too much of it.

    Slope and blur trade places in one spectrum, so the error is a quarter at least.
    """
    if spectrum is None or spectrum.windows < _MIN_WINDOWS:
        return None
    seen = np.isfinite(spectrum.log_power)
    if np.count_nonzero(seen) < _MIN_BINS:
        return None
    level, losses = _members()
    mean, covariance = _natural()
    noise = np.diag(np.minimum(spectrum.stderr[seen], 2.0) ** 2)
    inverse = np.linalg.inv(covariance[np.ix_(seen, seen)] + noise)
    left = spectrum.log_power[seen] - mean[seen] - losses[:, :, seen]
    log_p = -0.5 * np.einsum("ski,ij,skj->sk", left, inverse, left)
    p = np.exp(log_p - log_p.max()).sum(0)
    p /= p.sum()
    value = float(p @ level)
    return value, float(np.sqrt(p @ (level - value) ** 2 + _SCENE_SD**2))


def with_texture(zone: ZoneSharpness | None, spectrum: Spectrum | None) -> ZoneSharpness | None:
    """The zone's value with the spectrum's word added where clean edges do not settle it."""
    if zone is not None and zone.method == "edges":
        return zone
    told = texture_mtf50(spectrum)
    if told is None:
        return zone
    value, error = told
    if zone is None:
        mtf50 = float(np.exp(value))
        return ZoneSharpness(mtf50, mtf50 * error, 0, "texture")
    own, own_error = float(np.log(zone.mtf50_cpp)), zone.stderr_cpp / zone.mtf50_cpp
    weights = np.array([own_error**-2, error**-2])
    mtf50 = float(np.exp((weights @ np.array([own, value])) / weights.sum()))
    spread = abs(own - value) / np.hypot(own_error, error)
    combined = max(float(spread), 1.0) / float(np.sqrt(weights.sum()))
    return ZoneSharpness(
        mtf50,
        mtf50 * combined,
        zone.edges,
        "both" if zone.edges else "texture",
        zone.radial_cpp,
        zone.tangential_cpp,
    )
