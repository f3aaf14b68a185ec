"""Noise of a developed frame (JPEG, HEIF, TIFF ...), from its flat blocks, brightness by brightness.

What is read is the noise as it stands in the file: what the camera's noise reduction and coding left.
Rounding that is known to have come on top is taken off (`spectrum`). Where noise is less than a code value
of 8 bits, coding decides what remains of it, and only an upper bound can be given.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.noise import (
    blocks,
    noise_texture,
    signal,
    spectrum,
)
from auditor.measure.noise.flats import (
    BRIGHTEST,
    DARKEST,
    FEWEST,
    MOST,
    SHARES,
    Flats,
    luma_blocks,
    read_flats,
    shares_tried,
)
from auditor.measure.noise.transfer import measure_mosaic_noise
from auditor.measure.picture import Picture
from auditor.record import TONE_SIGNALS, Noise, Tone

__all__ = ["FAINTEST", "measure_noise"]

FAINTEST: Final = 1.0
"""Code values of 8 bits from which on noise is measured: below, files of real cameras show a tenth less
than the mean of many exposures says, and soon nothing."""

_FAINT_AT_MOST: Final = 1.2
"""Code values that noise which reads less than `FAINTEST` has at most."""

_STEP_UNKNOWN: Final = 6.0
"""The lowest step assumed for coding whose steps are not stated (WebP, HEIF): the example tables of
ISO/IEC 10918-1 have it at quality 75."""

_RELIABLE: Final = 64
"""Blocks of a smaller share from which on their spread of variances tells noise from texture."""

_CONSTANT: Final = 0.02
"""Variance, code values squared, of a block in which nothing varies."""

_DARKER: Final = (TONE_SIGNALS[0] / 4, TONE_SIGNALS[0] / 2)
"""Brightnesses below those reported, which count for the frame's figure."""

_FINEST: Final = 0.02
"""Code values of 8 bits that noise of finer pictures has to pass: five steps of 16 bits."""

_NOWHERE: Final = "no flat area that is neither black nor white"
_TEXTURED: Final = "texture everywhere: noise cannot be told from it"
_SMOOTH: Final = "flat areas hold no noise: smoothed, posterised or compressed away"
_POSTERISED: Final = "posterised: too few code values for noise to be told from their steps"


@dataclass(frozen=True)
class _Tone:
    """What was found at one brightness: noise (`faint` if less than can be measured), or texture."""

    signal: float
    flats: Flats
    noise_texture: noise_texture.NoiseTexture
    is_noise: bool
    is_faint: bool
    rounding_variance: float = 0.0
    """What rounding added to the variance, code values squared."""

    @property
    def sigma(self) -> float:
        """Standard deviation of the noise, code values, what rounding added taken off."""
        return float(np.sqrt(self.noise_texture.sigma**2 - self.rounding_variance))


def measure_noise(picture: Picture) -> Noise:
    """Noise of one frame.

    Developed frames give `tones` and `at_most` from the flattest blocks near each signal level, and
    `sigma_code8` from those of all levels. Mosaics are measured on the mosaic (`measure_mosaic_noise`).

    Parameters
    ----------
    picture : Picture
        Code values of a developed frame, or a mosaic.

    Returns
    -------
    Noise
        Standard deviations in 8-bit code values, and by tone in linear light. What cannot be trusted is
        None, and `note` says why.
    """
    if picture.mosaic is not None:
        return measure_mosaic_noise(picture.mosaic)
    if picture.code is None:
        return Noise(None, note="no pixels to measure noise on")
    if min(picture.shape) < 4 * blocks.BLOCK:
        return Noise(None, note="too small to measure noise on")
    if picture.code.dtype.kind == "f" and not np.isfinite(picture.code).all():
        # Values that are no numbers become black, which is left out of everything below.
        code = np.nan_to_num(picture.code, nan=0.0, posinf=1.0, neginf=0.0)
        picture = dataclasses.replace(picture, code=code)
    return _measure(picture)


@dataclass(frozen=True)
class _Frame:
    """A picture and its blocks: one entry each, in the order of places.

    Attributes
    ----------
    columns : int
        Blocks side by side.
    level : (n,) ndarray of float32
        Mean code value on the 0..255 scale.
    light : (n,) ndarray of float64
        Linear light that it stands for, 1 = white.
    smooth_variance : (n,) ndarray of float32
        Variance of the smoothed copy inside the block.
    usable : (n,) ndarray of bool
        Whether the block is neither black nor white.
    flattest : (k,) ndarray of intp
        Indices of the flattest fifth of the usable ones, ascending.
    banding : bool
        Whether rows or columns carry offsets of their own.
    """

    picture: Picture
    columns: int
    level: NDArray[np.float32]
    light: NDArray[np.float64]
    smooth_variance: NDArray[np.float32]
    usable: NDArray[np.bool_]
    flattest: NDArray[np.intp]
    banding: bool

    @classmethod
    def of(cls, picture: Picture) -> _Frame:
        found = blocks.map_blocks(picture.half_luma, 255 / picture.peak)
        level, smooth_variance, columns = (
            found.level.ravel(),
            found.smooth_variance.ravel(),
            found.level.shape[1],
        )
        usable = (level > DARKEST) & (level < BRIGHTEST)
        places = np.flatnonzero(usable)
        count = max(1, round(SHARES[0] * len(places)))
        flattest = places
        if len(places):
            flattest = np.sort(places[np.argpartition(smooth_variance[places], count - 1)[:count]])
        chosen = blocks.subsample(flattest, MOST)
        banding = len(chosen) >= FEWEST and noise_texture.has_banding(
            luma_blocks(picture, columns, chosen), chosen, columns
        )
        light = _light(picture, level.astype(np.float64))
        return cls(picture, columns, level, light, smooth_variance, usable, flattest, banding)


def _near(light: NDArray[np.float64], signal: float) -> NDArray[np.bool_]:
    """Where light is within half a stop of a signal."""
    return (light > signal / np.sqrt(2)) & (light < signal * np.sqrt(2))


def _measure(picture: Picture) -> Noise:
    shares, clipped = signal.signal_shares(picture), signal.clipped_share(picture)
    nothing = Noise(None, signal_shares=shares, clipped_share=clipped)
    if noise_texture.is_posterised(picture.luma, picture.peak):
        return dataclasses.replace(nothing, note=_POSTERISED)
    frame = _Frame.of(picture)
    tones = _read_tones(frame)
    if not tones:
        return dataclasses.replace(nothing, note=_NOWHERE)
    noisy = [t for t in tones if t.is_noise]
    by_tone, at_most = _reported(picture, tones)
    partial = dataclasses.replace(nothing, tones=by_tone, at_most=at_most)
    if not noisy:
        return dataclasses.replace(partial, note=_TEXTURED)
    if all(float(np.median(t.flats.band_power.variance)) < _CONSTANT for t in noisy):
        return dataclasses.replace(partial, note=_SMOOTH)
    return _whole_frame(frame, noisy, partial)


def _whole_frame(frame: _Frame, noisy: list[_Tone], partial: Noise) -> Noise:
    """The figures of the frame as a whole, from the brightnesses at which it shows noise."""
    picture = frame.picture
    sigma = _typical(frame, noisy)
    power, plateau = _mean_power(noisy)
    factor = spectrum.averaging_factor(power, spectrum.output_ratio(*picture.shape))
    some = luma_blocks(picture, frame.columns, blocks.subsample(frame.flattest, MOST))
    return dataclasses.replace(
        partial,
        sigma_code8=sigma,
        grain_px=spectrum.grain(plateau, float(power.mean())),
        sigma_output_code8=sigma * factor,
        tone_output_scale=factor,
        banding=frame.banding,
        hot_pixels=noise_texture.count_hot_pixels(some, picture.luma.size),
    )


def _lowest_step(picture: Picture) -> float:
    """Code values to which coding rounds the lowest frequencies of luma; 0 where it does not."""
    if picture.luma_steps is not None:
        return spectrum.lowest_step(picture.luma_steps)
    return _STEP_UNKNOWN if picture.lossy else 0.0


def _read_tones(frame: _Frame) -> list[_Tone]:
    """What the flattest blocks near each brightness hold."""
    each = (_read_tone(frame, target) for target in (*_DARKER, *TONE_SIGNALS))
    found = [tone for tone in each if tone is not None]
    measured = {t.signal: t.noise_texture for t in found if t.is_noise and not t.is_faint}
    outliers = noise_texture.disagreeing(measured)
    return [dataclasses.replace(t, is_noise=False) if t.signal in outliers else t for t in found]


def _read_tone(frame: _Frame, target: float) -> _Tone | None:
    """One brightness: the largest share of its blocks that holds noise; texture if none does."""
    candidates = np.flatnonzero(frame.usable & _near(frame.light, target))
    if len(candidates) < FEWEST:
        return None
    coded, faintest = _resolution(frame.picture)
    first: _Tone | None = None
    for size in shares_tried(len(candidates)):
        chosen = candidates[_lowest(frame.smooth_variance[candidates], size)]
        flats = read_flats(frame.picture, frame.columns, chosen, banding=frame.banding)
        if len(flats) < FEWEST:
            break
        texture = noise_texture.noise_texture(flats)
        # Places in which nothing varies at all, among others that vary, were painted.
        constant = first is not None and float(np.median(flats.band_power.variance)) < _CONSTANT
        is_faint = texture.sigma < faintest
        reliable = first is None or len(flats) >= _RELIABLE
        is_noise = not constant and (
            is_faint or (reliable and noise_texture.shows_noise(texture, coded))
        )
        rounding_variance = _added(frame.picture, flats) if is_noise and not is_faint else 0.0
        tone = _Tone(target, flats, texture, is_noise, is_faint, rounding_variance)
        if is_noise:
            return tone
        first = first or tone
    return first


def _lowest(values: NDArray[np.float32], count: int) -> NDArray[np.intp]:
    """Places of the `count` lowest values, ascending; of equal ones the first."""
    limit = np.partition(values, count - 1)[count - 1]
    below = values < limit
    ties = np.flatnonzero(values == limit)[: count - np.count_nonzero(below)]
    below[ties] = True
    return np.flatnonzero(below)


def _resolution(picture: Picture) -> tuple[bool, float]:
    """Whether noise ends in whole code values of 8 bits, and the least that can be measured."""
    assert picture.code is not None
    if picture.lossy or picture.code.dtype == np.uint8:
        return True, FAINTEST
    return False, _FINEST


def _added(picture: Picture, flats: Flats) -> float:
    """Variance, code values squared, that rounding added to these blocks' noise, where that is known."""
    assert picture.code is not None
    if picture.code.dtype != np.uint8:
        return 0.0
    whole = spectrum.input_rounding(not picture.monochrome)
    if not picture.lossy:
        return whole
    steps = picture.luma_steps
    if steps is None or spectrum.lowest_step(steps) > spectrum.FINE_STEP:
        return 0.0
    return whole + spectrum.added_variance(flats.values, steps)


def _reported(picture: Picture, tones: list[_Tone]) -> tuple[tuple[Tone, ...], tuple[Tone, ...]]:
    """Noise by signal level where it was measured, and what it is at most elsewhere."""
    measured, bounded = [], []
    # Noise of a third of coding's lowest step reaches half the step, where it starts to show, in one coefficient of
    # eight: seldom enough to read as less than a code value.
    least = max(_FAINT_AT_MOST, _lowest_step(picture) / 3)
    for tone in tones:
        if tone.signal not in TONE_SIGNALS:
            continue
        slope = float(np.median(_curve_slope(picture, tone.flats.level)))
        pixels = len(tone.flats) * blocks.BLOCK**2
        if tone.is_noise and not tone.is_faint:
            value = _to_level(picture, tone) * tone.sigma * slope
            measured.append(Tone(tone.signal, value, pixels))
        else:
            bound = max(tone.noise_texture.sigma, least) * slope
            bounded.append(Tone(tone.signal, bound, pixels))
    return tuple(measured), tuple(bounded)


def _to_level(picture: Picture, tone: _Tone) -> float:
    """Factor that carries noise from the blocks' own brightness to the level it is reported for, by the
    photon law (EMVA 1288): it grows with the root of the signal."""
    light = float(np.median(_light(picture, tone.flats.level)))
    return float(np.sqrt(tone.signal / max(light, 1e-6)))


def _typical(frame: _Frame, noisy: list[_Tone]) -> float:
    """Deviation of the frame's flattest fifth: each brightness counts by how much of that it holds."""
    variance = np.array([t.sigma**2 for t in noisy])
    light = frame.light[frame.flattest]
    weight = np.array([np.count_nonzero(_near(light, t.signal)) for t in noisy], float)
    if not weight.sum():
        weight = np.array([len(t.flats) for t in noisy], float)
    return float(np.sqrt((weight * variance).sum() / weight.sum()))


def _mean_power(noisy: list[_Tone]) -> tuple[NDArray[np.float64], float]:
    """Mean (BLOCK, BLOCK) power over blocks, each brightness scaled to one variance, and its plateau."""
    count = np.array([len(t.flats) for t in noisy], float)
    each = [spectrum.filled(t.flats.squares) for t in noisy]
    scaled = [p / max(float(p.mean()), 1e-9) for p in each]
    power = np.tensordot(count / count.sum(), np.stack(scaled), axes=1)
    # Noise that falls like a Gaussian's spectrum lies higher still at nothing than on the plateau.
    rise = spectrum.low_rise(max(noisy, key=lambda t: len(t.flats)).flats.band_power.bands)
    return power, rise * float(power[0, 0])


def _light(picture: Picture, level: NDArray[np.float64]) -> NDArray[np.float64]:
    table = Picture(None, picture.transfer).linear((level / 255).astype(np.float32))
    return table.astype(np.float64)


def _curve_slope(picture: Picture, level: NDArray[np.float64]) -> NDArray[np.float64]:
    step = 0.5
    return (_light(picture, level + step) - _light(picture, level - step)) / (2 * step)
