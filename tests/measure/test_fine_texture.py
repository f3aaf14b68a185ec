"""What blur and movement take from fine texture, against the sum over its spectrum; what makes no streaks."""

import cv2
import numpy as np
import pytest
from photographs import jpeg

from auditor.measure.decode import decode
from auditor.measure.sharpness.fine_texture import FineTexture, directional_deficit, fine_texture
from auditor.measure.sharpness.light import light_of
from auditor.measure.sharpness.texture import WINDOW_PX

SIDE = 768
FY, FX = np.fft.fftfreq(SIDE)[:, None], np.fft.fftfreq(SIDE)[None, :]
AMPLITUDE = 1 / (np.hypot(FX, FY) + 0.01)
"""Natural scenes: amplitude falls with frequency (Field, J. Opt. Soc. Am. A 4(12), 1987)."""
SHARP_PX = 0.5
CORNERS = np.arange(16, SIDE - WINDOW_PX, WINDOW_PX)
WINDOWS = tuple(a.ravel() for a in np.meshgrid(CORNERS, CORNERS, indexing="ij"))


def blur(sigma_px: float) -> np.ndarray:
    """MTF of a Gaussian."""
    return np.exp(-2 * (np.pi * sigma_px) ** 2 * (FX**2 + FY**2))


def moved(length_px: float, degrees: float) -> np.ndarray:
    """MTF of a straight movement: a box along it."""
    a = np.radians(degrees)
    return np.sinc(length_px * (FX * np.cos(a) + FY * np.sin(a)))


def texture(mtf: np.ndarray, seed: int = 1) -> np.ndarray:
    """Square root of light of a random texture, mean 0.5, seen through `mtf`."""
    noise = np.fft.fft2(np.random.default_rng(seed).normal(size=(SIDE, SIDE)))
    field = np.fft.ifft2(noise * AMPLITUDE).real
    seen = np.fft.ifft2(noise * AMPLITUDE * mtf).real
    return 0.5 + 0.14 * seen / field.std()


def texture_of(root: np.ndarray) -> FineTexture:
    return fine_texture(light_of(decode(jpeg(np.clip(root, 0.02, 0.98) ** 2), "a.jpg")), *WINDOWS)


def found(root: np.ndarray) -> float | None:
    return texture_of(root).streaks


def lacks(root: np.ndarray) -> np.ndarray:
    deficit = directional_deficit(
        np.stack([255 * root[y : y + 64, x : x + 64] for y, x in zip(*WINDOWS, strict=True)])
    )
    assert deficit is not None
    return deficit[0]


def expected(mtf: np.ndarray, way_deg: float) -> float:
    """ln of power along a direction less that across it, by the sum over the spectrum from 0.18 to 0.255 c/px
    with what lies beyond 0.35 c/px taken for noise."""
    power, f = (AMPLITUDE * mtf) ** 2, np.hypot(FX, FY)
    noise = power[(f > 0.35) & (f < 0.42)].mean()
    here = (f > 0.18) & (f < 0.255)
    off = np.degrees(np.arctan2(FY, FX + 0 * FY)) - way_deg
    along, across = (
        np.log(
            max(power[here & (np.abs((off + turn + 90) % 180 - 90) < 10)].mean() - noise, noise / 2)
        )
        for turn in (0, 90)
    )
    return float(along - across)


@pytest.mark.parametrize(
    ("length_px", "degrees"), [(3.0, 0.0), (3.0, 20.0), (3.0, 90.0), (3.0, 135.0)]
)
def test_a_movement_takes_from_the_finest_detail_what_its_mtf_does(
    length_px: float, degrees: float
) -> None:
    mtf = blur(SHARP_PX) * moved(length_px, degrees)
    deficit = lacks(texture(mtf))
    # The harmonic of twice the angle spans from along to across: half of what lies between them.
    assert 2 * np.hypot(*deficit) == pytest.approx(-expected(mtf, degrees), rel=0.25)
    turned = np.degrees(np.arctan2(deficit[1], deficit[0])) - 180 - 2 * degrees
    assert abs((turned + 180) % 360 - 180) < 2 * 10


@pytest.mark.parametrize("length_px", [3.0, 4.0, 6.0])
@pytest.mark.parametrize("sigma_px", [SHARP_PX, 1.0])
def test_a_movement_shows_behind_any_lens(length_px: float, sigma_px: float) -> None:
    still = found(texture(blur(sigma_px)))
    value = found(texture(blur(sigma_px) * moved(length_px, 65.0)))
    assert still is not None
    assert value is not None
    assert still < 0.6
    assert value > 1.2


def test_objects_drawn_one_way_are_no_streaks() -> None:
    """Coarse and fine alike: grass and water have as much more power one way at every frequency."""
    way = np.arctan2(FY, FX + 0 * FY)
    drawn = np.exp(0.4 * np.cos(2 * way))
    value = found(texture(blur(SHARP_PX) * drawn))
    assert value is not None
    assert value < 1.0


def test_exposure_mirror_and_quarter_turn_change_nothing() -> None:
    root = texture(blur(SHARP_PX) * moved(4.0, 20.0))
    value = found(root)
    assert value is not None
    darker = found(root * np.sqrt(0.5))  # a stop less light
    mirrored = found(np.ascontiguousarray(root[:, ::-1]))
    turned = found(np.ascontiguousarray(root.T))
    assert darker == pytest.approx(value, rel=0.1)
    assert mirrored == pytest.approx(value, rel=0.1)
    assert turned == pytest.approx(value, rel=0.1)


def test_streaks_of_single_objects_are_not_the_frames() -> None:
    """A third of the frame moved, as a subject does: the median window did not."""
    root = texture(blur(SHARP_PX))
    root[: SIDE // 3] = texture(blur(SHARP_PX) * moved(5.0, 0.0))[: SIDE // 3]
    whole = found(texture(blur(SHARP_PX) * moved(5.0, 0.0)))
    value = found(root)
    assert value is not None
    assert whole is not None
    assert value < 0.4 * whole


def test_a_plain_frame_has_no_texture_to_tell_from() -> None:
    smooth = cv2.GaussianBlur(texture(blur(SHARP_PX)), (0, 0), 12.0)
    assert found(smooth) is None
    few = fine_texture(
        light_of(decode(jpeg(texture(blur(0.5)) ** 2), "a.jpg")), *(w[:5] for w in WINDOWS)
    )
    assert few == FineTexture(None, None)


def ratios(mtf: np.ndarray) -> list[float]:
    """Sum over the spectrum: Scharr's derivative is sin(2 pi f) along and (10 + 6 cos(2 pi f)) / 16 across."""
    dx, dy = (np.sin(2 * np.pi * f) for f in (FX, FY))
    dx, dy = (
        dx * (10 + 6 * np.cos(2 * np.pi * FY)) / 16,
        dy * (10 + 6 * np.cos(2 * np.pi * FX)) / 16,
    )
    ratio = []
    for gradient in (dx, (dx + dy) / np.sqrt(2), dy, (dx - dy) / np.sqrt(2)):
        fine, coarse = (((AMPLITUDE * mtf * blur(s) * gradient) ** 2).sum() for s in (0.8, 1.4))
        ratio.append(float(np.log(fine / coarse)))
    return ratio


@pytest.mark.parametrize("sigma_px", [0.5, 0.8, 1.2, 2.0])
def test_the_finest_texture_is_as_fine_as_its_blur_lets_it(sigma_px: float) -> None:
    """Against the same sum: of windows that are alike the finest tenth lies little above their mean."""
    mtf = blur(sigma_px)
    fineness = texture_of(texture(mtf)).fineness
    assert fineness is not None
    assert 0.0 <= fineness - min(ratios(mtf)) < 0.1


def test_a_part_of_the_frame_in_focus_is_as_fine_as_a_whole_one() -> None:
    root = texture(blur(2.0))
    soft = texture_of(root).fineness
    root[: SIDE // 3] = texture(blur(SHARP_PX))[: SIDE // 3]
    part, whole = texture_of(root).fineness, texture_of(texture(blur(SHARP_PX))).fineness
    assert soft is not None
    assert part is not None
    assert part == pytest.approx(whole, abs=0.1)
    assert part > soft + 0.3
