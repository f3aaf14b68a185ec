"""Noise of a developed frame (JPEG, HEIF, TIFF ...), from its flat blocks, brightness by brightness.

What is read is the noise as it stands in the file: what the camera's noise reduction and coding left.
Rounding that is known to have come on top is taken off (`spectrum`). Where noise is less than a code value
of 8 bits, coding decides what remains of it, and only an upper bound can be given.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.noise import noise_texture, signal, spectrum
from auditor.measure.noise.flats import (
    BRIGHTEST,
    DARKEST,
    FEWEST,
    SHARES,
    Flats,
    flattest,
    luma_blocks,
    map_blocks,
    read_flats,
    subsample,
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

_SIGNALS: Final = (TONE_SIGNALS[0] / 4, TONE_SIGNALS[0] / 2, *TONE_SIGNALS)
"""Brightnesses that are read, a stop apart: two below those reported count for the frame's figure."""

_FINEST: Final = 0.02
"""Code values of 8 bits that noise of finer pictures has to pass: five steps of 16 bits."""

_NOWHERE: Final = "no flat area that is neither black nor white"
_TEXTURED: Final = "texture everywhere: noise cannot be told from it"
_SMOOTH: Final = "flat areas hold no noise: smoothed, posterised or compressed away"
_POSTERISED: Final = "posterised: too few code values for noise to be told from their steps"


@dataclass(frozen=True)
class _Tone:
    """What was found at one brightness: noise (`is_faint` if less than can be measured), or texture."""

    signal: float
    flats: Flats
    is_noise: bool
    is_faint: bool
    rounding_variance: float = 0.0
    """What rounding added to the variance, code values squared."""

    @property
    def sigma(self) -> float:
        """Standard deviation of the noise, code values, what rounding added taken off."""
        return float(np.sqrt(self.flats.sigma**2 - self.rounding_variance))


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
    if min(picture.shape) < 4 * spectrum.BLOCK:
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
    smooth_variance : (n,) ndarray of float32
        Variance of the smoothed copy inside the block.
    tone : (n,) ndarray of floats
        Place in `_SIGNALS` of the brightness within half a stop of which the block lies; others lie beyond
        its ends. NaN for black and white blocks.
    flattest : (k,) ndarray of intp
        Indices of the flattest fifth of those that are neither, ascending.
    """

    picture: Picture
    columns: int
    smooth_variance: NDArray[np.float32]
    tone: NDArray[np.floating]
    flattest: NDArray[np.intp]

    @classmethod
    def of(cls, picture: Picture) -> _Frame:
        level, smooth_variance = map_blocks(picture.half_luma, 255 / picture.peak)
        usable = (level > DARKEST) & (level < BRIGHTEST)
        light = np.where(usable, _light(picture, level), np.float32(np.nan))
        with np.errstate(all="ignore"):
            tone = np.round(np.log2(light / _SIGNALS[0])).ravel()
        places = np.flatnonzero(usable)
        if len(places):
            count = max(1, round(SHARES[0] * len(places)))
            places = places[flattest(smooth_variance.ravel()[places], count)]
        return cls(picture, level.shape[1], smooth_variance.ravel(), tone, places)

    @cached_property
    def sample(self) -> tuple[NDArray[np.float32], NDArray[np.intp]]:
        """Luma (n, BLOCK, BLOCK) of some of the flattest blocks, and their indices."""
        chosen = subsample(self.flattest)
        return luma_blocks(self.picture, self.columns, chosen), chosen

    @cached_property
    def banding(self) -> bool:
        """Whether rows or columns carry offsets of their own."""
        values, chosen = self.sample
        return len(chosen) >= FEWEST and noise_texture.has_banding(values, chosen, self.columns)


def _measure(picture: Picture) -> Noise:
    nothing = Noise(None, signal_shares=signal.signal_shares(picture))
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
    if all(t.flats.median_variance < _CONSTANT for t in noisy):
        return dataclasses.replace(partial, note=_SMOOTH)
    return _whole_frame(frame, noisy, partial)


def _whole_frame(frame: _Frame, noisy: list[_Tone], partial: Noise) -> Noise:
    """The figures of the frame as a whole, from the brightnesses at which it shows noise."""
    shape = frame.picture.shape
    sigma = _typical(frame, noisy)
    ratio = spectrum.output_ratio(*shape)
    factor = spectrum.averaging_factor(_mean_power(noisy), ratio) if ratio > 1 else 1.0
    return dataclasses.replace(
        partial,
        sigma_code8=sigma,
        tone_output_scale=factor,
        hot_pixels=noise_texture.count_hot_pixels(frame.sample[0], shape[0] * shape[1]),
    )


def _lowest_step(picture: Picture) -> float:
    """Code values to which coding rounds the lowest frequencies of luma; 0 where it does not."""
    if picture.luma_steps is not None:
        return spectrum.lowest_step(picture.luma_steps)
    return _STEP_UNKNOWN if picture.lossy else 0.0


def _read_tones(frame: _Frame) -> list[_Tone]:
    """What the flattest blocks near each brightness hold. One frame goes through one sensor and one
    development: what is less fine than half the finest noise is the scene."""
    each = (_read_tone(frame, place) for place in range(len(_SIGNALS)))
    tones = [tone for tone in each if tone is not None]
    measured = [t.flats.fine_ratio for t in tones if t.is_noise and not t.is_faint]
    least = max(measured, default=0.0) / 2
    return [
        t if t.is_faint or t.flats.fine_ratio >= least else dataclasses.replace(t, is_noise=False)
        for t in tones
    ]


def _read_tone(frame: _Frame, place: int) -> _Tone | None:
    """One brightness: the largest share of its blocks that holds noise; texture if none does."""
    candidates = np.flatnonzero(frame.tone == place)
    if len(candidates) < FEWEST:
        return None
    coded, faintest = _resolution(frame.picture)
    sizes = (min(max(round(share * len(candidates)), FEWEST), len(candidates)) for share in SHARES)
    first: _Tone | None = None
    for size in dict.fromkeys(sizes):
        chosen = candidates[flattest(frame.smooth_variance[candidates], size)]
        flats = read_flats(frame.picture, frame.columns, chosen, banding=frame.banding)
        if len(flats) < FEWEST:
            break
        is_faint = flats.sigma < faintest
        reliable = first is None or len(flats) >= _RELIABLE
        is_noise = is_faint or (reliable and noise_texture.shows_noise(flats, coded))
        rounding_variance = _added(frame.picture, flats) if is_noise and not is_faint else 0.0
        if rounding_variance >= flats.sigma**2:  # it may be all there is
            is_faint, rounding_variance = True, 0.0
        tone = _Tone(_SIGNALS[place], flats, is_noise, is_faint, rounding_variance)
        if is_noise:
            return tone
        first = first or tone
    return first


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
        level = tone.flats.level
        darker, light, brighter = _light(picture, np.array([level - 0.5, level, level + 0.5]))
        slope = float(brighter - darker)  # light by a code value
        pixels = len(tone.flats) * spectrum.BLOCK**2
        if tone.is_noise and not tone.is_faint:
            # From the blocks' own brightness to the level by the photon law (EMVA 1288): noise grows with the
            # root of the signal.
            to_level = float(np.sqrt(tone.signal / max(float(light), 1e-6)))
            measured.append(Tone(tone.signal, to_level * tone.sigma * slope, pixels))
        else:
            bounded.append(Tone(tone.signal, max(tone.flats.sigma, least) * slope, pixels))
    return tuple(measured), tuple(bounded)


def _typical(frame: _Frame, noisy: list[_Tone]) -> float:
    """Deviation of the frame's flattest fifth: each brightness counts by how much of that it holds."""
    variance = np.array([t.sigma**2 for t in noisy])
    tones = frame.tone[frame.flattest]
    weight = np.array([np.count_nonzero(tones == _SIGNALS.index(t.signal)) for t in noisy], float)
    if not weight.sum():
        weight = np.array([len(t.flats) for t in noisy], float)
    return float(np.sqrt((weight * variance).sum() / weight.sum()))


def _mean_power(noisy: list[_Tone]) -> NDArray[np.float64]:
    """Mean (BLOCK, BLOCK) power over blocks, each brightness scaled to one variance."""
    count = np.array([len(t.flats) for t in noisy], float)
    each = [spectrum.filled(t.flats.squares) for t in noisy]
    scaled = [p / max(float(p.mean()), 1e-9) for p in each]
    return np.asarray(np.tensordot(count / count.sum(), np.stack(scaled), axes=1))


def _light(picture: Picture, level: NDArray[Any]) -> NDArray[np.float32]:
    """Linear light, 1 = white, of levels on the 0..255 scale."""
    return Picture(None, picture.transfer).linear(level / np.float32(255))
