"""Frames whose noise cannot be told: null with a reason, never a number nobody should trust."""

from __future__ import annotations

import warnings
from typing import Any

import cv2
import noise_pictures as draw
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from auditor.measure.noise import measure_noise
from auditor.measure.picture import Picture


def _photo() -> NDArray[Any]:
    return cv2.cvtColor(draw.exposed(draw.land(seed=20), 4000), cv2.COLOR_GRAY2BGR)


def _screen() -> NDArray[Any]:
    out = np.full((800, 1200, 3), 245, np.uint8)
    for line in range(40):
        at = (20, 20 + line * 19)
        cv2.putText(out, "Some text on a screen", at, 0, 0.5, (20, 20, 20), 1, cv2.LINE_AA)
    return out


BAD = {
    "posterised": lambda: Picture(_photo() // 32 * 32),
    "quality 10": lambda: draw.jpeg(_photo(), 10),
    "screen": lambda: Picture(_screen()),
    "black": lambda: Picture(np.zeros((500, 700, 3), np.uint8)),
    "white": lambda: Picture(np.full((500, 700, 3), 255, np.uint8)),
    "one grey": lambda: Picture(np.full((500, 700), 128, np.uint8)),
    "two values": lambda: Picture(
        ((np.random.default_rng(0).random((500, 700)) > 0.5) * 255).astype(np.uint8)
    ),
    "random values": lambda: Picture(
        np.random.default_rng(0).integers(0, 256, (500, 700, 3), dtype=np.uint8)
    ),
    "tiny": lambda: Picture(_photo()[:20, :20].copy()),
    "no numbers": lambda: Picture(np.full((300, 300, 3), np.nan, np.float32)),
    "negative": lambda: Picture(np.full((300, 300, 3), -0.5, np.float32)),
    "film grain": lambda: Picture(_scan()),
}


def _scan() -> NDArray[Any]:
    """Grain of 3 px, as a scanned film has it."""
    grain = cv2.GaussianBlur(np.random.default_rng(1).standard_normal((800, 1200)), (0, 0), 1.5)
    return np.rint(np.clip(150 + 40 * grain, 0, 255)).astype(np.uint8)


@pytest.mark.parametrize("name", list(BAD))
def test_bad_frames_give_null_and_a_reason(name: str) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        noise = measure_noise(BAD[name]())
    assert noise.sigma_code8 is None
    assert noise.note
    assert "\n" not in noise.note


def test_smoothed_frames_are_null_or_right() -> None:
    """Noise of 1.4 code values smoothed by 2 px leaves 0.2, and rounding 0.29."""
    noise = measure_noise(Picture(cv2.GaussianBlur(_photo(), (0, 0), 2)))
    assert noise.sigma_code8 is None or noise.sigma_code8 < 0.6


def test_sixteen_bits_without_noise_are_not_taken_for_texture() -> None:
    ramp = np.broadcast_to(np.linspace(0.2, 0.6, 900), (600, 900)) * 65_535
    noise = measure_noise(Picture(np.rint(ramp).astype(np.uint16)))
    assert not noise.tones
    assert noise.note is not None
    assert "no noise" in noise.note


@pytest.mark.parametrize("margin", [0, 255])
def test_a_clipped_margin_about_fog_is_not_taken_for_coarse_steps(margin: int) -> None:
    """Normal noise of 2 code values, to which rounding adds a twelfth."""
    fog = np.rint(np.random.default_rng(5).normal(180, 2, (600, 900))).astype(np.uint8)
    fog[:80] = fog[-80:] = margin
    noise = measure_noise(Picture(fog))
    assert noise.sigma_code8 == pytest.approx(2, rel=0.05)


def test_kinds_of_code_values_agree() -> None:
    photo = _photo()
    reference = measure_noise(Picture(photo)).sigma_code8
    assert reference is not None
    as_float = (photo / np.float32(255)).astype(np.float32)
    holed = as_float.copy()
    holed[100:200, 100:300] = np.nan
    for code in (photo[..., 0].copy(), photo.astype(np.uint16) * 257, as_float, holed):
        assert measure_noise(Picture(code)).sigma_code8 == pytest.approx(reference, rel=0.03)


@settings(max_examples=30, deadline=None)
@given(
    height=st.integers(1, 200),
    width=st.integers(1, 200),
    seed=st.integers(0, 2**31),
    kind=st.sampled_from(["uint8", "uint16", "float32"]),
    spread=st.sampled_from([0.0, 0.01, 0.3]),
)
def test_any_array_gives_a_record(
    height: int, width: int, seed: int, kind: str, spread: float
) -> None:
    rng = np.random.default_rng(seed)
    values = np.clip(rng.random() + spread * rng.standard_normal((height, width, 3)), 0, 1)
    top = {"uint8": 255, "uint16": 65_535, "float32": 1}[kind]
    noise = measure_noise(Picture((values * top).astype(kind)))
    assert noise.sigma_code8 is None or 0 <= noise.sigma_code8 < 40
    assert noise.sigma_code8 is not None or noise.note


def test_noise_all_of_which_coding_may_have_added_is_no_more_than_a_bound() -> None:
    """Faint noise, and half of its places strong: what coding adds to the mean is more than the median block holds.
    The figures were no numbers."""
    rng = np.random.default_rng(17)
    strong = rng.random((16, 24)) < 0.49
    deviation = np.where(strong, 30, 1.25).repeat(16, 0).repeat(16, 1)
    grey = np.clip(118 + rng.normal(0, 1, deviation.shape) * deviation, 0, 255)
    frame = draw.jpeg(cv2.cvtColor(np.rint(grey).astype(np.uint8), cv2.COLOR_GRAY2BGR), 94)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = measure_noise(frame)
    assert found.tones == ()
    assert found.at_most
    assert found.sigma_code8 is None or np.isfinite(found.sigma_code8)
