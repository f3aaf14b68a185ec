"""Noise of a developed frame (JPEG, HEIF, TIFF ...), from its flat blocks."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from auditor.measure.cosine import EIGHT
from auditor.measure.noise import (
    blocks,
    coding,
    doubts,
    marks,
    mosaic,
    scaling,
    signal,
    spectrum,
    tones,
)
from auditor.measure.picture import Picture
from auditor.record import TONE_SIGNALS, Noise, Tone

__all__ = ["measure_noise"]

FLAT_SHARE: Final = 0.2
"""The share of blocks, flattest first, from which noise is read."""

_MOST_BLOCKS: Final = 1000
_TONE_BLOCKS: Final = 300
_STEP_BLOCKS: Final = 300
_HOT_BLOCKS: Final = 400
_CHROMA_BLOCKS: Final = 200
_FEWEST_BLOCKS: Final = 24
_LOUDEST: Final = 30.0
"""Code values; a full well of 30 electrons at a signal of 0.1 gives as much."""

_LOUDEST_SMOOTHED: Final = 12.0
_WHITE_SPREAD: Final = 0.11
"""Noise louder than the former has not been smoothed: its blocks' variances spread by 0.091 as those of
white noise do, and no more than the latter. Textures that repeat from block to block spread by 0.12 and
more; the loudest of a set of real frames up to ISO 12800 reads 3.7 code values."""

_HOT_PEAK: Final = 5.5
_HOT_LEAST: Final = 6.0
"""Standard deviations of a block, and code values, above its mean from which a pixel is hot: white
noise reaches them in one block of 200,000."""

_MANY_HOT: Final = 1e-3
"""Share of hot pixels from which on blocks that hold one are left out."""

_FINE_STEPS: Final = 8.0
"""Coding whose widest step is below this leaves the noise's spectrum alone (quality 97)."""

_MIDDLE: Final = (0.3, 0.7)
"""Quantiles of the flat blocks' deviations between which their mean is the frame's: as deaf to texture
and dead blocks as the median, but where dark and bright flats are not equally noisy it does not jump
from one to the other."""

_MOSTLY_PLAIN: Final = 0.9
"""Share of the flat blocks without texture from which on a frame counts as plain."""

_TEXTURED: Final = "texture everywhere: noise cannot be told from it"
_MOSTLY_TEXTURED: Final = "texture nearly everywhere: noise is told in the few plain places only"

_DARKEST, _BRIGHTEST = 1.5, 253.5
"""Code values (0..255) outside which a pixel may be clipped, and its noise cut off."""


@dataclass(frozen=True)
class FlatBlocks:
    """What is known of the flat blocks of a frame.

    Attributes:
        indices: (n,) places in the block map.
        values: (n, BLOCK, BLOCK) luma on the 0..255 scale.
        squares: (n, BLOCK, BLOCK) squared cosine coefficients.
        form: their variance (code values squared) and bands.
        level: (n,) mean code value.
    """

    indices: NDArray[np.intp]
    values: NDArray[np.float32]
    squares: NDArray[np.float32]
    form: spectrum.Shape
    level: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.indices)

    def take(self, keep: NDArray[np.bool_]) -> FlatBlocks:
        form = spectrum.Shape(self.form.variance[keep], self.form.bands[keep])
        return FlatBlocks(
            self.indices[keep], self.values[keep], self.squares[keep], form, self.level[keep]
        )

    def without_hot(self) -> FlatBlocks:
        """The blocks that hold no hot pixel."""
        peak = self.values.max((1, 2)) - self.level
        return self.take(peak <= np.maximum(_HOT_PEAK * np.sqrt(self.form.variance), _HOT_LEAST))

    def unbanded(self) -> FlatBlocks:
        """The same blocks with offsets of lines left out of their power."""
        squares = spectrum.without_lines(self.squares)
        return dataclasses.replace(self, squares=squares, form=spectrum.shape(squares))


def _read(picture: Picture, columns: int, indices: NDArray[np.intp]) -> FlatBlocks:
    """Cut the blocks at `indices`, leaving out those with pixels that may be clipped."""
    values = blocks.cut(picture.luma, columns, indices)
    values *= np.float32(255 / picture.peak)
    flat = values.reshape(-1, blocks.BLOCK**2)
    clean = (flat.min(1) > _DARKEST) & (flat.max(1) < _BRIGHTEST)
    values, indices = values[clean], indices[clean]
    squares = spectrum.power(values)
    return FlatBlocks(
        indices,
        values,
        squares,
        spectrum.shape(squares),
        flat[clean].mean(1).astype(np.float64),
    )


def _flattest(chosen: NDArray[np.intp], relief: NDArray[np.float32]) -> NDArray[np.intp]:
    """The flattest share of the blocks `chosen`, in the order of their places."""
    if not len(chosen):
        return chosen
    count = max(1, round(FLAT_SHARE * len(chosen)))
    return np.sort(chosen[np.argpartition(relief[chosen], count - 1)[:count]])


def _light(picture: Picture, level: NDArray[np.float64]) -> NDArray[np.float64]:
    table = Picture(None, picture.transfer).linear((level / 255).astype(np.float32))
    return table.astype(np.float64)


def _curve_slope(picture: Picture, level: NDArray[np.float64]) -> NDArray[np.float64]:
    step = 0.5
    return (_light(picture, level + step) - _light(picture, level - step)) / (2 * step)


def measure_noise(picture: Picture) -> Noise:
    """Noise of one frame; figures that cannot be trusted are None and `note` says why.

    Developed frames give `sigma_code8` from the flattest fifth of their blocks, and `tones` from the
    flattest fifth of the blocks near each signal level. Mosaics are measured on the mosaic.
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


def _measure(picture: Picture) -> Noise:
    scale = 255 / picture.peak
    shares, clipped = signal.signal_shares(picture), signal.clipped_share(picture)
    found = blocks.map_blocks(picture.luma, scale)
    level, relief = found.level.ravel(), found.relief.ravel()
    columns = found.level.shape[1]

    usable = np.flatnonzero((level > _DARKEST) & (level < _BRIGHTEST))
    chosen = _flattest(usable, relief)
    flat = _read(picture, columns, blocks.spread(chosen, _MOST_BLOCKS))
    if len(flat) < _FEWEST_BLOCKS:
        note = "no flat area that is neither black nor white"
        return Noise(None, signal_shares=shares, clipped_share=clipped, note=note)
    steps, mean_step = _coding_steps(picture, columns, usable)
    colour = _coloured_share(picture)
    rough = float(np.median(flat.form.variance))
    hot = _hot_pixels(picture, columns, chosen, rough)
    many_hot = hot > _MANY_HOT * picture.luma.size
    if many_hot:
        flat = flat.without_hot()
    banding = marks.has_banding(flat.values, rough, flat.indices, columns)
    if banding:
        flat = flat.unbanded()
    doubt = doubts.find_doubt(flat.form.variance, steps)
    if doubt is None and doubts.is_posterised(picture.luma, picture.peak):
        doubt = "posterised: too few code values for noise to be told from their steps"
    if doubt is not None:
        return Noise(None, signal_shares=shares, clipped_share=clipped, note=doubt)
    kept = doubts.clean_blocks(flat.form, flat.level, steps)
    flat = flat.take(kept)
    textured = Noise(None, signal_shares=shares, clipped_share=clipped, note=_TEXTURED)
    if len(flat) < _FEWEST_BLOCKS:
        # A few plain places may still show noise that is white up to the highest frequencies.
        plain_tones, _ = _tones(
            picture, level, relief, columns, steps, banding, many_hot, colour, plain_only=True
        )
        if not plain_tones:
            return textured
        return dataclasses.replace(textured, tones=plain_tones, note=_MOSTLY_TEXTURED)

    coarse = bool(np.nanmax(steps) > _FINE_STEPS)
    rise = spectrum.low_rise(flat.form.bands) if coarse else 1.0
    mean_power = spectrum.filled(flat.squares, rise)
    # What little varies in a clean frame with texture may be the scene's: rounding needs no counting.
    plain = float(kept.mean()) > _MOSTLY_PLAIN
    sigma = _typical(flat, mean_power, rise, mean_step, plain=plain)
    if sigma > _loudest(flat):
        note = "varies more than any camera's noise: a pattern or a drawing"
        return Noise(None, signal_shares=shares, clipped_share=clipped, note=note)
    by_tone, misled = _tones(picture, level, relief, columns, steps, banding, many_hot, colour)
    if misled and sigma**2 > doubts.LOUD and doubts.mostly_uneven(flat.form.variance, flat.level):
        return textured
    # Noise that falls like a Gaussian's spectrum lies higher still at nothing than on the plateau.
    plateau = float(spectrum.filled(flat.squares, spectrum.low_rise(flat.form.bands))[0, 0])
    ratio = scaling.output_ratio(*picture.shape)
    factor = scaling.averaging_factor(mean_power, ratio)
    return Noise(
        sigma_code8=sigma,
        tones=by_tone,
        chroma_code8=_chroma(picture, columns, flat.indices, colour),
        grain_px=scaling.grain(plateau, float(mean_power.mean())),
        sigma_output_code8=sigma * factor,
        tone_output_scale=factor,
        signal_shares=shares,
        clipped_share=clipped,
        banding=banding,
        hot_pixels=hot,
    )


def _hot_pixels(picture: Picture, columns: int, chosen: NDArray[np.intp], variance: float) -> int:
    """Hot pixels of the whole frame, from its flat blocks, those with white pixels among them."""
    values = blocks.cut(picture.luma, columns, blocks.spread(chosen, _HOT_BLOCKS))
    values *= np.float32(255 / picture.peak)
    return marks.count_hot_pixels(values, variance, picture.luma.size)


def _coloured_share(picture: Picture) -> float:
    """Share of pixels whose channels differ; 0 for a frame without colour."""
    if picture.code is None or picture.monochrome:
        return 0.0
    step = max(1, min(picture.shape) // 100)
    sample = picture.code[::step, ::step]
    blue, green, red = sample[..., 0], sample[..., 1], sample[..., 2]
    return float(((blue != green) | (green != red)).mean())


def _coding_steps(
    picture: Picture, columns: int, usable: NDArray[np.intp]
) -> tuple[NDArray[np.float64], float]:
    """Rounding steps of the file's coding and that of its means; 0 where values are finer than bytes."""
    assert picture.code is not None
    if picture.code.dtype != np.uint8 or not len(usable):
        return np.zeros((coding.CELL, coding.CELL)), 0.0
    some = coding.cells(blocks.cut(picture.luma, columns, blocks.spread(usable, _STEP_BLOCKS)))
    steps = coding.rounding_steps(EIGHT.transform(some))
    return steps, coding.mean_step(some, steps)


def _loudest(flat: FlatBlocks) -> float:
    """Deviation, code values, above which these blocks show no camera's noise."""
    smoothed = spectrum.relative_spread(flat.squares.mean(0)) > _WHITE_SPREAD
    return _LOUDEST_SMOOTHED if smoothed else _LOUDEST


def _typical(
    flat: FlatBlocks,
    mean_power: NDArray[np.float64],
    rise: float,
    mean_step: float,
    *,
    plain: bool,
) -> float:
    """Standard deviation of the noise: the middle blocks', brought to the mean.

    The variance of a block has a chi-squared spread; its median lies below its mean by the factor
    (1 - 2 / (9 k))^3 for k degrees of freedom (Wilson and Hilferty 1931). The blocks' own means, which
    planes and low frequencies take with them, are noisier than the plateau says where coding rounds
    them: `mean_step`.
    """
    spread = spectrum.relative_spread(flat.squares.mean(0))
    below = (1 - spread**2 / 9) ** 3
    low = spectrum.LOW_SHARE * float(mean_power[0, 0]) / float(mean_power.mean())
    above = 1 - low * (1 - 1 / rise)  # the variance with the low part as on the plateau
    first, last = (round(q * len(flat)) for q in _MIDDLE)
    middle = float(np.sqrt(np.sort(flat.form.variance)[first:last]).mean())
    variance = middle**2 / below / above
    if plain or variance > doubts.HARMLESS:
        plateau = rise * float(np.median(flat.form.bands[:, 1]))
        variance += coding.rounding_of_mean(plateau, mean_step) / coding.CELL**2
    return float(np.sqrt(variance))


_Level = tuple[float, FlatBlocks, bool, tones.Original]
"""A signal level, its flat blocks, whether none of them is free of texture, and their noise."""


def _tones(
    picture: Picture,
    level: NDArray[np.float32],
    relief: NDArray[np.float32],
    columns: int,
    steps: NDArray[np.float64],
    banding: bool,
    many_hot: bool,
    colour: float,
    *,
    plain_only: bool = False,
) -> tuple[tuple[Tone, ...], bool]:
    """Noise at each signal level, and whether texture passes for noise in this frame (`_believed`).

    With `plain_only` nothing but white, even noise of plain blocks is believed.
    """
    light = _light(picture, level.astype(np.float64))
    assert picture.code is not None
    whole = picture.code.dtype == np.uint8
    read: list[_Level] = []
    for target in TONE_SIGNALS:
        near = np.flatnonzero((light > target / np.sqrt(2)) & (light < target * np.sqrt(2)))
        chosen = blocks.spread(_flattest(near, relief), _TONE_BLOCKS)
        if len(chosen) < _FEWEST_BLOCKS:
            continue
        flat = _read(picture, columns, chosen)
        if many_hot:
            flat = flat.without_hot()
        if len(flat) < _FEWEST_BLOCKS:
            continue
        if banding:
            flat = flat.unbanded()
        clean = flat.take(doubts.clean_blocks(flat.form, flat.level, steps))
        textured = len(clean) < _FEWEST_BLOCKS
        flat = flat if textured else clean
        noise = tones.original(flat.values, steps, whole=whole, colour=colour)
        if noise is not None:
            read.append((target, flat, textured, noise))
    read, misled = _believed(read, plain_only)
    # One frame went through one development: white at one level is white at all.
    white = any(noise.white and not textured for _, _, textured, noise in read)
    if plain_only and not white:
        return (), misled
    out = []
    for target, flat, textured, found in read:
        noise = found.upper_only() if white else found
        if textured and not (noise.proven and noise.variance < _LOUDEST_SMOOTHED**2):
            continue
        x = _light(picture, flat.level)
        to_light = _curve_slope(picture, flat.level) ** 2
        if (
            textured or noise.faint
        ):  # only the level counts; it is carried to the target by the photon law
            value = noise.variance * float(to_light.mean()) * target / float(x.mean())
        else:
            value = tones.at_level(target, x, noise.share * flat.form.variance * to_light)
        if value > 0:
            out.append(Tone(target, float(np.sqrt(value)), len(flat) * blocks.BLOCK**2))
    return tuple(out), misled


def _believed(read: list[_Level], plain_only: bool) -> tuple[list[_Level], bool]:
    """The levels whose noise is no texture, and whether texture passes for noise in this frame.

    Small copies of a fine subject hold texture up to the highest frequencies, so its spectrum does not
    give it away; that it is not the same everywhere does, or that it is louder than any noise. Where that
    is so at most of the levels that looked noisy, the others are not believed either.
    """
    doubted, noisy = [], []
    for found in read:
        _, flat, textured, noise = found
        loud = noise.variance > doubts.LOUD
        odd = doubts.is_uneven(flat.form.variance) or noise.variance > _loudest(flat) ** 2
        doubted.append((found, loud, odd))
        if loud and not textured:
            noisy.append(odd)
    misled = 2 * sum(noisy) > len(noisy)
    kept = [
        found
        for found, loud, odd in doubted
        if not (loud and (odd or misled)) and not (plain_only and (odd or found[2]))
    ]
    return kept, misled


def _chroma(
    picture: Picture, columns: int, indices: NDArray[np.intp], colour: float
) -> float | None:
    """Root mean square of the deviations of Cb and Cr in the flat blocks, 8-bit code values."""
    if picture.code is None or colour == 0:
        return None
    values = blocks.cut(picture.code, columns, blocks.spread(indices, _CHROMA_BLOCKS))
    values *= np.float32(1 / picture.peak)
    flat = values.reshape(-1, blocks.BLOCK, 3)
    ycc = cv2.cvtColor(flat, cv2.COLOR_BGR2YCrCb).reshape(values.shape)
    total = 0.0
    for channel in (1, 2):
        squares = spectrum.power(ycc[..., channel] * np.float32(255))
        total += tones.robust_mean(spectrum.shape(squares).variance)
    return float(np.sqrt(total / 2))
