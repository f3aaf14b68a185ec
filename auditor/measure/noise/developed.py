"""Noise of a developed frame (JPEG, HEIF, TIFF ...), from its flat blocks, brightness by brightness.

What is read is the noise as it stands in the file: what the camera's noise reduction and coding left.
Rounding that is known to have come on top is taken off (`coding`). Where it is less than a code value of 8 bits, coding decides what is left of it, and all
that can be said is how strong it is at most.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.noise import (
    blocks,
    coding,
    mosaic,
    noise_texture,
    pattern_noise,
    scaling,
    signal,
    spectrum,
)
from auditor.measure.noise.flats import (
    BRIGHTEST,
    DARKEST,
    FEWEST,
    SHARES,
    Flats,
    luma_blocks,
    read_flats,
    shares_tried,
)
from auditor.measure.picture import Picture
from auditor.record import TONE_SIGNALS, Noise, Tone

__all__ = ["FAINTEST", "measure_noise"]

FAINTEST: Final = 1.0
"""Code values of 8 bits from which on noise is measured: below, files of real cameras show a tenth less
than the mean of many exposures says, and soon nothing."""

_FAINT_AT_MOST: Final = 1.2
"""Code values that noise which reads less than `FAINTEST` has at most."""

_STEPS_HIDDEN: Final = 3.0
"""Noise of a third of coding's lowest step reaches half the step, where it starts to show, in one
coefficient of eight: seldom enough to read as less than a code value."""

_STEP_UNKNOWN: Final = 6.0
"""The lowest step assumed for coding whose steps are not stated (WebP, HEIF): the example tables of
ISO/IEC 10918-1 have it at quality 75."""

_COARSEST_STEP: Final = 20.0
"""Lowest step from which on compression decides what is seen; the same tables reach it at quality 28."""

_RESOLVED: Final = 4.0
"""Steps between code values finer than 8 bits that noise has to span to be measured."""

_LEAST_LEFT: Final = 0.25
"""Share of the variance that is left at least when rounding is taken off: by then it is as uncertain."""

_SURE: Final = 64
"""Blocks of a smaller share that can be told from texture by how alike they are."""

_DEAD: Final = 0.02
"""Variance, code values squared, of a block in which nothing varies."""

_DARKER: Final = (TONE_SIGNALS[0] / 4, TONE_SIGNALS[0] / 2)
"""Brightnesses below those reported, which count for the frame's figure."""

_FINEST: Final = 1e-3
"""Code values of 8 bits that noise of floating-point pictures has to pass: less may be arithmetic."""

_HALF_STOP: Final = float(np.sqrt(2))
"""Factor on brightness of half a stop, within which a block belongs to a level."""

_BANDING_BLOCKS: Final = 1000
"""Blocks at most in which banding is looked for."""

_HOT_BLOCKS: Final = 400
"""Blocks at most in which hot pixels are counted: some 100,000 pixels."""

_NOWHERE: Final = "no flat area that is neither black nor white"
_TEXTURED: Final = "texture everywhere: noise cannot be told from it"
_SMOOTH: Final = "flat areas hold no noise: smoothed, posterised or compressed away"
_COMPRESSED: Final = "compressed too hard for its noise to be seen"
_POSTERISED: Final = "posterised: too few code values for noise to be told from their steps"


@dataclass(frozen=True)
class _Tone:
    """What was found at one brightness: noise (`faint` if less than can be measured), or texture."""

    signal: float
    flats: Flats
    noise_texture: noise_texture.NoiseTexture
    noise: bool
    faint: bool
    added: float = 0.0
    """What rounding added to the variance, code values squared."""

    @property
    def sigma(self) -> float:
        """Standard deviation of the noise, code values, what rounding added taken off."""
        found = self.noise_texture.sigma**2
        return float(np.sqrt(max(found - self.added, _LEAST_LEFT * found)))


def measure_noise(picture: Picture) -> Noise:
    """Noise of one frame; figures that cannot be trusted are None and `note` says why.

    Developed frames give `tones` and `at_most` from the flattest blocks near each signal level, and
    `sigma_code8` from those of all levels. Mosaics are measured on the mosaic.
    """
    if picture.mosaic is not None:
        return mosaic.measure_mosaic_noise(picture.mosaic)
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

    Attributes:
        columns: blocks side by side.
        level, light: mean code value on the 0..255 scale, and the light that it stands for.
        relief: variance of the smoothed copy inside the block.
        usable: whether it is neither black nor white.
        flattest: places of the flattest fifth of the usable ones, ascending.
        banding: whether rows or columns carry offsets of their own.
    """

    picture: Picture
    columns: int
    level: NDArray[np.float32]
    light: NDArray[np.float64]
    relief: NDArray[np.float32]
    usable: NDArray[np.bool_]
    flattest: NDArray[np.intp]
    banding: bool

    @classmethod
    def of(cls, picture: Picture) -> _Frame:
        found = blocks.map_blocks(picture.half_luma, 255 / picture.peak)
        level, relief, columns = found.level.ravel(), found.relief.ravel(), found.level.shape[1]
        usable = (level > DARKEST) & (level < BRIGHTEST)
        places = np.flatnonzero(usable)
        count = max(1, round(SHARES[0] * len(places)))
        flattest = places
        if len(places):
            flattest = np.sort(places[np.argpartition(relief[places], count - 1)[:count]])
        chosen = blocks.spread(flattest, _BANDING_BLOCKS)
        banding = len(chosen) >= FEWEST and pattern_noise.has_banding(
            luma_blocks(picture, columns, chosen), chosen, columns
        )
        light = _light(picture, level.astype(np.float64))
        return cls(picture, columns, level, light, relief, usable, flattest, banding)

    def near(self, signal: float) -> NDArray[np.bool_]:
        """Blocks whose light is within half a stop of a signal."""
        return (self.light > signal / _HALF_STOP) & (self.light < signal * _HALF_STOP)


def _measure(picture: Picture) -> Noise:
    shares, clipped = signal.signal_shares(picture), signal.clipped_share(picture)
    nothing = Noise(None, signal_shares=shares, clipped_share=clipped)
    step = _lowest_step(picture)
    if step > _COARSEST_STEP:
        return dataclasses.replace(nothing, note=_COMPRESSED)
    if noise_texture.is_posterised(picture.luma, picture.peak):
        return dataclasses.replace(nothing, note=_POSTERISED)
    frame = _Frame.of(picture)
    tones = _read_tones(frame)
    if not tones:
        return dataclasses.replace(nothing, note=_NOWHERE)
    told = [t for t in tones if t.noise]
    by_tone, at_most = _reported(picture, tones, step)
    limits = dataclasses.replace(nothing, tones=by_tone, at_most=at_most)
    if not told:
        return dataclasses.replace(limits, note=_TEXTURED)
    if all(float(np.median(t.flats.form.variance)) < _DEAD for t in told):
        return dataclasses.replace(limits, note=_SMOOTH)
    return _whole_frame(frame, told, limits)


def _whole_frame(frame: _Frame, told: list[_Tone], limits: Noise) -> Noise:
    """The figures of the frame as a whole, from the brightnesses at which it shows noise."""
    picture = frame.picture
    sigma = _typical(frame, told)
    power, plateau = _mean_power(told)
    factor = scaling.averaging_factor(power, scaling.output_ratio(*picture.shape))
    some = luma_blocks(picture, frame.columns, blocks.spread(frame.flattest, _HOT_BLOCKS))
    return dataclasses.replace(
        limits,
        sigma_code8=sigma,
        grain_px=scaling.grain(plateau, float(power.mean())),
        sigma_output_code8=sigma * factor,
        tone_output_scale=factor,
        banding=frame.banding,
        hot_pixels=pattern_noise.count_hot_pixels(some, picture.luma.size),
    )


def _lowest_step(picture: Picture) -> float:
    """Code values to which coding rounds the lowest frequencies of luma; 0 where it does not."""
    if picture.luma_steps is not None:
        return coding.lowest_step(picture.luma_steps)
    return _STEP_UNKNOWN if picture.lossy else 0.0


def _read_tones(frame: _Frame) -> list[_Tone]:
    """What the flattest blocks near each brightness hold."""
    each = (_read_tone(frame, target) for target in (*_DARKER, *TONE_SIGNALS))
    found = [tone for tone in each if tone is not None]
    loud = {t.signal: t.noise_texture for t in found if t.noise and not t.faint}
    odd = noise_texture.disagreeing(loud)
    return [dataclasses.replace(t, noise=False) if t.signal in odd else t for t in found]


def _read_tone(frame: _Frame, target: float) -> _Tone | None:
    """One brightness: the largest share of its blocks that holds noise; texture if none does."""
    near = np.flatnonzero(frame.usable & frame.near(target))
    if len(near) < FEWEST:
        return None
    coded, faintest = _resolution(frame.picture)
    first: _Tone | None = None
    for size in shares_tried(len(near)):
        chosen = near[_lowest(frame.relief[near], size)]
        flats = read_flats(frame.picture, frame.columns, chosen, banding=frame.banding)
        if len(flats) < FEWEST:
            break
        seen = noise_texture.noise_texture(flats)
        # Places in which nothing varies at all, among others that vary, were painted.
        dead = first is not None and float(np.median(flats.form.variance)) < _DEAD
        faint = seen.sigma < faintest
        sure = first is None or len(flats) >= _SURE
        noise = not dead and (faint or (sure and noise_texture.shows_noise(seen, coded)))
        added = _added(frame.picture, flats) if noise and not faint else 0.0
        tone = _Tone(target, flats, seen, noise, faint, added)
        if noise:
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
    step = 255 / picture.peak if picture.code.dtype.kind == "u" else 0.0
    return False, max(_RESOLVED * step, _FINEST)


def _added(picture: Picture, flats: Flats) -> float:
    """Variance, code values squared, that rounding added to these blocks' noise, where that is known."""
    assert picture.code is not None
    if picture.code.dtype != np.uint8:
        return 0.0
    whole = coding.input_rounding(not picture.monochrome)
    if not picture.lossy:
        return whole
    steps = picture.luma_steps
    if steps is None or coding.lowest_step(steps) > coding.FINE_STEP:
        return 0.0
    return whole + coding.added_variance(flats.values, steps)


def _reported(
    picture: Picture, tones: list[_Tone], step: float
) -> tuple[tuple[Tone, ...], tuple[Tone, ...]]:
    """Noise by signal level where it was measured, and what it is at most elsewhere."""
    measured, bounded = [], []
    for tone in tones:
        if tone.signal not in TONE_SIGNALS:
            continue
        slope = float(np.median(_curve_slope(picture, tone.flats.level)))
        pixels = len(tone.flats) * blocks.BLOCK**2
        least = max(_FAINT_AT_MOST, step / _STEPS_HIDDEN)
        if tone.noise and not tone.faint:
            value = _at_level(picture, tone) * tone.sigma * slope
            measured.append(Tone(tone.signal, value, pixels))
        else:
            most = max(tone.noise_texture.sigma, least) * slope
            bounded.append(Tone(tone.signal, most, pixels))
    return tuple(measured), tuple(bounded)


def _at_level(picture: Picture, tone: _Tone) -> float:
    """Factor that carries noise from the blocks' own brightness to the level it is reported for, by the
    photon law (EMVA 1288): it grows with the root of the signal."""
    light = float(np.median(_light(picture, tone.flats.level)))
    return float(np.sqrt(tone.signal / max(light, 1e-6)))


def _typical(frame: _Frame, told: list[_Tone]) -> float:
    """Deviation of the frame's flattest fifth: each brightness counts by how much of that it holds."""
    variance = np.array([t.sigma**2 for t in told])
    weight = np.array([frame.near(t.signal)[frame.flattest].sum() for t in told], float)
    if not weight.sum():
        weight = np.array([len(t.flats) for t in told], float)
    return float(np.sqrt((weight * variance).sum() / weight.sum()))


def _mean_power(told: list[_Tone]) -> tuple[NDArray[np.float64], float]:
    """Mean (BLOCK, BLOCK) power over blocks, each brightness made equally loud, and its plateau."""
    count = np.array([len(t.flats) for t in told], float)
    each = [spectrum.filled(t.flats.squares) for t in told]
    scaled = [p / max(float(p.mean()), 1e-9) for p in each]
    power = np.tensordot(count / count.sum(), np.stack(scaled), axes=1)
    # Noise that falls like a Gaussian's spectrum lies higher still at nothing than on the plateau.
    rise = spectrum.low_rise(max(told, key=lambda t: len(t.flats)).flats.form.bands)
    return power, rise * float(power[0, 0])


def _light(picture: Picture, level: NDArray[np.float64]) -> NDArray[np.float64]:
    table = Picture(None, picture.transfer).linear((level / 255).astype(np.float32))
    return table.astype(np.float64)


def _curve_slope(picture: Picture, level: NDArray[np.float64]) -> NDArray[np.float64]:
    step = 0.5
    return (_light(picture, level + step) - _light(picture, level - step)) / (2 * step)
