"""Drawn pairs are what their recipe says."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from drawn_pairs import Accessory, PairWorld, Takes, draw_pairs

from auditor import srgb
from auditor.settings import read_settings

CALM = PairWorld(pairs=1, missed=0.0, light_sd=0.0, balance_sd=0.0)


def _linear(path: Path) -> np.ndarray:
    picture = cv2.imread(str(path))
    assert picture is not None
    return srgb.linear(picture[..., ::-1] / 255.0)


def test_a_filters_light_tint_and_shade_are_in_the_files(tmp_path: Path) -> None:
    accessory = Accessory("ND", tint=(0.05, -0.04), light_stops=2.0, shade_stops=0.5)
    takes = Takes(360, 240, shift_px=0)
    frames = draw_pairs(tmp_path, accessory, 3, CALM, takes)
    fitted = next(f for f in frames if f.fitted)
    bare = next(f for f in frames if not f.fitted)
    settings = {
        f.fitted: read_settings((tmp_path / f.path).read_bytes(), f.path) for f in (fitted, bare)
    }
    assert settings[True].labels == ("ND",)
    assert settings[False].labels == ()
    # Two stops of light are made up for by four times the time, written as cameras write it.
    assert settings[False].exposure_time_s == 1 / 250
    assert settings[True].exposure_time_s == 1 / 62
    ratio = np.log(
        _linear(tmp_path / fitted.path) / np.maximum(_linear(tmp_path / bare.path), 1e-6)
    )
    middle = ratio[100:140, 140:220]
    assert abs(np.median(middle[..., 1])) < 0.03
    assert abs(np.median(middle[..., 0] - middle[..., 1]) - 0.05) < 0.01
    assert abs(np.median(middle[..., 2] - middle[..., 1]) + 0.04) < 0.01
    corner = np.median(ratio[:25, :35, 1]) - np.median(middle[..., 1])
    assert abs(corner / np.log(2) + 0.5 * 0.8) < 0.1


def test_the_same_seed_draws_the_same_files(tmp_path: Path) -> None:
    for name in ("one", "two"):
        draw_pairs(tmp_path / name, Accessory(), 4, CALM, Takes(180, 120))
    first = sorted((tmp_path / "one").rglob("*.jpg"))
    assert len(first) == 2
    for path in first:
        other = tmp_path / "two" / path.relative_to(tmp_path / "one")
        assert path.read_bytes() == other.read_bytes()
