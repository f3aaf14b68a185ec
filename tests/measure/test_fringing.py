"""Lateral colour against scenes whose channels are displaced by known amounts."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from importlib.util import find_spec
from pathlib import Path

import cv2
import numpy as np
import pytest

from auditor.measure.decode import decode
from auditor.measure.fringing import measure_fringing, measure_optics
from auditor.measure.picture import Picture
from auditor.measure.sharpness.frame_sharpness import sharpness_and_edges

PICTURES = (
    Path(find_spec("skimage").origin).parent / "data"
)  # not imported, which takes half a second


WARM = (0.94, 0.97, 1.0)


@cache
def _discs(red_px: float, blue_px: float, size: int = 640, seed: int = 2) -> np.ndarray:
    """Grey discs in warm light whose outlines in red and blue are magnified about the centre of the frame.

    The displacement at the half-diagonal is `red_px` and `blue_px`; outlines are exact
    (hyperbolic tangent of distance, about 0.9 px of blur). Shape (size, size, 3), B G R, code values.
    """
    rng = np.random.default_rng(seed)
    half_diagonal = np.hypot(size, size) / 2
    axis = np.arange(size) - (size - 1) / 2
    out = np.full((size, size, 3), 0.35)
    beyond = 20  # pixels from an outline at which its tangent is 1 to the last digit
    discs = [
        (rng.uniform(-290, 290, 2), rng.uniform(18, 60), rng.uniform(0.1, 0.9)) for _ in range(60)
    ]
    for channel, shift in ((0, blue_px), (1, 0.0), (2, red_px)):
        scale = 1 + shift / half_diagonal
        x, y = axis[None, :] / scale, axis[:, None] / scale
        plane = out[..., channel]
        for (cx, cy), radius, value in discs:
            at = np.flatnonzero(abs(x[0] - cx) < radius + beyond)
            down = np.flatnonzero(abs(y[:, 0] - cy) < radius + beyond)
            near = np.ix_(down, at)
            outside = np.hypot(x[:, at] - cx, y[down] - cy) - radius
            plane[near] += (0.5 - 0.5 * np.tanh(outside)) * (value - plane[near])
    return np.round(255 * out * WARM).astype(np.uint8)


def _jpeg(code: np.ndarray, sampling: int) -> Picture:
    options = [cv2.IMWRITE_JPEG_QUALITY, 95, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, sampling]
    data = cv2.imencode(".jpg", code, options)[1]
    return decode(data.tobytes(), "coded.jpg")


_PLAIN, _HALVED = cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420


@pytest.mark.parametrize(
    ("red", "blue", "sampling"),
    [
        (0.0, 0.0, _HALVED),
        (0.8, -0.5, _PLAIN),
        (-1.5, 2.0, _HALVED),
        pytest.param(0.0, 0.0, _PLAIN, marks=pytest.mark.long),
        pytest.param(0.8, -0.5, _HALVED, marks=pytest.mark.long),
        pytest.param(-1.5, 2.0, _PLAIN, marks=pytest.mark.long),
    ],
)
def test_known_channel_shifts_within_a_tenth_of_a_pixel(
    red: float, blue: float, sampling: int
) -> None:
    fringing = measure_optics(_jpeg(_discs(red, blue), sampling))[1]
    assert fringing is not None
    assert fringing.lateral_red_px == pytest.approx(red, abs=0.1)
    assert fringing.lateral_blue_px == pytest.approx(blue, abs=0.1)


def test_corners_are_displaced_by_their_distance_from_the_centre() -> None:
    """Which is from 0.7 of the half-diagonal on."""
    fringing = measure_optics(Picture(_discs(2.0, -2.0)))[1]
    assert fringing is not None
    assert 0.65 * 2.0 < fringing.corner_lateral_red_px < 2.0
    assert -2.0 < fringing.corner_lateral_blue_px < 0.65 * -2.0


def test_an_edge_cut_off_by_the_border_spoils_nothing() -> None:
    """One side of it has no pixels, so that its steps are no numbers."""
    picture = Picture(_discs(1.0, -1.0))
    edges = sharpness_and_edges(picture, None)[1]
    assert edges is not None
    y, angle = edges.y.copy(), edges.angle.copy()
    cut = np.flatnonzero(edges.clean)[0]
    y[cut], angle[cut] = 0.0, np.pi / 2
    found = measure_fringing(picture, replace(edges, y=y, angle=angle))
    assert found is not None
    assert found.lateral_red_px == pytest.approx(1.0, abs=0.1)
    assert found.lateral_blue_px == pytest.approx(-1.0, abs=0.1)


def test_seam_is_wider_with_more_lateral_colour() -> None:
    slight, strong = (measure_optics(Picture(_discs(s, -s)))[1] for s in (0.3, 2.5))
    assert slight is not None
    assert strong is not None
    assert strong.fringe_width_px > slight.fringe_width_px


@pytest.mark.parametrize("name", ["astronaut.png", "motorcycle_left.png"])
def test_red_enlarged_in_a_photograph_is_found(name: str) -> None:
    """Pictures that come with scikit-image, their red plane enlarged by 0.2% about the middle: the displacement at
    the half-diagonal grows by that much, whatever the lens had."""
    code = cv2.imread(str(PICTURES / name))
    high, wide = code.shape[:2]
    times = 1.002
    warp = np.array(
        [[times, 0, (1 - times) * (wide - 1) / 2], [0, times, (1 - times) * (high - 1) / 2]]
    )
    enlarged = code.copy()
    enlarged[..., 2] = cv2.warpAffine(
        code[..., 2], warp, (wide, high), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT
    )
    found = [measure_optics(_jpeg(c, _PLAIN))[1] for c in (code, enlarged)]
    assert found[0] is not None
    assert found[1] is not None
    grown = found[1].lateral_red_px - found[0].lateral_red_px
    assert grown == pytest.approx((times - 1) * np.hypot(wide, high) / 2, abs=0.15)


def test_monochrome_has_no_fringing() -> None:
    assert measure_optics(Picture(_discs(1.0, 1.0)[..., 1]))[1] is None


@pytest.mark.parametrize("sampling", [_PLAIN, _HALVED])
def test_black_and_white_kept_as_three_colours_has_no_fringing_either(sampling: int) -> None:
    """Cameras and programs write it so; a displacement of 0 would speak for the lens."""
    grey = np.ascontiguousarray(np.repeat(_discs(0.8, -0.5)[..., 1:2], 3, axis=2))
    sharpness, fringing = measure_optics(_jpeg(grey, sampling))
    assert sharpness.zones["centre"] is not None
    assert fringing is None


def test_mirroring_keeps_the_displacement() -> None:
    code = _discs(1.2, -0.7)
    plain = measure_optics(Picture(code))[1]
    mirrored = measure_optics(Picture(np.ascontiguousarray(code[:, ::-1])))[1]
    assert plain is not None
    assert mirrored is not None
    assert mirrored.lateral_red_px == pytest.approx(plain.lateral_red_px, abs=0.05)
